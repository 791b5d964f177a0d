"""What may go wrong between a client and a server that is there: put in the way one request at a time."""

from __future__ import annotations

from collections.abc import Callable

import httpx

# What happens to a request: "drop" before the server has it, "lose" its answer, or an answer of somebody between.
Fault = str | httpx.Response | None


def busy(seconds: str = "0") -> httpx.Response:
    """The answer of a server that has no room, as the service writes it."""
    body = {
        "type": "/problems/busy",
        "title": "No room now",
        "status": 503,
        "detail": "Try again.",
        "instance": "urn:uuid:0f8c2a34-6f0e-4c0b-9a53-2a4c7c1b9d11",
        "errors": [],
    }
    return httpx.Response(503, json=body, headers={"Retry-After": seconds})


class Between(httpx.BaseTransport):
    """Passes requests on to the server, each with the next fault; after the last one faithfully."""

    def __init__(self, *faults: Fault) -> None:
        self.faults = list(faults)
        self.seen: list[httpx.Request] = []
        self._on = httpx.HTTPTransport()

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        return with_fault(self, request, lambda: self._on.handle_request(request))

    def close(self) -> None:
        self._on.close()


class BetweenAsync(httpx.AsyncBaseTransport):
    """The same for coroutines."""

    def __init__(self, *faults: Fault) -> None:
        self.faults = list(faults)
        self.seen: list[httpx.Request] = []
        self._on = httpx.AsyncHTTPTransport()

    async def handle_async_request(self, request: httpx.Request) -> httpx.Response:
        fault = noted(self, request)
        if fault == "drop":
            raise httpx.ConnectError("dropped")
        if isinstance(fault, httpx.Response):
            return fault
        answer = await self._on.handle_async_request(request)
        if fault == "lose":
            await answer.aread()
            raise httpx.ReadError("lost")
        return answer

    async def aclose(self) -> None:
        await self._on.aclose()


def noted(between: Between | BetweenAsync, request: httpx.Request) -> Fault:
    """The next fault, after the request was noted."""
    between.seen.append(request)
    return between.faults.pop(0) if between.faults else None


def with_fault(between: Between, request: httpx.Request, pass_on: Callable[[], httpx.Response]) -> httpx.Response:
    """The answer to a request, or what comes of its fault."""
    fault = noted(between, request)
    if fault == "drop":
        raise httpx.ConnectError("dropped")
    if isinstance(fault, httpx.Response):
        return fault
    answer = pass_on()
    if fault == "lose":
        # The server has answered, so what was asked is stored.
        answer.read()
        raise httpx.ReadError("lost")
    return answer
