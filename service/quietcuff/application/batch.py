"""Batches of sittings, one sitting a line: many lines are worked on at a time, and reported in their own order.

Only a window of lines is in memory, however many there are. A batch that ends early has stored each line it took in, or nothing
of it.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator, Callable

import msgspec

from quietcuff.application.context import Answer, AppContext, Caller, Foresight
from quietcuff.application.preconditions import faults_of_storing
from quietcuff.application.recognised import Claims, body_digest, claims_of
from quietcuff.application.store_sitting import RECEIVE, take_in
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.readings import ReadingSet
from quietcuff.decode.ndjson import Line, LineReader
from quietcuff.storage.engine.ids import keyed_digest
from quietcuff.storage.engine.store import LARGEST_GROUP
from quietcuff.storage.rows.tenants import Tenant

# Two bounds: without the second, a full window of the longest lines would hold far more memory than a batch is worth.
MOST_LINES_HELD = 256
MOST_BYTES_HELD = 4 * 1024 * 1024

# What the sitting of a line is known by when it comes again.
Known = Callable[[Tenant, int, ReadingSet], Claims]


class ReceivedLine(msgspec.Struct, frozen=True, kw_only=True):
    """One received line and its outcome: an answer, or the error that prevented one."""

    line: Line
    outcome: Answer | Exception


class Tally(msgspec.Struct, kw_only=True):
    """Counts of the lines that are not blank, by outcome."""

    lines: int = 0
    stored: int = 0
    replayed: int = 0
    refused: int = 0

    def count(self, received: ReceivedLine) -> None:
        """Count a line in."""
        self.lines += 1
        if isinstance(received.outcome, Exception):
            self.refused += 1
        elif received.outcome.replayed:
            self.replayed += 1
        else:
            self.stored += 1


async def receive_lines(
    desk: AppContext,
    caller: Caller,
    chunks: AsyncIterator[bytes],
    known: Known,
    tell: Callable[[ReceivedLine], None],
    *,
    may_go_on: Callable[[], bool] = lambda: True,
    deciders: Foresight | None = None,
) -> None:
    """Evaluate and store the sittings of NDJSON that comes in chunks; otherwise as ``receive_sittings``."""
    await receive_sittings(desk, caller, lines_of(chunks), known, tell, may_go_on=may_go_on, deciders=deciders)


async def receive_sittings(
    desk: AppContext,
    caller: Caller,
    lines: AsyncIterator[Line],
    known: Known,
    tell: Callable[[ReceivedLine], None],
    *,
    may_go_on: Callable[[], bool] = lambda: True,
    deciders: Foresight | None = None,
    most_held: int = MOST_LINES_HELD,
) -> None:
    """Evaluate and store the sitting of each line, and report each line in order. ``may_go_on`` is asked before each
    further line; the first False ends the batch. ``deciders`` evaluate lines before they are stored. At most ``most_held``
    lines are worked on at a time.

    If two lines are of one person, the earlier line is stored first. If ``lines`` raises or the task is cancelled, the lines
    already taken in are finished and reported. An incomplete last line is then not taken in.
    """
    held: deque[asyncio.Task[ReceivedLine]] = deque()
    bytes_held, taken_in = 0, 0
    try:
        async for line in lines:
            # Whoever waits for one answer goes before the next line: a batch keeps going, if only line by line.
            while held and (len(held) >= most_held or bytes_held > MOST_BYTES_HELD or desk.store.is_crowded):
                bytes_held -= await tell_of(held, tell)
            if not may_go_on():
                break
            tenant = await desk.tenants.get(caller.tenant_id)
            held.append(asyncio.create_task(receive_line(desk, tenant, caller, line, known, deciders)))
            bytes_held += len(line.text)
            taken_in += 1
            if taken_in % LARGEST_GROUP == 0:
                # A group's worth is read at once and shares a commit; then it is others' turn.
                await asyncio.sleep(0)
    finally:
        while held:
            await tell_of(held, tell)


async def lines_of(chunks: AsyncIterator[bytes]) -> AsyncIterator[Line]:
    """Lines of the chunks, including the last one if the chunks end without an error."""
    reader = LineReader()
    async for chunk in chunks:
        for line in reader.feed(chunk):
            yield line
    for line in reader.end():
        yield line


async def tell_of(held: deque[asyncio.Task[ReceivedLine]], tell: Callable[[ReceivedLine], None]) -> int:
    """Report the oldest line in the window, drop it, and return its length. A cancellation while waiting leaves the line in the
    window."""
    # Lines that were stored together are told of in one go: the loop is given up only for one that is not done, so that as many
    # lines as have ended take their places together, and share a commit again.
    if not held[0].done():
        # ``wait`` and not ``await``: cancelling this must not cancel a line that may be in the middle of being stored.
        await asyncio.wait([held[0]])
    received = held.popleft().result()
    tell(received)
    return len(received.line.text)


async def receive_line(
    desk: AppContext, tenant: Tenant, caller: Caller, line: Line, known: Known, deciders: Foresight | None = None
) -> ReceivedLine:
    """Evaluate and store the sitting of one line. A failure becomes the line's outcome and does not stop the batch."""
    try:
        reading_set = understand_line(desk, line)
        claims = known(tenant, line.number, reading_set)
        outcome = await take_in(desk, tenant, caller, reading_set, claims, deciders, line.text)
        return ReceivedLine(line=line, outcome=outcome)
    except Exception as error:
        return ReceivedLine(line=line, outcome=line.placed(error))


def understand_line(desk: AppContext, line: Line) -> ReadingSet:
    """Decode and check the sitting of one line.

    Raises:
        NotReadable, NotAcceptable: as ``Line.read``.
    """
    return line.read(lambda reading_set: faults_of_storing(reading_set, desk.rulebook))


def by_identifier_or_line(key: str | None) -> Known:
    """Claims by the sitting's identifier. Without one, by the line number under the request's key, if there is a key."""

    def claims(tenant: Tenant, number: int, reading_set: ReadingSet) -> Claims:
        if reading_set.identifier is not None or key is None:
            return claims_of(tenant, RECEIVE, reading_set, key=None, identifier=reading_set.identifier)
        digest = keyed_digest(tenant.secret, b"key", key.encode(), str(number).encode())
        return Claims(digests=[("key", digest)], body=body_digest(tenant, RECEIVE, reading_set))

    return claims


def by_identifier(tenant: Tenant, number: int, reading_set: ReadingSet) -> Claims:
    """Claims by the sitting's identifier, which is required.

    Raises:
        NotAcceptable: it has none.
    """
    if reading_set.identifier is None:
        detail = "An identifier of your own, so that the line is known when it comes again; or import with --key-by-content."
        raise NotAcceptable.of(pointer="/identifier", code="missing", detail=detail)
    return claims_of(tenant, RECEIVE, reading_set, key=None, identifier=reading_set.identifier)


def by_identifier_or_content(tenant: Tenant, number: int, reading_set: ReadingSet) -> Claims:
    """Claims by the sitting's identifier, or else by its whole content."""
    if reading_set.identifier is not None:
        return claims_of(tenant, RECEIVE, reading_set, key=None, identifier=reading_set.identifier)
    body = body_digest(tenant, RECEIVE, reading_set)
    return Claims(digests=[("identifier", keyed_digest(tenant.secret, b"content", body.hex().encode()))], body=body)
