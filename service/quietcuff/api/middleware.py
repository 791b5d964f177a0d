"""Middleware around every request, matched or not: request id, log entry, security headers, HEAD, and early refusal."""

from __future__ import annotations

import logging
import time
from typing import Any
from uuid import uuid4

from litestar.types import ASGIApp, Message, Receive, Send

from quietcuff.api.bounded_http import REFUSING
from quietcuff.api.lanes import Lanes
from quietcuff.api.logs import AccessLine, access, tell_access
from quietcuff.api.metrics import Figures
from quietcuff.api.one_write import whole_start
from quietcuff.api.problems import written
from quietcuff.api.reads import note_read
from quietcuff.api.requests import headers_of
from quietcuff.core.model.errors import Busy

SERVICE_UNAVAILABLE = 503
UNMATCHED = "unmatched"
CAREFUL_HEADERS = (
    (b"cache-control", b"no-store"),
    (b"content-security-policy", b"default-src 'none'; frame-ancestors 'none'"),
    (b"referrer-policy", b"no-referrer"),
    (b"x-content-type-options", b"nosniff"),
)


class Shell:
    """The outermost ASGI application."""

    def __init__(self, app: ASGIApp, lanes: Lanes, figures: Figures) -> None:
        self.app = app
        self.lanes = lanes
        self.figures = figures

    # The type of a scope names no "http" and no "lifespan", which are what servers send.
    async def __call__(self, scope: Any, receive: Receive, send: Send) -> None:
        """Serve one request, or the start and end of the application."""
        if scope["type"] == "http":
            await self._serve(scope, receive, send, self._busy(scope))
            return
        if "state" in scope:
            scope["state"][REFUSING] = self.refusing
        await self.app(scope, receive, send)

    def refusing(self, scope: Any) -> ASGIApp | None:
        """An application that refuses a request by its head alone, without waiting. None if there is room."""
        busy = self._busy(scope)
        if busy is None:
            return None

        async def refuse(scope: Any, receive: Receive, send: Send) -> None:
            await self._serve(scope, receive, send, busy)

        return refuse

    def _busy(self, scope: Any) -> Busy | None:
        try:
            self.lanes.refuse_plainly(_served_as(scope["method"]), scope["path"], headers_of(scope).get(b"authorization"))
        except Busy as error:
            return error
        return None

    async def _serve(self, scope: Any, receive: Receive, send: Send, busy: Busy | None) -> None:
        began = time.perf_counter()
        request_id = str(uuid4())
        method = scope["method"]
        # A HEAD is answered as a GET whose body the server drops, for the server still sees its own scope.
        state: dict[str, Any] = {**scope.get("state", {}), "request_id": request_id}
        scope = {**scope, "method": _served_as(method), "state": state}
        status = 0

        async def send_on(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                message["headers"] = _with_careful_headers(message["headers"], request_id)
            await send(message)

        async def receive_on() -> Any:
            # Each part of the body starts the time anew: a slow client must not use up the time of the service's own work.
            message = await receive()
            if "deadline" in state:
                state["deadline"].begin_again()
            return message

        try:
            if busy is not None:
                await send_problem(send_on, busy, scope["path"], request_id)
            else:
                await self.app(scope, receive_on, send_on)
        finally:
            note_read(scope, request_id, status)
            if "leave" in state:
                # A refusal took no work; counted as served it would make the lane look faster than it is.
                state["leave"](status != SERVICE_UNAVAILABLE)
            seconds, route = time.perf_counter() - began, scope.get("path_template") or UNMATCHED
            self.figures.count_request(route, method, status, seconds)
            if access.isEnabledFor(logging.INFO):
                _note(scope, request_id, method, route, status, seconds)


def _served_as(method: str) -> str:
    return "GET" if method == "HEAD" else method


async def send_problem(send: Send, error: Exception, path: str, request_id: str) -> None:
    """Send a problem from outside the routes."""
    answer = written(error, path, request_id)
    names = {"Content-Type": answer.media_type, "Content-Length": str(len(answer.body)), **answer.headers}
    headers = [(name.lower().encode(), value.encode()) for name, value in names.items()]
    await send(whole_start(answer.status, headers))
    await send({"type": "http.response.body", "body": answer.body, "more_body": False})


def _note(scope: Any, request_id: str, method: str, route: str, status: int, seconds: float) -> None:
    principal = scope.get("auth")
    line = AccessLine(
        request_id=request_id,
        method=method,
        route=route,
        status=status,
        milliseconds=round(seconds * 1000, 2),
        tenant=principal.tenant_id if principal else None,
        key=principal.actor.removeprefix("key:") if principal else None,
    )
    tell_access(line)


def _with_careful_headers(headers: Any, request_id: str) -> list[tuple[bytes, bytes]]:
    """The answer's own headers, with the security headers that it does not set itself."""
    own = list(headers)
    names = {name for name, _ in own}
    added = [header for header in CAREFUL_HEADERS if header[0] not in names]
    return [*own, *added, (b"x-request-id", request_id.encode())]
