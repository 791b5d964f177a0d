"""Jobs of what-if questions: begun, asked after and ended by their clients, and worked on beside the requests.

How far a job is, with all that was counted so far, is committed after each page: whoever dies leaves it there, its lease runs
out, and another goes on.
"""

from __future__ import annotations

import asyncio
from datetime import datetime, timedelta
from typing import Literal
from uuid import uuid4

import msgspec

from quietcuff.analytics.what_if.report import WhatIfReport, WhatIfTally, report_of
from quietcuff.analytics.what_if.walk import Reached, walk
from quietcuff.analytics.what_if.what_if import WhatIf, check
from quietcuff.application.context import AppContext, Caller, note, now
from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.errors import Busy, NotFound, TooOften
from quietcuff.storage.engine.ids import read_id
from quietcuff.storage.engine.store import NO_TENANT
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows.tenants import all_tenant_ids
from quietcuff.storage.rows.what_if_jobs import WHAT_IFS, WhatIfRow, delete_old_what_ifs, delete_what_if, is_any_what_if_old

ENCODER = msgspec.json.Encoder()
ASKED = DocumentDecoder(WhatIf)
REACHED = DocumentDecoder(Reached)
REPORT = DocumentDecoder(WhatIfReport)
MOST_OPEN = 3
MOST_ATTEMPTS = 5
HOURS_KEPT = 24
LEASE = timedelta(seconds=60)
WAIT_WHEN_FULL_SECONDS = 60


class WhatIfJob(msgspec.Struct, frozen=True, kw_only=True):
    """The state of a what-if: how many sets and people were counted, and once it is done its report."""

    id: str
    state: Literal["waiting", "running", "done", "failed"]
    asked: WhatIf
    sets: int
    people: int
    expires_at: datetime | None
    report: WhatIfReport | None


async def start_what_if(desk: AppContext, caller: Caller, asked: WhatIf) -> WhatIfJob:
    """Have a what-if done.

    Raises:
        NotAcceptable: what is not in the rulebook, or changes nothing.
        TooOften: the tenant has as many open as it may.
    """
    check(asked, desk.rulebook)
    row = WhatIfRow(
        tenant_id=caller.tenant_id,
        job_id=uuid4(),
        state="waiting",
        asked=ENCODER.encode(asked),
        reached=ENCODER.encode(Reached(tally=WhatIfTally())),
        created_by=caller.actor,
        created_at=now(desk),
    )

    def start(transaction: Transaction) -> None:
        if WHAT_IFS.count_open(transaction, caller.tenant_id) >= MOST_OPEN:
            raise TooOften(f"At most {MOST_OPEN} at once. Wait for one, or DELETE it.", WAIT_WHEN_FULL_SECONDS)
        WHAT_IFS.insert(transaction, row)
        note(transaction, caller, "start-export", row.created_at, what="what-if")

    await desk.store.write(caller.tenant_id, start)
    return job_record(row)


async def read_what_if(desk: AppContext, caller: Caller, job_id: str) -> WhatIfJob:
    """The state of a what-if.

    Raises:
        NotFound: the tenant has none of that id, or its time is over.
    """
    key = read_id(job_id)
    row = await desk.store.read(caller.tenant_id, lambda snapshot: WHAT_IFS.find(snapshot, caller.tenant_id, key))
    if row is None or (row.expires_at is not None and row.expires_at <= now(desk)):
        raise NotFound("what-if")
    return job_record(row)


async def end_what_if(desk: AppContext, caller: Caller, job_id: str) -> None:
    """Stop a what-if, done or not, and delete its report.

    Raises:
        NotFound: the tenant has none of that id.
    """
    key, moment = read_id(job_id), now(desk)

    def end(transaction: Transaction) -> None:
        if not delete_what_if(transaction, caller.tenant_id, key):
            raise NotFound("what-if")
        note(transaction, caller, "end-export", moment, what="what-if")

    await desk.store.write(caller.tenant_id, end)


def job_record(row: WhatIfRow) -> WhatIfJob:
    """A job as it is answered."""
    tally = REACHED.decode(row.reached).tally
    return WhatIfJob(
        id=str(row.job_id),
        state=msgspec.convert(row.state, Literal["waiting", "running", "done", "failed"]),
        asked=ASKED.decode(row.asked),
        sets=tally.sets,
        people=tally.people,
        expires_at=row.expires_at,
        report=None if row.report is None else REPORT.decode(row.report),
    )


class WhatIfWorker:
    """The worker on the what-ifs of all tenants in one process."""

    def __init__(self, desk: AppContext) -> None:
        self._desk, self._id = desk, uuid4()

    async def work(self) -> int:
        """Do every job that waits and is nobody else's, and delete what is too old; how many jobs were taken."""
        taken = 0
        for tenant_id in await self._desk.store.read(NO_TENANT, all_tenant_ids):
            while (row := await self._take(tenant_id)) is not None:
                await self._do(row)
                taken += 1
            await self._sweep(tenant_id)
        return taken

    async def _sweep(self, tenant_id: int) -> None:
        """Delete the reports whose time is over."""
        moment, store = now(self._desk), self._desk.store
        if await store.read(tenant_id, lambda snapshot: is_any_what_if_old(snapshot, tenant_id, moment)):
            await store.write(tenant_id, lambda transaction: delete_old_what_ifs(transaction, tenant_id, moment))

    async def _take(self, tenant_id: int) -> WhatIfRow | None:
        # Looked for by a reader first: most looks find nothing, and readers wait for nobody.
        moment, store = now(self._desk), self._desk.store
        if not await store.read(tenant_id, lambda snapshot: WHAT_IFS.is_any_free(snapshot, tenant_id, moment)):
            return None
        until = moment + LEASE
        return await store.write(tenant_id, lambda transaction: WHAT_IFS.take(transaction, tenant_id, self._id, moment, until))

    async def _do(self, row: WhatIfRow) -> None:
        """Bring a job to its end, or as far as it goes. What fails again and again is told to the client."""
        if row.attempts > MOST_ATTEMPTS:
            await self._keep(row, state="failed")
            return
        asked, reached = ASKED.decode(row.asked), REACHED.decode(row.reached)
        try:
            async for _ in walk(self._desk, row.tenant_id, asked, reached):
                if not await self._keep(row, reached=ENCODER.encode(reached), attempts=0):
                    return
            report = report_of(reached.tally, asked, now(self._desk), self._desk.rulebook.digest)
            await self._keep(row, state="done", reached=ENCODER.encode(reached), report=ENCODER.encode(report))
        except Busy:
            # Given back as it is: its lease runs out, and it goes on from its last page.
            return
        except asyncio.CancelledError:
            # The process stops: let the next one go on at once.
            await asyncio.shield(self._keep(row, lease=timedelta(), reached=ENCODER.encode(reached), attempts=0))
            raise

    async def _keep(self, row: WhatIfRow, lease: timedelta = LEASE, **changes: object) -> bool:
        """Store how far a job is; False where it is not ours any more."""
        moment = now(self._desk)
        changed = msgspec.structs.replace(row, lease_until=moment + lease, **changes)
        if changed.state in ("done", "failed"):
            changed = msgspec.structs.replace(changed, expires_at=moment + timedelta(hours=HOURS_KEPT))
        return await self._desk.store.write(row.tenant_id, lambda transaction: WHAT_IFS.keep(transaction, changed))
