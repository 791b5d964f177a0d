"""The delivery worker: claims due entries, sends them, and stores the outcome.

Any number of workers share the outbox. Each entry is leased to one of them, and is removed only after it has arrived. A killed
worker loses nothing: its leases run out and its entries are sent again, which leaves nothing twice (``transaction.py``).
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager
from datetime import datetime, timedelta
from functools import partial
from uuid import UUID, uuid4

import msgspec

from quietcuff.application.context import Tenants
from quietcuff.core.model.errors import Busy, NotFound
from quietcuff.delivery.http_sender import SEND_SECONDS, HttpSender, Parcel
from quietcuff.delivery.message import parcel_of
from quietcuff.delivery.outcomes import TargetReply, judge, last_tried_before, wait_after
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.security.allowed_addresses import read_allowances
from quietcuff.storage.delivery import outbox
from quietcuff.storage.delivery.outbox import Lease, Tried
from quietcuff.storage.delivery.targets import (
    TargetRow,
    TargetState,
    change_target,
    find_target,
    lock_target,
    targets_of_tenant,
)
from quietcuff.storage.engine.ids import order_of_subject
from quietcuff.storage.engine.store import NO_TENANT, Store
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows.tenants import all_tenant_ids
from quietcuff.storage.trail.trail import TrailEntry as TrailEntry
from quietcuff.storage.trail.trail import record

# Much longer than a sending may take, so that a slow receiver does not get an entry from two workers.
LEASE = timedelta(seconds=6 * SEND_SECONDS)
# A few at a time, so that claimed entries are sent well within their lease.
MOST_AT_ONCE = 8
MOST_TARGETS_AT_ONCE = 16
SECONDS_BETWEEN = 1.0
NOT_BUILT = TargetReply(failure="not-built")

Log = Callable[[BaseException, str], None]


class Work(msgspec.Struct, frozen=True, kw_only=True):
    """The parts that a worker needs.

    ``jitter`` gives numbers from 0 to 1. ``log`` receives unforeseen errors. ``lease`` is the time for which a worker holds an
    entry, several times the time limit of a sending.
    """

    store: Store
    tenants: Tenants
    sender: HttpSender
    public_url: str
    clock: Callable[[], datetime]
    log: Log
    jitter: Callable[[], float] = random.random
    lease: timedelta = LEASE


class DeliveryWorker:
    """One worker of the outbox."""

    def __init__(self, work: Work) -> None:
        self._work = work
        self._slots = asyncio.Semaphore(MOST_TARGETS_AT_ONCE)
        self._busy: dict[UUID, asyncio.Task[int]] = {}

    async def run(self, seconds_between: float = SECONDS_BETWEEN) -> None:
        """Work until cancelled. Each target with due entries has its own task, so that none waits for another."""
        try:
            while True:
                await self._look_around()
                await asyncio.sleep(seconds_between)
        finally:
            for task in self._busy.values():
                task.cancel()
            await asyncio.gather(*self._busy.values(), return_exceptions=True)

    async def work_off(self) -> int:
        """Send everything that is due now; the number of entries tried."""
        targets = await self._targets()
        return sum(await asyncio.gather(*(self._serve(target) for target in targets)))

    async def _look_around(self) -> None:
        try:
            targets = await self._targets()
        except Exception as error:
            self._work.log(error, str(uuid4()))
            return
        self._busy = {target_id: task for target_id, task in self._busy.items() if not task.done()}
        for target in targets:
            if target.target_id not in self._busy:
                self._busy[target.target_id] = asyncio.create_task(self._serve(target))

    async def _targets(self) -> list[TargetRow]:
        found = []
        for tenant_id in await self._work.store.read(NO_TENANT, all_tenant_ids):
            if (await self._work.tenants.get(tenant_id)).has_targets:
                found += await self._work.store.read(tenant_id, partial(targets_of_tenant, tenant_id=tenant_id))
        # A target that was removed must not keep its connections open.
        await self._work.sender.keep_only({target.target_id for target in found})
        return [target for target in found if target.state == "active"]

    async def _serve(self, target: TargetRow) -> int:
        """Send the due entries of one target until there are none.

        Where it took everything that was sent at once, it answers again, and what waits for it is brought forward.
        """
        tried, answers_since = 0, None
        try:
            while claims := await self._claim(target, answers_since):
                began = self._work.clock()
                async with self._slots:
                    ended = await asyncio.gather(*(self._deliver(claim) for claim in claims), return_exceptions=True)
                for error in ended:
                    if isinstance(error, Exception):
                        self._work.log(error, str(uuid4()))
                answers_since = began if all(taken is True for taken in ended) else None
                tried += len(claims)
        except Exception as error:
            self._work.log(error, str(uuid4()))
        return tried

    async def _claim(self, target: TargetRow, answers_since: datetime | None) -> list[Lease]:
        now, lease = self._work.clock(), uuid4()
        tenant_id, target_id = target.tenant_id, target.target_id

        def claim(transaction: Transaction) -> list[Lease]:
            current = find_target(transaction, tenant_id, target_id)
            if current is None or current.state != "active":
                return []
            if answers_since is not None:
                outbox.bring_forward(transaction, tenant_id, target_id, now, last_tried_before(answers_since))
            return outbox.claim_due(
                transaction, tenant_id, target_id, now=now, until=now + self._work.lease, lease=lease, most=MOST_AT_ONCE
            )

        return await self._work.store.write(tenant_id, claim)

    async def _deliver(self, claim: Lease) -> bool:
        """Send one entry and store the outcome; True where the target took it.

        A failure of our own is put off like any other, and logged.

        Where the database cannot be reached, the entry is left to be claimed again once its lease has run out.
        """
        try:
            parcel = await self._parcel(claim)
        except Busy:
            return False
        except Exception as error:
            self._work.log(error, str(uuid4()))
            reply = NOT_BUILT
        else:
            if parcel is None:
                await self._settle(claim, lambda transaction: outbox.delivered(transaction, claim))
                return False
            # An entry that might not arrive before its lease ends is left: another worker may hold it by then.
            if self._work.clock() + self._work.lease / 4 > claim.leased_until:
                return False
            reply = await self._work.sender.send(claim.entry.target_id, parcel)
        await self._settle(claim, lambda transaction: self._keep(transaction, claim, reply))
        return judge(reply).outcome == "delivered"

    async def _parcel(self, claim: Lease) -> Parcel | None:
        entry, now = claim.entry, self._work.clock()
        publisher = Publisher(tenant=await self._work.tenants.get(entry.tenant_id), public_url=self._work.public_url)

        def read(snapshot: Transaction) -> Parcel | None:
            target = find_target(snapshot, entry.tenant_id, entry.target_id)
            return None if target is None else parcel_of(snapshot, publisher, target, entry, now)

        try:
            return await self._work.store.read(entry.tenant_id, read)
        except NotFound:
            # A set that was deleted meanwhile cannot be delivered any more.
            return None

    async def _settle(self, claim: Lease, keep: Callable[[Transaction], object]) -> None:
        await self._work.store.write(claim.entry.tenant_id, keep, order=order_of_subject(claim.entry.subject_id))

    def _keep(self, transaction: Transaction, claim: Lease, reply: TargetReply) -> None:
        """Store the outcome of an attempt."""
        now, verdict, attempts = self._work.clock(), judge(reply), claim.entry.attempts + 1
        tried = Tried(at=now, attempts=attempts, reason=verdict.reason, status=reply.status)
        wait = wait_after(attempts, reply.retry_after_seconds, self._work.jitter())
        if verdict.outcome == "delivered":
            if outbox.delivered(transaction, claim):
                record(transaction, trail_entry(claim, now))
        elif verdict.outcome in ("pause", "disable"):
            stop(transaction, claim, "paused" if verdict.outcome == "pause" else "disabled", verdict.reason, now)
        elif verdict.outcome == "later" and wait is not None:
            outbox.try_later(transaction, claim, tried, now + wait)
        else:
            outbox.give_up(transaction, claim, tried)


@asynccontextmanager
async def hired(
    store: Store, tenants: Tenants, clock: Callable[[], datetime], *, public_url: str, deliver_to: Iterable[str], log: Log
) -> AsyncIterator[DeliveryWorker]:
    """A worker that sends over the network, to public addresses and to the named hosts and networks."""
    sender = HttpSender(read_allowances(deliver_to), clock)
    try:
        yield DeliveryWorker(Work(store=store, tenants=tenants, sender=sender, public_url=public_url, clock=clock, log=log))
    finally:
        await sender.close()


def stop(transaction: Transaction, claim: Lease, state: TargetState, reason: str, now: datetime) -> None:
    """Send a target nothing more until somebody makes it active again. The entry keeps its place and its attempts."""
    outbox.release(transaction, claim)
    target = lock_target(transaction, claim.entry.tenant_id, claim.entry.target_id)
    if target is not None and target.state == "active":
        change_target(transaction, msgspec.structs.replace(target, state=state, reason=reason, updated_at=now))


def trail_entry(claim: Lease, now: datetime) -> TrailEntry:
    """The row of the trail for a delivery to a target."""
    entry = claim.entry
    return TrailEntry(
        tenant_id=entry.tenant_id,
        at=now,
        actor=f"target:{entry.target_id}",
        action="deliver",
        request_id=claim.lease,
        subject_id=entry.subject_id,
        set_id=entry.set_id,
        version=entry.version,
    )
