"""Who is let in: each request is held against what its route says of itself. What says nothing lets nobody in.

Who asks, in the terms of the flow.
"""

from __future__ import annotations

from typing import Any

from litestar.connection import ASGIConnection
from litestar.exceptions import HTTPException, MethodNotAllowedException
from litestar.handlers import BaseRouteHandler

from quietcuff.api.lanes import UNTIMED
from quietcuff.api.operations import JSON, Operation, operation_of
from quietcuff.api.reads import origin_of, reads_people
from quietcuff.api.requests import Connection, header_of
from quietcuff.api.service import service_of
from quietcuff.application import Caller
from quietcuff.core.model.errors import NotAllowed, NotAuthenticated
from quietcuff.security.api_keys import Principal
from quietcuff.security.scopes import Need
from quietcuff.storage.engine.deadline import DEADLINE, Deadline
from quietcuff.storage.engine.store import NO_TENANT


async def admit(connection: ASGIConnection[Any, Any, Any, Any], handler: BaseRouteHandler) -> None:
    """Let the request in, or refuse it before its body is read: first the key, then the scope, then the kind of body.

    Raises:
        NotAuthenticated: the route needs a key, and there is no good one.
        Busy: it reads people's data, and the trail of that cannot be written.
        NotAllowed: the key lacks the scope of the route.
        Busy: the answer would come too late.
        TooOften: the key has asked as often as it may.
        HTTPException: 415, a body that is not what the route takes, by its headers; 405, asking for the methods.
    """
    scope: Any = connection.scope
    if scope["method"] == "OPTIONS":
        raise MethodNotAllowedException(headers={"Allow": _methods_at(connection, scope["path_template"])})
    operation = operation_of(handler.opt)
    if operation is None:
        raise NotAllowed("that this route names, which is none")
    if operation.lane_taken != "free":
        await _take_place(connection, operation)
    if operation.body is not None:
        check_kind_of_body(connection, operation.media_type)


def _methods_at(connection: Connection, path: str) -> str:
    """The methods of a path. The framework answers OPTIONS by itself, but forgets some: here it is no method of any."""
    return ", ".join(method for route in connection.app.routes if route.path_format == path for method in route.methods)


async def _take_place(connection: Connection, operation: Operation) -> None:
    """Let the request in where there is room for it: for the look at its key, by how often that key asks, and for its work.

    What it leaves by, and its deadline, are in the scope's state for whoever is around the request.
    """
    service, state = service_of(connection), connection.scope["state"]
    if operation.lane_taken not in UNTIMED:
        state["deadline"] = deadline = Deadline(service.lanes.seconds_before_work)
        DEADLINE.set(deadline)
    tenant_id = NO_TENANT
    if operation.access != "open":
        leave = service.lanes.enter("key", NO_TENANT)
        try:
            await _authenticate(connection, operation)
        finally:
            leave(True)
        principal = principal_of(connection)
        service.lanes.know_key((header_of(connection, "Authorization") or "").encode("latin-1"), principal.tenant_id)
        await service.rates.take(principal.actor)
        tenant_id = principal.tenant_id
    state["leave"] = service.lanes.enter(operation.lane_taken, tenant_id)


async def _authenticate(connection: Connection, operation: Operation) -> None:
    bearer = _bearer(connection)
    try:
        principal = await service_of(connection).principal(bearer or "")
    except NotAuthenticated as error:
        raise NotAuthenticated(had_key=bearer is not None) from error
    connection.scope["auth"] = principal
    if reads_people(operation):
        service_of(connection).reads.check_room()
    need = operation.access
    if not isinstance(need, Need):
        return
    # A route that narrows what it answers by itself may be asked by whoever may see a part of it.
    parts = principal.scopes.parts(need)
    if parts is not None and not (operation.narrows and parts):
        raise NotAllowed(str(need))


def principal_of(connection: Connection) -> Principal:
    """Who was let in.

    Raises:
        NotAuthenticated: the route is open to everybody.
    """
    principal = connection.scope.get("auth")
    if not isinstance(principal, Principal):
        raise NotAuthenticated
    return principal


def _bearer(connection: Connection) -> str | None:
    """The key that was sent; None where none was, in the way of keys."""
    scheme, _, key = (header_of(connection, "Authorization") or "").partition(" ")
    return key.strip(" ") if scheme.lower() == "bearer" else None


def check_kind_of_body(connection: Connection, wanted: str) -> None:
    """Refuse a body that by its headers is of another kind, in another encoding than UTF-8, or compressed.

    Raises:
        HTTPException: 415.
    """
    kind, *parameters = (header_of(connection, "Content-Type") or "").lower().split(";")
    kind = kind.strip()
    is_wanted = kind == wanted or (wanted == JSON and kind.startswith("application/") and kind.endswith("+json"))
    charsets = [parameter.split("=")[1].strip(' "') for parameter in parameters if "charset=" in parameter]
    is_encoded = (header_of(connection, "Content-Encoding") or "identity").strip().lower() != "identity"
    if not is_wanted or is_encoded or any(charset not in ("utf-8", "utf8") for charset in charsets):
        raise HTTPException(status_code=415, detail=f"Send {wanted} in UTF-8, without Content-Encoding.")


def caller_of(connection: Connection) -> Caller:
    """The tenant and the key of this request, its id, and where it came from."""
    principal = principal_of(connection)
    request_id: str = connection.scope["state"]["request_id"]
    return Caller(
        tenant_id=principal.tenant_id, actor=principal.actor, request_id=request_id, origin=origin_of(connection.scope)
    )
