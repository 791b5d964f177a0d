"""HL7 v2 over MLLP: each message is kept, stored and acknowledged as over HTTP, one at a time.

A connection holds at most one message of limited size. It is closed when it is silent, too slow, or sends bytes that make no
sense. The acknowledgement is sent after the commit: a sender that gets none sends the message again, and nothing is stored
twice.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import ssl
import time
from collections.abc import Awaitable, Callable
from uuid import uuid4

import msgspec

from quietcuff.api.logs import log_failure
from quietcuff.application import AppContext, Caller
from quietcuff.application.payloads.hl7v2 import receive_hl7v2, turn_away
from quietcuff.core.model.errors import Busy, NotAllowed, NotAuthenticated, NotReadable
from quietcuff.decode.hl7v2.mllp import BrokenInput, Framed, Frames, framed
from quietcuff.decode.ndjson import MAX_BYTES
from quietcuff.decode.payload import RefusedPart
from quietcuff.security.api_keys import Principal

log = logging.getLogger("quietcuff.service")
READ_BYTES = 16 * 1024
GRACE_SECONDS = 20
LINGER_SECONDS = 1
LINGER_BYTES = 1024 * 1024
REASONS = {
    "too-large": f"At most {MAX_BYTES} bytes in a message.",
    "bad-trailer": "A message that ends with 1C 0D.",
    "start-byte-in-body": "A message that ends before the next one begins.",
    "too-slow": "A whole message within the time that the listener waits.",
    "busy": "Nothing was stored; send it again later.",
    "not-stored": "Nothing was stored; send it again.",
    "not-allowed": "The listener's key may not store payloads, or not any more.",
}


class ListenerLimits(msgspec.Struct, frozen=True, kw_only=True):
    """Limits of a listener. ``pause_seconds`` is the longest silence within a message, ``message_seconds`` the longest duration
    of a message, ``idle_seconds`` the longest silence between messages."""

    connections: int = 256
    message_bytes: int = MAX_BYTES
    pause_seconds: float = 30
    message_seconds: float = 300
    idle_seconds: float = 300


class ListenerLine(msgspec.Struct, frozen=True, kw_only=True):
    """Log line for one message or one broken connection, without any of its content."""

    request_id: str
    mllp: str
    milliseconds: float


class Listener:
    """Receives messages under the identity from ``principal``, which is called before each message so that a revoked key takes
    effect."""

    def __init__(self, desk: AppContext, principal: Callable[[], Awaitable[Principal]], limits: ListenerLimits) -> None:
        self._desk = desk
        self._principal = principal
        self._limits = limits
        self._server: asyncio.Server | None = None
        self._waiting: set[asyncio.Task[None]] = set()
        self._working: set[asyncio.Task[None]] = set()
        self._is_stopping = False

    async def start(self, host: str, port: int, tls: ssl.SSLContext | None = None) -> int:
        """Start listening and return the port, which the system chooses if 0 is given."""
        self._server = await asyncio.start_server(self._connected, host, port, limit=READ_BYTES, ssl=tls)
        chosen: int = self._server.sockets[0].getsockname()[1]
        return chosen

    async def stop(self) -> None:
        """Accept no more, let messages in progress be stored and acknowledged, then close all connections."""
        self._is_stopping = True
        if self._server is not None:
            self._server.close()
        # Those that only wait for bytes are ended at once; those at work have the grace to send their acknowledgement.
        for task in self._waiting:
            task.cancel()
        tasks = self._waiting | self._working
        if tasks:
            await asyncio.wait(tasks, timeout=GRACE_SECONDS)
        for task in self._working:
            task.cancel()

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        if task is None or self._is_stopping or len(self._waiting) + len(self._working) >= self._limits.connections:
            note(str(uuid4()), "too-many-connections", time.perf_counter())
            # Aborted and not closed: a graceful close would wait for a sender that may never answer.
            writer.transport.abort()
            return
        self._waiting.add(task)
        try:
            await self._serve(reader, writer, task)
        except asyncio.CancelledError:
            # The server stops; a task that it made may end in no other way.
            pass
        except (OSError, TimeoutError):
            note(str(uuid4()), "connection-lost", time.perf_counter())
        finally:
            self._waiting.discard(task)
            self._working.discard(task)
            writer.close()
            with contextlib.suppress(OSError, TimeoutError, asyncio.CancelledError):
                await asyncio.wait_for(writer.wait_closed(), 1)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, task: asyncio.Task[None]) -> None:
        frames = Frames(self._limits.message_bytes)
        message_until = 0.0
        while not self._is_stopping:
            now = asyncio.get_running_loop().time()
            until = (
                min(now + self._limits.pause_seconds, message_until) if frames.is_within else now + self._limits.idle_seconds
            )
            try:
                async with asyncio.timeout_at(until):
                    data = await reader.read(READ_BYTES)
            except TimeoutError:
                if frames.is_within:
                    await self._turn_away(writer, frames.begun, "too-slow")
                    await linger(reader, writer)
                return
            if not data:
                if frames.is_within:
                    note(str(uuid4()), "cut-off", time.perf_counter())
                return
            was_within, events = frames.is_within, frames.feed(data)
            # The time runs from the first byte of a message, or a sender of one byte at a time would hold its place for ever.
            if frames.is_within and (events or not was_within):
                message_until = asyncio.get_running_loop().time() + self._limits.message_seconds
            self._waiting.discard(task)
            self._working.add(task)
            for event in events:
                if not await self._answer(writer, event):
                    await linger(reader, writer)
                    return
            self._working.discard(task)
            self._waiting.add(task)

    async def _answer(self, writer: asyncio.StreamWriter, event: Framed | BrokenInput) -> bool:
        """Handle one message or a break of the protocol. True if the connection goes on."""
        if isinstance(event, Framed):
            return await self._take(writer, event.body)
        if event.fault in REASONS:
            await self._turn_away(writer, event.start, event.fault)
        else:
            note(str(uuid4()), event.fault, time.perf_counter())
        return not event.closes

    async def _take(self, writer: asyncio.StreamWriter, body: bytes) -> bool:
        """Store a message and acknowledge it. True if the connection goes on."""
        began, request_id = time.perf_counter(), str(uuid4())
        try:
            who = await self._principal()
            caller = Caller(tenant_id=who.tenant_id, actor=who.actor, request_id=request_id)
            acknowledged = await receive_hl7v2(self._desk, caller, body)
        except (NotAuthenticated, NotAllowed):
            await self._turn_away(writer, body, "not-allowed")
            return False
        except NotReadable:
            # It is kept and listed; but there is nobody to answer, and no telling what comes next.
            note(request_id, "no-head", began)
            return False
        except Busy:
            await self._turn_away(writer, body, "busy")
            return True
        except Exception as error:
            log_failure(error, request_id)
            await self._turn_away(writer, body, "not-stored")
            return True
        for answer in acknowledged.answers:
            await self._send(writer, answer)
        note(request_id, f"message-{acknowledged.verdict}", began)
        return True

    async def _turn_away(self, writer: asyncio.StreamWriter, start: bytes, code: str) -> None:
        """Tell the sender that nothing of its message was stored, if its header can be read."""
        note(str(uuid4()), code, time.perf_counter())
        acknowledged = turn_away(self._desk, start, RefusedPart(place="MSH[1]", code=code, detail=REASONS[code]))
        if acknowledged is not None:
            await self._send(writer, acknowledged.least)

    async def _send(self, writer: asyncio.StreamWriter, message: bytes) -> None:
        """Send one answer.

        Raises:
            TimeoutError: the sender does not read it.
        """
        writer.write(framed(message))
        async with asyncio.timeout(self._limits.pause_seconds):
            await writer.drain()


async def linger(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """End the answers and read on for a moment. Closing at once could discard the last answer before the sender sees it."""
    with contextlib.suppress(OSError, TimeoutError):
        # Over TLS there is no way to end one direction only.
        if writer.can_write_eof():
            writer.write_eof()
        async with asyncio.timeout(LINGER_SECONDS):
            for _ in range(LINGER_BYTES // READ_BYTES):
                if not await reader.read(READ_BYTES):
                    return


def note(request_id: str, what: str, began: float) -> None:
    """Write a line into the log."""
    line = ListenerLine(request_id=request_id, mllp=what, milliseconds=round((time.perf_counter() - began) * 1000, 2))
    log.info("%s", msgspec.json.encode(line).decode())
