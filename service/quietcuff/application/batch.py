"""Many sittings, one a line: each goes the way of every sitting, many at a time; each is told of in the order of the lines.

However long the lines go on, only a window of them is held. What ends early has stored what it read, and nothing by halves.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator, Callable

import msgspec

from quietcuff.application.context import Answer, AppContext, Caller
from quietcuff.application.idempotency import Claims, claims_of
from quietcuff.application.store_sitting import RECEIVE, take_in, understand
from quietcuff.core.model.errors import Fault, NotAcceptable
from quietcuff.core.model.readings import ReadingSet
from quietcuff.decode.ndjson import Line, LineReader, check_length
from quietcuff.storage.engine.ids import keyed_digest
from quietcuff.storage.engine.store import LARGEST_GROUP
from quietcuff.storage.rows.tenants import Tenant

MOST_LINES_HELD = 256
MOST_BYTES_HELD = 4 * 1024 * 1024

# What the sitting of a line is known by when it comes again.
Known = Callable[[Tenant, int, ReadingSet], Claims]


class ReceivedLine(msgspec.Struct, frozen=True, kw_only=True):
    """A line as it came, and what came of it: an answer, or the error that there is none because of."""

    line: Line
    outcome: Answer | Exception


class Tally(msgspec.Struct, kw_only=True):
    """How many lines there were that are not blank, and what came of them."""

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
) -> None:
    """Evaluate and store the sitting of each line of NDJSON, and tell of each, in the order of the lines. Before each line that
    is taken in, ``may_go_on`` is asked; the first no is the end.

    Of one person's sittings, the one whose line comes first is stored first. Where the chunks end with an error, or this is
    cancelled, what was taken in before is finished and told of; a line that was not complete is not taken in.
    """
    held: deque[asyncio.Task[ReceivedLine]] = deque()
    bytes_held = 0
    try:
        async for line in lines_of(chunks):
            # Whoever waits for one answer goes before the next line: a batch keeps going, if only line by line.
            while held and (len(held) >= MOST_LINES_HELD or bytes_held > MOST_BYTES_HELD or desk.store.is_crowded):
                bytes_held -= await tell_of(held, tell)
            if not may_go_on():
                break
            tenant = await desk.tenants.get(caller.tenant_id)
            held.append(asyncio.create_task(receive_line(desk, tenant, caller, line, known)))
            bytes_held += len(line.text)
            if len(held) % LARGEST_GROUP == 0:
                # A group's worth is read at once and shares a commit; then it is others' turn.
                await asyncio.sleep(0)
    finally:
        while held:
            await tell_of(held, tell)


async def lines_of(chunks: AsyncIterator[bytes]) -> AsyncIterator[Line]:
    """The lines of the chunks; the last one too, where the chunks come to a good end."""
    reader = LineReader()
    async for chunk in chunks:
        for line in reader.feed(chunk):
            yield line
    for line in reader.end():
        yield line


async def tell_of(held: deque[asyncio.Task[ReceivedLine]], tell: Callable[[ReceivedLine], None]) -> int:
    """Tell of the oldest line that is held, and let it go; its length. Whoever is cancelled here leaves it as it is."""
    await asyncio.wait([held[0]])
    received = held.popleft().result()
    tell(received)
    return len(received.line.text)


async def receive_line(desk: AppContext, tenant: Tenant, caller: Caller, line: Line, known: Known) -> ReceivedLine:
    """Evaluate and store the sitting of one line. Its failure is its own."""
    try:
        check_length(line.text)
        reading_set = understand(desk, line.text)
        claims = known(tenant, line.number, reading_set)
        return ReceivedLine(line=line, outcome=await take_in(desk, tenant, caller, reading_set, claims))
    except Exception as error:
        return ReceivedLine(line=line, outcome=error)


def by_identifier_or_line(key: str | None) -> Known:
    """By its identifier; without one, by the number of its line under the key of the request, where that has one."""

    def claims(tenant: Tenant, number: int, reading_set: ReadingSet) -> Claims:
        own = claims_of(tenant, RECEIVE, reading_set, key=None, identifier=reading_set.identifier)
        if reading_set.identifier is not None or key is None:
            return own
        digest = keyed_digest(tenant.secret, b"key", key.encode(), str(number).encode())
        return msgspec.structs.replace(own, key=digest)

    return claims


def by_identifier(tenant: Tenant, number: int, reading_set: ReadingSet) -> Claims:
    """By its identifier, which it must have.

    Raises:
        NotAcceptable: it has none.
    """
    if reading_set.identifier is None:
        detail = "An identifier of your own, so that the line is known when it comes again; or import with --key-by-content."
        raise NotAcceptable([Fault(pointer="/identifier", code="missing", detail=detail)])
    return claims_of(tenant, RECEIVE, reading_set, key=None, identifier=reading_set.identifier)


def by_identifier_or_content(tenant: Tenant, number: int, reading_set: ReadingSet) -> Claims:
    """By its identifier; without one, by all that it says."""
    own = claims_of(tenant, RECEIVE, reading_set, key=None, identifier=reading_set.identifier)
    if reading_set.identifier is not None:
        return own
    return msgspec.structs.replace(own, identifier=keyed_digest(tenant.secret, b"content", own.body.hex().encode()))
