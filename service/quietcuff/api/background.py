"""Background work of a serving process: upkeep, the trail of reads, exports, what-ifs and deliveries.

Every half minute idle sets are closed, old data is deleted, the last uses of keys are stored, expired tokens are deleted and
the trail is sealed. Every second the collected reads are written. Exports, what-ifs and deliveries run as they come.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Iterable
from uuid import uuid4

from quietcuff import application
from quietcuff.api.logs import log_failure
from quietcuff.api.service import Service
from quietcuff.application import retention
from quietcuff.application.bulk.worker import ExportWorker
from quietcuff.storage.engine.store import NO_TENANT
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows.api_keys import delete_old_uses, touch_key
from quietcuff.storage.rows.tenants import all_tenant_ids

SECONDS_BETWEEN = 30
SECONDS_BETWEEN_READS = 1
# An export that was begun here is begun at once; this is for those that another process has left.
SECONDS_BETWEEN_LOOKS = 5
SECONDS_TO_END = 2


async def keep_up(service: Service, seconds_between: float = SECONDS_BETWEEN) -> None:
    """Do all upkeep again and again. A failure is logged, and the work is tried again in the next round."""
    # All lanes once at the start, since a process that was killed left its last rows unsealed.
    await attempt(seal_all, service)
    while True:
        await attempt(close_idle_sets, service)
        await attempt(delete_what_is_over, service)
        await attempt(note_uses, service)
        await attempt(forget_old_tokens, service)
        await attempt(seal_trail, service)
        await asyncio.sleep(seconds_between)


async def work_on_exports(service: Service, seconds_between: float = SECONDS_BETWEEN_LOOKS) -> None:
    """Do waiting exports as soon as one is started here, and look now and then for exports that another process left."""
    worker = ExportWorker(service.desk, service.settings.public_url, service.export_limits)

    async def work(service: Service) -> None:
        await worker.work()

    while True:
        # Cleared before the work and not after it: an export begun meanwhile must ring for another round.
        service.export_bell.clear()
        await attempt(work, service)
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(service.export_bell.wait(), seconds_between)


async def work_on_what_ifs(service: Service, seconds_between: float = SECONDS_BETWEEN_LOOKS) -> None:
    """Do waiting what-ifs as soon as one is started here, and look now and then for those that another process left."""
    # Imported where it is used: only a service that is asked needs what it counts with.
    from quietcuff.analytics.what_if.jobs import WhatIfWorker

    worker = WhatIfWorker(service.desk)

    async def work(service: Service) -> None:
        await worker.work()

    while True:
        service.what_if_bell.clear()
        await attempt(work, service)
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(service.what_if_bell.wait(), seconds_between)


async def keep_reads(service: Service, seconds_between: float = SECONDS_BETWEEN_READS) -> None:
    """Write the collected reads into the trail, again and again."""
    while True:
        await asyncio.sleep(seconds_between)
        await attempt(write_reads, service)


async def write_reads(service: Service) -> None:
    """Write the reads that are not in the trail yet."""
    await service.reads.write(service.desk)


async def seal_trail(service: Service) -> None:
    """Seal the trail rows that this process has written."""
    await service.desk.store.seal()


async def seal_all(service: Service) -> None:
    """Seal every lane of the trail, including those left by a killed process."""
    await service.desk.store.seal(await service.desk.store.read(NO_TENANT, all_tenant_ids))


async def deliver(service: Service) -> None:
    """Deliver stored results to the targets that want them."""
    # Imported where it is used: what it needs to send takes a tenth of a second to load.
    from quietcuff.delivery.worker import hired

    desk, settings = service.desk, service.settings
    address, allowed = settings.public_url, settings.deliver_to
    work = hired(desk.store, desk.tenants, desk.clock, public_url=address, deliver_to=allowed, log=log_failure)
    async with work as worker:
        await worker.run()


async def end_all(tasks: Iterable[asyncio.Task[None]]) -> None:
    """Cancel tasks, and wait until each has ended.

    One that takes a cancellation for a failure, as what lies between it and the database may, is cancelled again: a server that
    is told to stop must not wait for ever.
    """
    pending = set(tasks)
    while pending:
        for task in pending:
            task.cancel()
        _, pending = await asyncio.wait(pending, timeout=SECONDS_TO_END)


async def attempt(work: Callable[[Service], Awaitable[None]], service: Service) -> None:
    """Do one piece of work. A failure is logged and stops nothing else."""
    try:
        await work(service)
    except Exception as error:
        log_failure(error, str(uuid4()))


async def close_idle_sets(service: Service) -> None:
    """Close the open sets that have been idle too long."""
    await application.close_idle_sets(service.desk)


async def delete_what_is_over(service: Service) -> None:
    """Delete data older than its tenant keeps."""
    await retention.delete_what_is_over(service.desk)


async def forget_old_tokens(service: Service) -> None:
    """Delete expired tokens, the record of used assertions, and old request counts."""
    await service.token_desk.forget_old()
    # One minute more than the present one: another process's clock may be a little behind.
    before = int(service.desk.clock().timestamp() // 60) - 1
    await service.desk.store.write(NO_TENANT, lambda transaction: delete_old_uses(transaction, before))


async def note_uses(service: Service) -> None:
    """Store the time of each key's last use, with one write a key however often it was used."""
    uses = service.keyring.take_uses()

    def note(transaction: Transaction) -> None:
        for key_id, at in uses.items():
            touch_key(transaction, key_id, at)

    if not uses:
        return
    try:
        await service.desk.store.write(NO_TENANT, note)
    except BaseException:
        # A busy database, or a server that is told to stop: the next round, or the last one, stores them.
        service.keyring.give_back(uses)
        raise
