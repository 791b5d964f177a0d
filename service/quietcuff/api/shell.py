"""What surrounds every request, whether or not a route matches it: an id, a line in the log, careful headers, HEAD."""

from __future__ import annotations

import logging
import time
from typing import Any
from uuid import uuid4

import msgspec
from litestar.types import ASGIApp, Message, Receive, Send

from quietcuff.api.logs import AccessLine, access
from quietcuff.api.reads import note_read

CAREFUL_HEADERS = (
    (b"cache-control", b"no-store"),
    (b"content-security-policy", b"default-src 'none'; frame-ancestors 'none'"),
    (b"referrer-policy", b"no-referrer"),
    (b"x-content-type-options", b"nosniff"),
)


class Shell:
    """The outermost application."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    # The type of a scope names no "http" and no "lifespan", which are what servers send.
    async def __call__(self, scope: Any, receive: Receive, send: Send) -> None:
        """Serve one request, or the start and end of the application."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        began = time.perf_counter()
        request_id = str(uuid4())
        method = scope["method"]
        # A HEAD is answered as a GET whose body the server drops, for the server still sees its own scope.
        served_as = "GET" if method == "HEAD" else method
        scope = {**scope, "method": served_as, "state": {**scope.get("state", {}), "request_id": request_id}}
        status = 0

        async def send_on(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                message["headers"] = _with_careful_headers(message["headers"], request_id)
            await send(message)

        try:
            await self.app(scope, receive, send_on)
        finally:
            note_read(scope, request_id, status)
            if access.isEnabledFor(logging.INFO):
                _note(scope, request_id, method, status, began)


def _note(scope: Any, request_id: str, method: str, status: int, began: float) -> None:
    principal = scope.get("auth")
    line = AccessLine(
        at=round(time.time(), 3),
        request_id=request_id,
        method=method,
        route=scope.get("path_template") or "unmatched",
        status=status,
        milliseconds=round((time.perf_counter() - began) * 1000, 2),
        tenant=principal.tenant_id if principal else None,
        key=principal.actor.removeprefix("key:") if principal else None,
    )
    access.info("%s", msgspec.json.encode(line).decode())


def _with_careful_headers(headers: Any, request_id: str) -> list[tuple[bytes, bytes]]:
    """The answer's own headers, and those of caution that it does not set itself."""
    own = list(headers)
    names = {name for name, _ in own}
    added = [header for header in CAREFUL_HEADERS if header[0] not in names]
    return [*own, *added, (b"x-request-id", request_id.encode())]
