"""What is done beside the requests: every half minute idle sets are closed, what is older than its tenant keeps is
deleted, the uses of keys are noted, old tokens forgotten, the trail is sealed; each second the trail is told what was read;
exports and what-ifs are worked on, and what is stored is sent on, as it comes."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable
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


async def keep_up(service: Service, seconds_between: float = SECONDS_BETWEEN) -> None:
    """Do all of it again and again. What fails is logged, and done again the next time all the same."""
    await attempt(seal_all, service)
    while True:
        await attempt(close_idle_sets, service)
        await attempt(delete_what_is_over, service)
        await attempt(note_uses, service)
        await attempt(forget_old_tokens, service)
        await attempt(seal_trail, service)
        await asyncio.sleep(seconds_between)


async def work_on_exports(service: Service, seconds_between: float = SECONDS_BETWEEN_LOOKS) -> None:
    """Do the exports that wait, whenever one is begun here, and look now and then for those that nobody works on."""
    worker = ExportWorker(service.desk, service.settings.public_url, service.export_limits)

    async def work(service: Service) -> None:
        await worker.work()

    while True:
        service.export_bell.clear()
        await attempt(work, service)
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(service.export_bell.wait(), seconds_between)


async def work_on_what_ifs(service: Service, seconds_between: float = SECONDS_BETWEEN_LOOKS) -> None:
    """Do the what-ifs that wait, whenever one is begun here, and look now and then for those that nobody works on."""
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
    """Write into the trail what was read, again and again."""
    while True:
        await asyncio.sleep(seconds_between)
        await attempt(write_reads, service)


async def write_reads(service: Service) -> None:
    """Write into the trail what was read and is not there yet."""
    await service.reads.write(service.desk)


async def seal_trail(service: Service) -> None:
    """Seal what this process has written into the trail."""
    await service.desk.store.seal()


async def seal_all(service: Service) -> None:
    """Seal every lane, those too that a process left which was killed."""
    await service.desk.store.seal(await service.desk.store.read(NO_TENANT, all_tenant_ids))


async def deliver(service: Service) -> None:
    """Send on what is stored to the targets that want it."""
    # Imported where it is used: what it needs to send takes a tenth of a second to load.
    from quietcuff.delivery.worker import hired

    desk, settings = service.desk, service.settings
    address, allowed = settings.public_url, settings.deliver_to
    work = hired(desk.store, desk.tenants, desk.clock, public_url=address, deliver_to=allowed, log=log_failure)
    async with work as worker:
        await worker.run()


async def attempt(work: Callable[[Service], Awaitable[None]], service: Service) -> None:
    """Do one piece of work; a failure is logged and goes no further."""
    try:
        await work(service)
    except Exception as error:
        log_failure(error, str(uuid4()))


async def close_idle_sets(service: Service) -> None:
    """Close the open sets in which nothing arrives any more."""
    await application.close_idle_sets(service.desk)


async def delete_what_is_over(service: Service) -> None:
    """Delete what is older than its tenant keeps."""
    await retention.delete_what_is_over(service.desk)


async def forget_old_tokens(service: Service) -> None:
    """Delete tokens that have expired, what was kept of assertions so that none is used twice, and old counts of requests."""
    await service.token_desk.forget_old()
    before = int(service.desk.clock().timestamp() // 60) - 1
    await service.desk.store.write(NO_TENANT, lambda transaction: delete_old_uses(transaction, before))


async def note_uses(service: Service) -> None:
    """Store when each key was last used, one write for each key however often it was used."""
    uses = service.keyring.take_uses()

    def note(transaction: Transaction) -> None:
        for key_id, at in uses.items():
            touch_key(transaction, key_id, at)

    if uses:
        await service.desk.store.write(NO_TENANT, note)
