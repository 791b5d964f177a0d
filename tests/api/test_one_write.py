"""A whole answer is written with its head at once, and to the byte as uvicorn writes it."""

from __future__ import annotations

import asyncio
import logging
from typing import Any

import pytest
from uvicorn.protocols.http.flow_control import FlowControl
from uvicorn.protocols.http.httptools_impl import RequestResponseCycle

from quietcuff.api.one_write import OneWrite, whole_start

BODY = b'{"id":"1"}'
DATE = (b"date", b"Sun, 29 Nov 2026 18:42:57 GMT")
OURS = [(b"etag", b'"1"'), (b"location", b"/v1/reading-sets/1"), (b"vary", b"Accept-Language")]
LONG_ENOUGH = (b"content-length", b"%d" % len(BODY))


class Written:
    """A transport that keeps what is written to it."""

    def __init__(self) -> None:
        self.parts: list[bytes] = []
        self.is_closed = False

    def write(self, data: bytes) -> None:
        if data:
            self.parts.append(data)

    def is_closing(self) -> bool:
        return self.is_closed

    def close(self) -> None:
        self.is_closed = True


class Exchange:
    """One request with its transport. ``ended`` is how often the connection was told of the end of its answer."""

    def __init__(self, method: str = "POST", *, keep_alive: bool = True) -> None:
        self.transport, self.ended = Written(), 0
        self.cycle = RequestResponseCycle(
            scope={"type": "http", "method": method, "path": "/"},  # type: ignore[typeddict-item]
            transport=self.transport,  # type: ignore[arg-type]
            flow=FlowControl(self.transport),  # type: ignore[arg-type]
            logger=logging.getLogger("uvicorn.error"),
            access_logger=logging.getLogger("uvicorn.access"),
            access_log=False,
            default_headers=[DATE],
            message_event=asyncio.Event(),
            expect_100_continue=True,
            keep_alive=keep_alive,
            on_response=self.end,
        )

    def end(self) -> None:
        self.ended += 1

    def answer(self, headers: list[tuple[bytes, bytes]], *, at_once: bool) -> Exchange:
        """Send an answer, through ``OneWrite`` or to uvicorn itself."""
        send: Any = OneWrite(None, self.cycle).send if at_once else self.cycle.send

        async def run() -> None:
            await send(whole_start(201, headers))
            await send({"type": "http.response.body", "body": BODY, "more_body": False})

        asyncio.run(run())
        return self

    def outcome(self) -> tuple[object, ...]:
        cycle = self.cycle
        flags = cycle.response_started, cycle.response_complete, cycle.waiting_for_100_continue, cycle.keep_alive
        return b"".join(self.transport.parts), self.transport.is_closed, self.ended, cycle.message_event.is_set(), flags


def test_a_whole_answer_is_written_at_once() -> None:
    headers = [*OURS, LONG_ENOUGH]
    ours, theirs = (Exchange().answer(headers, at_once=at_once) for at_once in (True, False))
    assert ours.outcome() == theirs.outcome()
    assert (len(ours.transport.parts), len(theirs.transport.parts)) == (1, 2)
    assert ours.ended == 1


@pytest.mark.parametrize(
    ("method", "keep_alive", "headers"),
    [
        ("HEAD", True, [*OURS, LONG_ENOUGH]),
        ("POST", False, [*OURS, LONG_ENOUGH]),
        ("POST", True, OURS),
        ("POST", True, [LONG_ENOUGH, (b"connection", b"close")]),
        ("POST", True, [(b"transfer-encoding", b"chunked")]),
        ("POST", True, [(b"ETag", b'"1"'), LONG_ENOUGH]),
    ],
)
def test_any_other_answer_is_written_by_uvicorn(method: str, keep_alive: bool, headers: list[tuple[bytes, bytes]]) -> None:
    ours, theirs = (Exchange(method, keep_alive=keep_alive).answer(headers, at_once=at_once) for at_once in (True, False))
    assert ours.outcome() == theirs.outcome()
    assert ours.transport.parts == theirs.transport.parts


@pytest.mark.parametrize("header", [(b"etag", b"1\r\nset-cookie: a"), (b"etag", b"\0"), (b"e tag", b"1"), (b"etag\r\n", b"1")])
def test_a_header_that_breaks_out_of_its_line_is_refused(header: tuple[bytes, bytes]) -> None:
    exchange = Exchange()
    with pytest.raises(RuntimeError, match="Invalid HTTP header"):
        exchange.answer([header, LONG_ENOUGH], at_once=True)
    assert exchange.transport.parts == []


def test_a_body_of_another_length_than_its_head_says_is_refused() -> None:
    with pytest.raises(RuntimeError, match="shorter than Content-Length"):
        Exchange().answer([(b"content-length", b"11")], at_once=True)


def test_nothing_is_sent_to_a_client_that_has_left() -> None:
    exchange = Exchange()
    exchange.cycle.disconnected = True
    assert exchange.answer([*OURS, LONG_ENOUGH], at_once=True).transport.parts == []


def test_an_answer_waits_while_its_client_reads_too_slowly() -> None:
    exchange = Exchange()

    async def run() -> None:
        exchange.cycle.flow.pause_writing()
        send: Any = OneWrite(None, exchange.cycle).send
        await send(whole_start(201, [*OURS, LONG_ENOUGH]))
        sending = asyncio.create_task(send({"type": "http.response.body", "body": BODY, "more_body": False}))
        await asyncio.sleep(0)
        assert exchange.transport.parts == []
        exchange.cycle.flow.resume_writing()
        await sending

    asyncio.run(run())
    assert b"".join(exchange.transport.parts).endswith(b"\r\n\r\n" + BODY)
