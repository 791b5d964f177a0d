"""HTTP/1.1 on top of uvicorn, with limits on the cost of a connection before its client is known.

uvicorn's fast parser limits neither the size of a request's head nor its time; its slow parser limits only the size. Here a
head, trailers included, has a limit of bytes and of seconds. A body must keep arriving. A process has a limit of connections,
and a connection a limit of requests. Whatever is over a limit is answered (408, 431, 503) and closed.

uvicorn lets a request wait for the next turn of the event loop, and in a flood such a turn is long. A request that the
application refuses by its head alone is therefore answered as soon as the head is complete. Its body is then read only to be
dropped, up to a limit.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from http import HTTPStatus
from typing import Any

from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

from quietcuff.api.one_write import OneWrite
from quietcuff.api.requests import headers_of

MOST_HEAD_BYTES = 32 * 1024
HEAD_SECONDS = 10.0
BODY_SECONDS = 15.0
LEAST_BODY_BYTES = 4 * 1024
MOST_CONNECTIONS = 1000
MOST_REQUESTS = 1000
# Twice what a body may have: who was refused may have been sending already, and can use the connection again.
MOST_DROPPED_BYTES = 512 * 1024
# How long, and how much, of what comes beyond that is still read in vain.
LINGER_SECONDS = 2.0
MOST_LINGERING_BYTES = 16 * 1024 * 1024


# Where an application leaves, in the state of its lifespan, what tells of a scope how it is refused by its head, or None.
REFUSING = "quietcuff.refusing"


class _HeadTooLarge(Exception):
    """Raised in the parser when a head is over its limit."""


class BoundedHttp(HttpToolsProtocol):
    """One connection. ``waits_for_head`` is True until the head of the current request is complete."""

    timer: asyncio.TimerHandle | None = None
    timer_at = 0.0
    due_at = 0.0
    then: Callable[[], None] | None = None
    waits_for_head = True
    head_bytes = 0
    unparsed_bytes = 0
    body_bytes = 0
    dropped_bytes = 0
    requests = 0
    is_first_in_line = False
    refused = False

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Accept the connection, or refuse it if there are too many."""
        super().connection_made(transport)
        if len(self.connections) > MOST_CONNECTIONS:
            self.refuse(HTTPStatus.SERVICE_UNAVAILABLE)
        else:
            self.wait(HEAD_SECONDS, self.head_is_late)

    def connection_lost(self, exc: Exception | None) -> None:
        """Stop the timer of a closed connection."""
        self.stop_waiting()
        if self.timer is not None:
            self.timer.cancel()
            self.timer = None
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Parse more bytes, unless the head is over its limit without being complete."""
        self.unparsed_bytes += len(data)
        if self.refused:
            if self.unparsed_bytes > MOST_LINGERING_BYTES:
                self.transport.close()
            return
        super().data_received(data)
        # The parser tells of a header only once its line ends; one endless line is seen by its bytes alone.
        if self.waits_for_head and self.unparsed_bytes > MOST_HEAD_BYTES and not self.refused:
            self.refuse(HTTPStatus.REQUEST_HEADER_FIELDS_TOO_LARGE)

    def send_400_response(self, msg: str) -> None:
        """Refuse a request that cannot be parsed or whose head is over its limit."""
        late = self.head_bytes > MOST_HEAD_BYTES
        self.refuse(HTTPStatus.REQUEST_HEADER_FIELDS_TOO_LARGE if late else HTTPStatus.BAD_REQUEST)

    def on_message_begin(self) -> None:
        """Start of a request: its head gets its own bytes and seconds."""
        super().on_message_begin()
        if self.refused:
            return
        self.waits_for_head, self.head_bytes = True, 0
        self.wait(HEAD_SECONDS, self.head_is_late)

    def on_url(self, url: bytes) -> None:
        """Part of the request target."""
        self.count_head(len(url))
        super().on_url(url)

    def on_header(self, name: bytes, value: bytes) -> None:
        """A header, or a trailer after the body."""
        self.count_head(len(name) + len(value) + 4)
        super().on_header(name, value)

    def count_head(self, size: int) -> None:
        """Count bytes of the head.

        Raises:
            _HeadTooLarge: over the limit; the parser turns this into its own error.
        """
        self.head_bytes += size
        if self.head_bytes > MOST_HEAD_BYTES:
            raise _HeadTooLarge

    def on_headers_complete(self) -> None:
        """End of the head: hand the request to the application and watch its body."""
        if self.refused:
            return
        self.waits_for_head = False
        self.body_bytes = self.dropped_bytes = 0
        self.wait(BODY_SECONDS, self.body_is_slow)
        self.is_first_in_line = True
        try:
            super().on_headers_complete()
        finally:
            self.is_first_in_line = False

    def _start_asgi_task(self, cycle: Any, app: Any) -> None:
        """Start the application on a request, or refuse it at once. A pipelined request always waits for its turn, because any
        number of nested refusals could follow from it."""
        self.requests += 1
        brings_much = announced_bytes(cycle.scope) > MOST_DROPPED_BYTES
        if brings_much:
            # It may be answered before it has come, and its client may be sending for long after that.
            cycle.transport = ClosedInTwoSteps(self)
        if brings_much or self.requests >= MOST_REQUESTS:
            cycle.keep_alive = False
            cycle.default_headers = [*cycle.default_headers, (b"connection", b"close")]
        # With nothing of the connection unsent, an answer as small as a refusal never waits for its client.
        if self.is_first_in_line and REFUSING in self.app_state and not self.transport.get_write_buffer_size():
            refuse = self.app_state[REFUSING](cycle.scope)
            if refuse is not None:
                run_without_waiting(cycle.run_asgi(OneWrite(refuse, cycle)))
                return
        super()._start_asgi_task(cycle, OneWrite(app, cycle))

    def on_body(self, body: bytes) -> None:
        """Part of the body. After an early answer only a limited amount is taken."""
        if self.refused:
            return
        self.body_bytes += len(body)
        if self.cycle.response_complete:
            self.dropped_bytes += len(body)
            if self.dropped_bytes > MOST_DROPPED_BYTES:
                self.linger()
                return
        super().on_body(body)

    def on_message_complete(self) -> None:
        """End of the request; further bytes belong to the next one."""
        if self.refused:
            return
        self.stop_waiting()
        self.waits_for_head, self.unparsed_bytes = True, 0
        super().on_message_complete()
        if self.cycle.response_complete and not self.transport.is_closing():
            # The answer went out before its body had come.
            self.wait(self.timeout_keep_alive, self.timeout_keep_alive_handler)

    def on_response_complete(self) -> None:
        """End of an answer: begin the next request that came already, or let the connection be idle for a while.

        As uvicorn does it, but without a timer of its own for each request.
        """
        self.server_state.total_requests += 1
        if self.refused or self.transport.is_closing():
            return
        self.flow.resume_reading()
        if self.pipeline:
            self._start_asgi_task(*self.pipeline.pop())
        elif self.then is None:
            # Nothing of a next request has begun, and nothing of this one is still to come.
            self.wait(self.timeout_keep_alive, self.timeout_keep_alive_handler)

    def head_is_late(self) -> None:
        """Refuse a head that took too long, unless the answer to the request before it is still being sent."""
        if self.cycle is not None and not self.cycle.response_complete:
            self.wait(HEAD_SECONDS, self.head_is_late)
        else:
            self.refuse(HTTPStatus.REQUEST_TIMEOUT)

    def body_is_slow(self) -> None:
        """Refuse a body of which too little came since the last check while the application was ready for more."""
        # Where the application has paused the transport, the delay is its own and not the client's.
        if self.body_bytes < LEAST_BODY_BYTES and not self.flow.read_paused:
            self.refuse(HTTPStatus.REQUEST_TIMEOUT)
        else:
            self.body_bytes = 0
            self.wait(BODY_SECONDS, self.body_is_slow)

    def wait(self, seconds: float, then: Callable[[], None]) -> None:
        """Do something after so many seconds, and nothing else that was to be done.

        The connection's only timer is left as it is while it rings in time: it then looks for how long it must still wait. A
        request begins and ends its waiting several times.
        """
        now = self.loop.time()
        self.then, self.due_at = then, now + seconds
        if self.timer is not None and self.timer_at > self.due_at:
            self.timer.cancel()
            self.timer = None
        if self.timer is None:
            self.set_timer(seconds)

    def set_timer(self, seconds: float) -> None:
        """Have the timer ring after so many seconds."""
        self.timer_at = self.loop.time() + seconds
        self.timer = self.loop.call_later(seconds, self.ring)

    def ring(self) -> None:
        """The timer rings: do what is due, or wait on."""
        self.timer = None
        if self.then is None:
            return
        left = self.due_at - self.loop.time()
        if left > 0:
            self.set_timer(left)
        else:
            self.then()

    def stop_waiting(self) -> None:
        """Wait for nothing."""
        self.then = None

    def linger(self) -> None:
        """Send no more, and read for a while what still comes: a connection that is closed at once while its client is sending
        may take the answer with it. Source: [RFC 9112] 9.6."""
        self.refused, self.unparsed_bytes = True, 0
        if self.transport.can_write_eof():
            self.transport.write_eof()
        self.flow.resume_reading()
        self.wait(LINGER_SECONDS, self.transport.close)

    def refuse(self, status: HTTPStatus) -> None:
        """Answer with a status and no body, then close. If an answer has begun, only close."""
        self.refused = True
        self.stop_waiting()
        if self.cycle is None or self.cycle.response_complete or not self.cycle.response_started:
            head = f"HTTP/1.1 {status.value} {status.phrase}\r\ncontent-length: 0\r\nconnection: close\r\n"
            retry = "retry-after: 1\r\n" if status is HTTPStatus.SERVICE_UNAVAILABLE else ""
            self.transport.write(f"{head}{retry}\r\n".encode("ascii"))
        self.transport.close()


class ClosedInTwoSteps:
    """The transport of a connection as its last answer sees it: closed, it still reads for a while."""

    def __init__(self, connection: BoundedHttp) -> None:
        self._connection = connection
        self.write = connection.transport.write
        self.is_closing = connection.transport.is_closing

    def close(self) -> None:
        """Send no more."""
        self._connection.linger()


def announced_bytes(scope: Any) -> int:
    """The length of a request's body by its head; 0 where it is not said."""
    said = headers_of(scope).get(b"content-length", b"")
    return int(said) if said.isdigit() else 0


def run_without_waiting(work: Coroutine[Any, Any, None]) -> None:
    """Run a coroutine that must never wait.

    Raises:
        RuntimeError: it waits.
    """
    try:
        work.send(None)
    except StopIteration:
        return
    raise RuntimeError("a refusal waits for something")
