"""Retention and erasure: deletion of old sets after the tenant's period, and of one person on request.

A set is deleted with its versions, readings, claims, waiting deliveries, and the payloads from which nothing else was made. A
person is deleted with the last of their sets. Ids stay, so that readers are told of the deletion. Trail rows stay, since they
hold only ids. Each set is deleted in its own transaction, so an interrupted run leaves no half-deleted set.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import datetime
from functools import partial
from uuid import UUID, uuid4

import msgspec

from quietcuff.application.context import AppContext, Caller, HowFar, UnitOfWork, note, now, turn_of, untold
from quietcuff.application.erasure import find_person, payloads_naming, words_of
from quietcuff.application.groups import forget_identifier, remember_groups
from quietcuff.application.payloads.device_users import forget_user
from quietcuff.core.model.errors import Conflict
from quietcuff.core.model.readings import Identifier
from quietcuff.storage.engine.ids import order_of_set, order_of_subject, read_id
from quietcuff.storage.engine.store import NO_TENANT
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows import retention as rows
from quietcuff.storage.rows.erasing import Words, delete_exports, payloads_of_subject, rows_of_subject
from quietcuff.storage.rows.reading_sets import SetRow, find_set
from quietcuff.storage.rows.retention import Hold, OldSet, missing_subject
from quietcuff.storage.rows.subjects import SubjectRow, lock_subject
from quietcuff.storage.rows.tenants import Tenant, all_tenant_ids

SERVICE = "service"
AT_ONCE = 64
MOST_A_ROUND = 10 * AT_ONCE


class Deletions(msgspec.Struct, kw_only=True):
    """Counts of what was deleted."""

    sets: int = 0
    subjects: int = 0
    payloads: int = 0

    def add(self, other: Deletions) -> None:
        """Add the counts of another deletion."""
        self.sets += other.sets
        self.subjects += other.subjects
        self.payloads += other.payloads


class Erased(Deletions, kw_only=True):
    """Counts of what was deleted of one person: also exports that were ended, groups and devices that named them, and rows by
    table. ``words`` are the words to search for afterwards; they are never shown."""

    exports: int = 0
    groups: int = 0
    devices: int = 0
    rows: dict[str, int] = {}
    words: Words


async def delete_old(
    desk: AppContext, caller: Caller, before: datetime, *, most: int | None = None, told: HowFar = untold
) -> Deletions:
    """Delete closed sets whose last reading was both taken and received before a moment. People on hold are left out.

    People who have no set left and payloads from which no set was made follow. Somewhat more than ``most`` sets may be deleted.
    """
    done = Deletions()
    after: OldSet | None = None
    tenant = await desk.tenants.get(caller.tenant_id)
    # Counted only where somebody waits: the upkeep of a server deletes a little at a time.
    total = 0 if told is untold else await count_old(desk, caller, before)
    while most is None or done.sets < most:
        page = await desk.store.read(
            tenant.tenant_id,
            partial(rows.sets_taken_before, tenant_id=tenant.tenant_id, before=before, after=after, most=AT_ONCE),
        )
        for part in await asyncio.gather(*(delete_old_set(desk, tenant, caller, old, before) for old in page)):
            done.add(part)
        told(min(1.0, done.sets / total) if total else 1.0, done.sets)
        if len(page) < AT_ONCE:
            done.subjects += await delete_old_subjects(desk, tenant, caller, before)
            done.payloads += await delete_old_payloads(desk, tenant, caller, before)
            break
        after = page[-1]
    return done


async def count_old(desk: AppContext, caller: Caller, before: datetime) -> int:
    """Number of sets that would be deleted."""
    return await desk.store.read(
        caller.tenant_id, lambda snapshot: rows.count_sets_taken_before(snapshot, caller.tenant_id, before)
    )


async def delete_old_set(desk: AppContext, tenant: Tenant, caller: Caller, old: OldSet, before: datetime) -> Deletions:
    """Delete one set, unless it is no longer old, was deleted meanwhile, or its person is on hold by now."""

    def delete(transaction: Transaction) -> Deletions:
        turn = turn_of(desk, tenant, caller, transaction)
        person = lock_subject(transaction, tenant.tenant_id, old.subject_id)
        # All is checked again under the person's lock: since the page was read a reading or a hold may have come in.
        row = find_set(transaction, tenant.tenant_id, old.set_id)
        is_held = rows.find_hold(transaction, tenant.tenant_id, old.subject_id) is not None
        if row is None or is_held or row.closed_at is None or max(row.taken_to, row.touched_at) >= before:
            return Deletions()
        done = Deletions(sets=1, payloads=delete_set(turn, row, rows.delete_payload_if_spent))
        if person is not None and is_over(turn, person, before):
            delete_person_row(turn, person)
            done.subjects = 1
        return done

    return await desk.store.write(tenant.tenant_id, delete, order=order_of_set(old.set_id))


def is_over(turn: UnitOfWork, person: SubjectRow, before: datetime) -> bool:
    """True if only the person's row is left, and the registry has not been changed since the moment."""
    key = (turn.transaction, person.tenant_id, person.subject_id)
    return not rows.has_sets(*key) and not rows.was_saved_since(*key, before)


async def delete_old_subjects(desk: AppContext, tenant: Tenant, caller: Caller, before: datetime) -> int:
    """Delete people who have no sets and no change since a moment, and return their number."""

    def delete(transaction: Transaction, subject_id: UUID) -> int:
        person = lock_subject(transaction, tenant.tenant_id, subject_id)
        turn = turn_of(desk, tenant, caller, transaction)
        is_held = rows.find_hold(transaction, tenant.tenant_id, subject_id) is not None
        if person is None or is_held or person.updated_at >= before or not is_over(turn, person, before):
            return 0
        delete_person_row(turn, person)
        return 1

    def find(snapshot: Transaction) -> list[UUID]:
        return rows.subjects_without_sets(snapshot, tenant.tenant_id, before, AT_ONCE)

    deleted, last = 0, AT_ONCE
    while last == AT_ONCE:
        found = await desk.store.read(tenant.tenant_id, find)
        work = (
            desk.store.write(tenant.tenant_id, partial(delete, subject_id=one), order=order_of_subject(one)) for one in found
        )
        # A round that deleted fewer than a full page ends it: those that cannot go now would be found again for ever.
        last = sum(await asyncio.gather(*work))
        deleted += last
    return deleted


async def delete_old_payloads(desk: AppContext, tenant: Tenant, caller: Caller, before: datetime) -> int:
    """Delete the payloads received before a moment from which no set was made, refused ones too, and return their number."""

    def delete(transaction: Transaction) -> int:
        turn = turn_of(desk, tenant, caller, transaction)
        found = rows.payloads_received_before(transaction, tenant.tenant_id, before, AT_ONCE)
        for payload_id in found:
            rows.delete_payload(transaction, tenant.tenant_id, payload_id)
            note(transaction, caller, "delete-payload", turn.now)
        return len(found)

    deleted, last = 0, AT_ONCE
    while last == AT_ONCE:
        last = await desk.store.write(tenant.tenant_id, delete)
        deleted += last
    return deleted


async def erase(desk: AppContext, caller: Caller, wanted: str) -> Erased:
    """Delete a person and everything stored about them.

    This includes open sets, payloads that concern the person or that could not be read and name them, their place in groups and
    among the users of devices, and the tenant's exports, whose files may contain them.

    Raises:
        NotFound: nobody of this tenant.
        Deleted: somebody who is deleted already.
        Conflict: ``on-hold``.
    """
    tenant, subject_id = await desk.tenants.get(caller.tenant_id), read_id(wanted)
    known = await find_person(desk, tenant, subject_id)
    # Before the transaction: the search reads every uncertain payload, too long to hold a write lock for.
    naming = [] if known is None else await payloads_naming(desk, tenant, words_of(tenant, known))

    def delete(transaction: Transaction) -> Erased:
        turn = turn_of(desk, tenant, caller, transaction)
        person = lock_subject(transaction, tenant.tenant_id, subject_id)
        if person is None:
            raise missing_subject(transaction, tenant.tenant_id, subject_id)
        if rows.find_hold(transaction, tenant.tenant_id, subject_id) is not None:
            raise Conflict("on-hold", "The person's data is held; release it first.")
        return erase_rows(turn, person, naming)

    done = await desk.store.write(tenant.tenant_id, delete, order=order_of_subject(subject_id))
    await desk.store.empty_log()
    return done


def erase_rows(turn: UnitOfWork, person: SubjectRow, naming: list[UUID]) -> Erased:
    """Delete all rows of a person and the payloads that name them."""
    key = (turn.transaction, turn.tenant.tenant_id)
    done = Erased(subjects=1, rows=rows_of_subject(*key, person.subject_id), words=words_of(turn.tenant, person))
    payload_ids = {*payloads_of_subject(*key, person.subject_id), *naming}
    for set_id in rows.sets_of_subject(*key, person.subject_id):
        row = find_set(*key, set_id)
        if row is not None:
            done.add(Deletions(sets=1, payloads=delete_set(turn, row, rows.delete_payload)))
    done.payloads += sum(rows.delete_payload(*key, payload_id) for payload_id in sorted(payload_ids))
    delete_person_row(turn, person)
    identifier = Identifier(system=person.system, value=person.value)
    done.groups, done.devices = forget_identifier(turn, identifier), forget_user(turn, identifier)
    done.exports = delete_exports(*key)
    return done


def delete_set(turn: UnitOfWork, row: SetRow, delete_payload: Callable[[Transaction, int, UUID], bool]) -> int:
    """Delete a set and those of its payloads that go with it; return the number of payloads deleted."""
    # Before the rows go: whether the person was in a group can no longer be told from what is left.
    remember_groups(turn, row.subject_id)
    payload_ids = rows.delete_set(turn.transaction, row, turn.now)
    note(
        *(turn.transaction, turn.caller, "delete-set", turn.now),
        subject_id=row.subject_id,
        set_id=row.set_id,
        version=row.version,
    )
    return sum(delete_payload(turn.transaction, row.tenant_id, payload_id) for payload_id in payload_ids)


def delete_person_row(turn: UnitOfWork, person: SubjectRow) -> None:
    remember_groups(turn, person.subject_id)
    rows.delete_subject(turn.transaction, person, turn.now)
    who = person.subject_id
    note(turn.transaction, turn.caller, "delete-subject", turn.now, subject_id=who, version=person.version)


async def hold(desk: AppContext, caller: Caller, wanted: str, reason: str) -> bool:
    """Protect a person's data from deletion until it is released. False if it is protected already.

    Raises:
        NotFound: nobody of this tenant.
        Deleted: somebody who is deleted.
    """
    tenant, subject_id = await desk.tenants.get(caller.tenant_id), read_id(wanted)

    def save(transaction: Transaction) -> bool:
        turn = turn_of(desk, tenant, caller, transaction)
        if lock_subject(transaction, tenant.tenant_id, subject_id) is None:
            raise missing_subject(transaction, tenant.tenant_id, subject_id)
        is_new = rows.save_hold(transaction, Hold(tenant.tenant_id, subject_id, reason, caller.actor, turn.now))
        if is_new:
            note(transaction, caller, "hold-subject", turn.now, subject_id=subject_id)
        return is_new

    return await desk.store.write(tenant.tenant_id, save, order=order_of_subject(subject_id))


async def release(desk: AppContext, caller: Caller, wanted: str) -> bool:
    """End the protection of a person's data. False if there was none."""
    tenant, subject_id = await desk.tenants.get(caller.tenant_id), read_id(wanted)

    def end(transaction: Transaction) -> bool:
        was_held = rows.end_hold(transaction, tenant.tenant_id, subject_id)
        if was_held:
            note(transaction, caller, "release-subject", now(desk), subject_id=subject_id)
        return was_held

    return await desk.store.write(tenant.tenant_id, end, order=order_of_subject(subject_id))


async def list_holds(desk: AppContext, caller: Caller) -> list[Hold]:
    """Holds on people's data, the oldest first."""
    return await desk.store.read(caller.tenant_id, lambda snapshot: rows.all_holds(snapshot, caller.tenant_id))


async def delete_what_is_over(desk: AppContext) -> Deletions:
    """Delete what is older than each tenant keeps, at most some hundred sets a tenant, so that nobody waits long."""
    done = Deletions()
    for tenant_id in await desk.store.read(NO_TENANT, all_tenant_ids):
        tenant = await desk.tenants.get(tenant_id)
        if tenant.settings.keep_years is not None:
            caller = Caller(tenant_id=tenant_id, actor=SERVICE, request_id=str(uuid4()))
            before = years_before(now(desk), tenant.settings.keep_years)
            done.add(await delete_old(desk, caller, before, most=MOST_A_ROUND))
    if done.sets or done.subjects or done.payloads:
        # SQLite's log still holds the deleted pages until it is emptied; once a round is enough.
        await desk.store.empty_log()
    return done


def years_before(moment: datetime, years: int) -> datetime:
    """The same moment so many years earlier; 29 February becomes 28 February if that year has no such day."""
    year = moment.year - years
    try:
        return moment.replace(year=year)
    except ValueError:
        return moment.replace(year=year, day=28)
