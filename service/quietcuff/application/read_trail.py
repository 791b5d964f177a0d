"""Trail of reads: read accesses to people's data, collected as they are answered and written a second later, many in a commit.

A reader does not wait for the trail. If a process is killed, the reads of its last second may be missing; a process that is
asked to stop writes them first. If the trail cannot be written, reads are collected up to a limit; beyond it every further read
is refused, so that none goes unrecorded.
"""

from __future__ import annotations

from collections import deque
from datetime import datetime
from itertools import groupby
from uuid import UUID

import msgspec

from quietcuff.application.context import AppContext
from quietcuff.core.model.errors import Busy
from quietcuff.core.model.readings import Identifier
from quietcuff.storage.engine.ids import subject_id
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows.reading_sets import subjects_of_sets
from quietcuff.storage.rows.tenants import Tenant
from quietcuff.storage.trail.trail import TrailEntry, record

MOST_WAITING = 20_000
AT_ONCE = 500
RETRY_SECONDS = 2


class ReadRecord(msgspec.Struct, frozen=True, kw_only=True):
    """One answered read. ``what`` names the operation and the search parameters, without their values. If the read was about
    one person, the person is given by their id, by one of their sets, or by the identifier in the request."""

    tenant_id: int
    at: datetime
    actor: str
    request_id: str
    action: str
    what: str
    found: int
    origin: str | None = None
    subject: UUID | None = None
    set_id: UUID | None = None
    identifier: Identifier | None = None


class Reads:
    """Answered reads that are not in the trail yet."""

    def __init__(self) -> None:
        self._waiting: deque[ReadRecord] = deque()

    def add(self, seen: ReadRecord) -> None:
        """Add one answered read."""
        self._waiting.append(seen)

    def check_room(self) -> None:
        """Check that one more read can be held.

        Raises:
            Busy: the trail cannot be written, and too many reads wait for it.
        """
        if len(self._waiting) >= MOST_WAITING:
            raise Busy(RETRY_SECONDS)

    async def write(self, desk: AppContext) -> int:
        """Write the waiting reads into the trail and return their number. Those that cannot be written go on waiting."""
        written = 0
        while self._waiting:
            some = [self._waiting.popleft() for _ in range(min(AT_ONCE, len(self._waiting)))]
            # By tenant, because a transaction sees the rows of one tenant only; the sort is stable, so their order stays.
            some.sort(key=lambda seen: seen.tenant_id)
            for tenant_id, group in groupby(some, key=lambda seen: seen.tenant_id):
                reads = list(group)
                try:
                    await write_reads(desk, await desk.tenants.get(tenant_id), reads)
                # Also on a cancellation: what was taken from the queue and not written goes back to its front, in order.
                except BaseException:
                    self._waiting.extendleft(reversed([seen for seen in some if seen.tenant_id >= tenant_id]))
                    raise
                written += len(reads)
        return written


async def write_reads(desk: AppContext, tenant: Tenant, reads: list[ReadRecord]) -> None:
    """Write the reads of one tenant in one transaction."""
    wanted = {seen.set_id for seen in reads if seen.set_id is not None and seen.subject is None}

    def write(transaction: Transaction) -> None:
        people = subjects_of_sets(transaction, tenant.tenant_id, sorted(wanted))
        for seen in reads:
            record(transaction, entry_of(tenant, seen, people))

    await desk.store.write(tenant.tenant_id, write)


def entry_of(tenant: Tenant, seen: ReadRecord, people: dict[UUID, UUID]) -> TrailEntry:
    """A read as a trail row, which holds people's ids only."""
    subject = seen.subject
    if subject is None and seen.identifier is not None:
        subject = subject_id(tenant.secret, seen.identifier)
    if subject is None and seen.set_id is not None:
        subject = people.get(seen.set_id)
    return TrailEntry(
        tenant_id=tenant.tenant_id,
        at=seen.at,
        actor=seen.actor,
        action=seen.action,
        request_id=UUID(seen.request_id),
        subject_id=subject,
        set_id=seen.set_id,
        what=seen.what,
        found=seen.found,
        origin=seen.origin,
    )
