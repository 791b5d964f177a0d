"""Reads of people's data, for the trail: collected as they are answered, and written a second later, many in one commit.

Who reads does not wait for the trail. What was answered in the second before a process is killed may be missing in it;
a process that is told to stop writes them first. Where they cannot be written they pile up to a limit, and then nothing
more is read: no reading goes on unseen.
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
    """Something that was read. ``what`` names the operation and the parameters of a search, without their values; of whom,
    where it was one person's: by their id, by a set of theirs, or by the identifier they were asked for by."""

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
    """What was read and is not in the trail yet."""

    def __init__(self) -> None:
        self._waiting: deque[ReadRecord] = deque()

    def add(self, seen: ReadRecord) -> None:
        """One more read, which was answered."""
        self._waiting.append(seen)

    def check_room(self) -> None:
        """Make sure that one more can be kept.

        Raises:
            Busy: the trail cannot be written, and too many wait for it.
        """
        if len(self._waiting) >= MOST_WAITING:
            raise Busy(RETRY_SECONDS)

    async def write(self, desk: AppContext) -> int:
        """Write what waits into the trail; how many reads that was. What cannot be written goes on waiting."""
        written = 0
        while self._waiting:
            some = [self._waiting.popleft() for _ in range(min(AT_ONCE, len(self._waiting)))]
            some.sort(key=lambda seen: seen.tenant_id)
            for tenant_id, group in groupby(some, key=lambda seen: seen.tenant_id):
                reads = list(group)
                try:
                    await write_reads(desk, await desk.tenants.get(tenant_id), reads)
                except BaseException:
                    self._waiting.extendleft(reversed([seen for seen in some if seen.tenant_id >= tenant_id]))
                    raise
                written += len(reads)
        return written


async def write_reads(desk: AppContext, tenant: Tenant, reads: list[ReadRecord]) -> None:
    """Write the reads of one tenant, in one transaction."""
    wanted = {seen.set_id for seen in reads if seen.set_id is not None and seen.subject is None}

    def write(transaction: Transaction) -> None:
        people = subjects_of_sets(transaction, tenant.tenant_id, sorted(wanted))
        for seen in reads:
            record(transaction, entry_of(tenant, seen, people))

    await desk.store.write(tenant.tenant_id, write)


def entry_of(tenant: Tenant, seen: ReadRecord, people: dict[UUID, UUID]) -> TrailEntry:
    """A read as a row of the trail, where people are known by their ids alone."""
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
