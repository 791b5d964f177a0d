"""Shortcut for the route that is asked most: from the server to its function, without the framework's routing and parameters.

Admission, errors and answers are those of every route. Whatever is not plainly this route goes the framework's way.
"""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable
from typing import Any

from litestar import Litestar, Request
from litestar.connection import ASGIConnection
from litestar.exceptions import ClientException, InternalServerException
from litestar.exceptions.http_exceptions import RequestEntityTooLarge
from litestar.response.base import ASGIResponse
from litestar.routes import HTTPRoute
from litestar.types import Receive, Send

from quietcuff.api.authentication import admit
from quietcuff.api.problems import CLIENT_LEFT, answer_problem
from quietcuff.api.requests import Connection, header_in, headers_of
from quietcuff.decode.ndjson import MAX_BYTES

# What answers a connection and its body.
Answering = Callable[[Connection, bytes], Awaitable[ASGIResponse]]
# Any other host is looked at by the framework, which refuses what cannot be one.
_PLAIN_HOST = re.compile(rb"[0-9A-Za-z.:\[\]-]*")


class StraightRoute:
    """One method of a fixed path, with the function that answers it."""

    def __init__(self, app: Litestar, method: str, path: str, answering: Answering) -> None:
        self._app = app
        self._path = path
        self._answering = answering
        routes = (route for route in app.routes if isinstance(route, HTTPRoute) and route.path == path)
        self._handler, _ = next(routes).route_handler_map[method]  # type: ignore[index]

    async def __call__(self, scope: Any, receive: Receive, send: Send) -> None:
        """Answer one request, or send the problem that kept it from being answered."""
        scope["app"] = scope["litestar_app"] = self._app
        scope["route_handler"], scope["path_template"], scope["path_params"] = self._handler, self._path, {}
        connection: Connection = ASGIConnection(scope, receive, send)
        try:
            await admit(connection)
            answer = await self._answering(connection, await body_of(scope, receive))
        except Exception as error:
            request: Request[Any, Any, Any] = Request(scope, receive, send)
            answer = answer_problem(request, error).to_asgi_response(app=None, request=request)
        await answer(scope, receive, send)


class Shortcuts:
    """The straight routes of an application, by method and path."""

    def __init__(self) -> None:
        self._routes: dict[tuple[str, str], StraightRoute] = {}

    def add(self, app: Litestar, method: str, path: str, answering: Answering) -> None:
        """Answer a method of a fixed path by a function."""
        self._routes[method, path] = StraightRoute(app, method, path, answering)

    def find(self, scope: Any) -> StraightRoute | None:
        """The straight route of a request. None where the framework routes it, or looks at its host."""
        found = self._routes.get((scope["method"], scope["path"]))
        if found is None:
            return None
        host = headers_of(scope).get(b"host")
        return found if host is None or _PLAIN_HOST.fullmatch(host) else None


async def body_of(scope: Any, receive: Receive) -> bytes:
    """The whole body of a request.

    Raises:
        HTTPException: it is too large, of no length that is a number, or its client went away; as the framework says it.
    """
    announced = header_in(scope, "Content-Length")
    try:
        if announced is not None and int(announced) > MAX_BYTES:
            raise RequestEntityTooLarge
    except ValueError as error:
        raise ClientException("No length of a body.") from error
    parts: list[bytes] = []
    size, has_more = 0, True
    while has_more:
        message: Any = await receive()
        if message["type"] == "http.disconnect":
            raise InternalServerException(CLIENT_LEFT)
        part = message["body"]
        size += len(part)
        if size > MAX_BYTES:
            raise RequestEntityTooLarge
        parts.append(part)
        has_more = message.get("more_body", False)
    return parts[0] if len(parts) == 1 else b"".join(parts)
