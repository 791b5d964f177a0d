"""Work that waits in the whole installation: deliveries and jobs of all tenants, in numbers."""

from __future__ import annotations

from datetime import datetime
from functools import partial

import msgspec

from quietcuff.application.context import AppContext, now
from quietcuff.storage.bulk.jobs import EXPORTS
from quietcuff.storage.delivery.outbox import backlogs
from quietcuff.storage.engine.store import NO_TENANT
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows.tenants import all_tenant_ids
from quietcuff.storage.rows.what_if_jobs import WHAT_IFS


class WaitingWork(msgspec.Struct, kw_only=True):
    """Deliveries that wait, those of them that have failed before, those given up, and jobs that wait or run."""

    deliveries: int = 0
    failing: int = 0
    given_up: int = 0
    oldest_queued_at: datetime | None = None
    oldest_seconds: float = 0.0
    exports: int = 0
    what_ifs: int = 0


async def waiting_work(desk: AppContext) -> WaitingWork:
    """Count the work that waits, tenant by tenant."""
    found = WaitingWork()

    def add(transaction: Transaction, tenant_id: int) -> None:
        for backlog in backlogs(transaction, tenant_id).values():
            found.deliveries += backlog.waiting
            found.failing += backlog.failed
            found.given_up += backlog.undelivered
            found.oldest_queued_at = min(filter(None, (found.oldest_queued_at, backlog.oldest_queued_at)), default=None)
        found.exports += EXPORTS.count_open(transaction, tenant_id)
        found.what_ifs += WHAT_IFS.count_open(transaction, tenant_id)

    for tenant_id in await desk.store.read(NO_TENANT, all_tenant_ids):
        await desk.store.read(tenant_id, partial(add, tenant_id=tenant_id))
    if found.oldest_queued_at is not None:
        found.oldest_seconds = max(0.0, (now(desk) - found.oldest_queued_at).total_seconds())
    return found
