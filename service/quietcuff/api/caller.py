"""Who asks, in the terms of the flow."""

from __future__ import annotations

from quietcuff.api.authentication import principal_of
from quietcuff.api.reads import origin_of
from quietcuff.api.requests import Connection
from quietcuff.application import Caller


def caller_of(connection: Connection) -> Caller:
    """The tenant and the key of this request, its id, and where it came from."""
    principal = principal_of(connection)
    request_id: str = connection.scope["state"]["request_id"]
    return Caller(
        tenant_id=principal.tenant_id, actor=principal.actor, request_id=request_id, origin=origin_of(connection.scope)
    )
