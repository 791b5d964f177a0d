"""Closing of open sets that have been idle for too long."""

from __future__ import annotations

from datetime import timedelta
from uuid import UUID, uuid4

import msgspec

from quietcuff.application.context import AppContext, Caller, UnitOfWork, now, turn_of
from quietcuff.application.evaluate_and_keep import keep
from quietcuff.application.stored import load
from quietcuff.application.version_rows import Draft
from quietcuff.core.model.errors import QuietcuffError
from quietcuff.storage.engine.ids import order_of_set
from quietcuff.storage.engine.store import NO_TENANT
from quietcuff.storage.rows.reading_sets import find_set, idle_sets
from quietcuff.storage.rows.subjects import lock_subject_if_free
from quietcuff.storage.rows.tenants import all_tenant_ids

SERVICE = "service"
# A bound on one round: a tenant with very many idle sets must not keep the others waiting.
MOST_A_TENANT = 500


async def close_idle_sets(desk: AppContext) -> int:
    """Close every open set whose last arrival is too long ago, and return their number.

    Raises:
        ExceptionGroup: some could not be closed; all others were.
    """
    closed, failures = 0, []
    for tenant_id in await desk.store.read(NO_TENANT, all_tenant_ids):
        for set_id in await idle_sets_of(desk, tenant_id):
            try:
                closed += await close_idle_set(desk, tenant_id, set_id)
            except QuietcuffError as error:
                failures.append(error)
    if failures:
        raise ExceptionGroup("idle sets that could not be closed", failures)
    return closed


async def idle_sets_of(desk: AppContext, tenant_id: int) -> list[UUID]:
    touched_before = now(desk) - idle_time(desk)
    return await desk.store.read(
        tenant_id, lambda transaction: idle_sets(transaction, tenant_id, touched_before, MOST_A_TENANT)
    )


async def close_idle_set(desk: AppContext, tenant_id: int, set_id: UUID) -> bool:
    tenant = await desk.tenants.get(tenant_id)
    caller = Caller(tenant_id=tenant_id, actor=SERVICE, request_id=str(uuid4()))
    return await desk.store.write(
        tenant_id,
        lambda transaction: time_out(turn_of(desk, tenant, caller, transaction), set_id),
        order=order_of_set(set_id),
    )


def time_out(turn: UnitOfWork, set_id: UUID) -> bool:
    """Close one set, unless somebody is working on it now or has changed it meanwhile."""
    found = find_set(turn.transaction, turn.tenant.tenant_id, set_id)
    # A person whose row is locked is being worked on now; the next round comes soon enough for their sets.
    if found is None or lock_subject_if_free(turn.transaction, turn.tenant.tenant_id, found.subject_id) is None:
        return False
    # Read again under the lock: an arrival between the first look and the lock keeps the set open.
    row = find_set(turn.transaction, turn.tenant.tenant_id, set_id)
    if row is None or row.closed_at is not None or row.touched_at >= turn.now - idle_time(turn.desk):
        return False
    stored = load(turn, row)
    draft = Draft(
        reading_set=msgspec.structs.replace(stored.reading_set, closed=True),
        cause="timed-out",
        codes=["closed-by-timeout"],
        facts_differ=stored.facts_differ,
    )
    keep(turn, row.subject_id, set_id, draft, stored)
    return True


def idle_time(desk: AppContext) -> timedelta:
    return timedelta(minutes=desk.rulebook.limits.idle_minutes)
