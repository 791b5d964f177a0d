"""Authentication and authorisation of each request, by the operation of its route; a route without one admits nobody."""

from __future__ import annotations

from typing import Any

from litestar.exceptions import HTTPException, MethodNotAllowedException

from quietcuff.api.lanes import UNTIMED
from quietcuff.api.operations import JSON, Operation, operation_of
from quietcuff.api.reads import origin_of, reads_people
from quietcuff.api.requests import Connection, header_of
from quietcuff.api.service import service_of
from quietcuff.application import Caller
from quietcuff.core.model.errors import NotAllowed, NotAuthenticated
from quietcuff.security.api_keys import Principal
from quietcuff.security.scopes import METRICS, Need
from quietcuff.storage.engine.store import DEADLINE, NO_TENANT, Deadline


async def admit(connection: Connection) -> None:
    """Let the request in, or refuse it before its body is read: first the key, then the scope, then the media type of the body.

    It stands before every handler as a hook and not as a guard, for which the framework copies the handler each time.

    Raises:
        NotAuthenticated: the route needs a key, and there is no valid one.
        Busy: the route reads people's data, and the trail of reads cannot be written.
        NotAllowed: the key lacks the scope of the route.
        Busy: the answer would come too late.
        TooOften: the key has used up its requests.
        HTTPException: 415 for a body whose headers do not fit the route; 405 for OPTIONS.
    """
    scope: Any = connection.scope
    if scope["method"] == "OPTIONS":
        raise MethodNotAllowedException(headers={"Allow": _methods_at(connection, scope["path_template"])})
    operation = operation_of(scope["route_handler"].opt)
    if operation is None:
        raise NotAllowed("that this route names, which is none")
    if operation.lane_taken != "free":
        await _take_place(connection, operation)
    if operation.body is not None:
        check_kind_of_body(connection, operation.media_type, *operation.also)


def _methods_at(connection: Connection, path: str) -> str:
    """The methods of a path. The framework answers OPTIONS by itself but omits some; here OPTIONS is a method of no route."""
    return ", ".join(method for route in connection.app.routes if route.path_format == path for method in route.methods)


async def _take_place(connection: Connection, operation: Operation) -> None:
    """Let the request in if there is room: for checking its key, by the key's rate, and for its work.

    The function to call when it leaves, and its deadline, are put into the scope's state for the middleware.
    """
    service, state = service_of(connection), connection.scope["state"]
    if operation.lane_taken not in UNTIMED:
        state["deadline"] = deadline = Deadline(service.lanes.seconds_before_work)
        DEADLINE.set(deadline)
    tenant_id = NO_TENANT
    if operation.access != "open":
        # A lane of its own: requests with unknown keys must not take the places of tenants.
        leave = service.lanes.enter("key", NO_TENANT)
        authorization = header_of(connection, "Authorization") or ""
        try:
            principal = await _authenticate(connection, operation, authorization)
        finally:
            leave(True)
        service.lanes.know_key(authorization.encode("latin-1"), principal.tenant_id)
        # After the key is known and before any work: the limit is the key's, however many processes serve it.
        await service.rates.take(principal.actor)
        tenant_id = principal.tenant_id
    state["leave"] = service.lanes.enter(operation.lane_taken, tenant_id)


async def _authenticate(connection: Connection, operation: Operation, authorization: str) -> Principal:
    """Whoever asks, who has the scope of the route."""
    bearer = _bearer(authorization)
    try:
        principal = await service_of(connection).principal(bearer or "")
    # The refusal is raised anew: only here is it known whether a key was sent, which decides the challenge (RFC 6750).
    except NotAuthenticated as error:
        raise NotAuthenticated(had_key=bearer is not None) from error
    connection.scope["auth"] = principal
    if reads_people(operation):
        service_of(connection).reads.check_room()
    need = operation.access
    if need == METRICS and not principal.scopes.metrics:
        raise NotAllowed(METRICS)
    if not isinstance(need, Need):
        return principal
    # A route that narrows what it answers by itself may be asked by whoever may see a part of it.
    parts = principal.scopes.parts(need)
    if parts is not None and not (operation.narrows and parts):
        raise NotAllowed(str(need))
    return principal


def principal_of(connection: Connection) -> Principal:
    """The principal of the request.

    Raises:
        NotAuthenticated: the route is open to everybody.
    """
    principal = connection.scope.get("auth")
    if not isinstance(principal, Principal):
        raise NotAuthenticated
    return principal


def _bearer(authorization: str) -> str | None:
    """The bearer token of a header; None if there is none."""
    scheme, _, key = authorization.partition(" ")
    return key.strip(" ") if scheme.lower() == "bearer" else None


def check_kind_of_body(connection: Connection, wanted: str, *also: str) -> None:
    """Refuse a body whose headers name another media type, a charset other than UTF-8, or a content encoding.

    Raises:
        HTTPException: 415.
    """
    said, encoding = header_of(connection, "Content-Type") or "", header_of(connection, "Content-Encoding")
    if said == wanted and encoding is None:
        return
    kind, *parameters = said.lower().split(";")
    kind = kind.strip()
    is_wanted = kind in (wanted, *also) or (wanted == JSON and kind.startswith("application/") and kind.endswith("+json"))
    charsets = [parameter.split("=")[1].strip(' "') for parameter in parameters if "charset=" in parameter]
    # A compressed body could unpack to far more than the limit on bodies, so none is taken.
    is_encoded = (encoding or "identity").strip().lower() != "identity"
    if not is_wanted or is_encoded or any(charset not in ("utf-8", "utf8") for charset in charsets):
        raise HTTPException(status_code=415, detail=f"Send {' or '.join((wanted, *also))} in UTF-8, without Content-Encoding.")


def caller_of(connection: Connection) -> Caller:
    """The caller of this request: tenant, key, request id and origin."""
    principal = principal_of(connection)
    request_id: str = connection.scope["state"]["request_id"]
    return Caller(
        tenant_id=principal.tenant_id, actor=principal.actor, request_id=request_id, origin=origin_of(connection.scope)
    )
