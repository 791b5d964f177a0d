"""Groups: named, stored filters of people, to which an export may be narrowed."""

from __future__ import annotations

from datetime import UTC, date, datetime
from uuid import UUID, uuid4

import msgspec

from quietcuff.application.context import AppContext, Caller, UnitOfWork, note, now
from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.errors import Conflict, Fault, NotAcceptable, NotFound
from quietcuff.core.model.readings import Identifier
from quietcuff.core.model.registry import GroupFilter, NewGroup
from quietcuff.storage.bulk.groups import (
    GroupRow,
    Members,
    SittingFilter,
    change_group,
    count_groups,
    count_members,
    delete_group,
    find_group,
    insert_group,
    is_member,
    list_groups,
    save_former,
)
from quietcuff.storage.engine.ids import read_id, subject_id
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows.tenants import Tenant

MOST_GROUPS = 1_000
FILTER = DocumentDecoder(GroupFilter)
ENCODER = msgspec.json.Encoder()


class Group(GroupFilter, frozen=True, kw_only=True):
    """A group as answered; ``people`` is how many belong to it now, null in a list."""

    id: str
    name: str
    created_at: datetime
    people: int | None


async def save_group(desk: AppContext, caller: Caller, new: NewGroup) -> Group:
    """Store a group.

    Raises:
        NotAcceptable: it says nothing of who belongs to it, or its days are in the wrong order.
        Conflict: there are as many groups as a tenant may have.
    """
    check_filter(new)
    tenant = await desk.tenants.get(caller.tenant_id)
    values = {name: getattr(new, name) for name in GroupFilter.__struct_fields__}
    made = GroupFilter(**values)
    moment = now(desk)
    row = GroupRow(tenant.tenant_id, uuid4(), new.name, ENCODER.encode(made), caller.actor, moment)

    def save(transaction: Transaction) -> int:
        # Counted in the writing transaction, so that requests that share a commit see each other's groups.
        if count_groups(transaction, tenant.tenant_id) >= MOST_GROUPS:
            raise Conflict("too-many-groups", f"At most {MOST_GROUPS} groups; delete one first.")
        insert_group(transaction, row)
        note(transaction, caller, "create-group", moment)
        return count_members(transaction, tenant.tenant_id, members_of(tenant, made))

    return group_of(row, await desk.store.write(tenant.tenant_id, save))


def check_filter(new: NewGroup) -> None:
    """Refuse a filter that is empty, and a range of days that is empty.

    Raises:
        NotAcceptable: either.
    """
    faults = []
    if all(getattr(new, name) is None for name in GroupFilter.__struct_fields__):
        detail = f"At least one of {', '.join(GroupFilter.__struct_fields__)}."
        faults.append(Fault(pointer="", code="missing", detail=detail))
    if new.taken_from is not None and new.taken_until is not None and new.taken_from >= new.taken_until:
        faults.append(Fault(pointer="/taken_until", code="wrong-order", detail="A day after taken_from."))
    if faults:
        raise NotAcceptable(faults)


async def read_group(desk: AppContext, caller: Caller, group_id: str) -> Group:
    """A group, with the number of people in it now.

    Raises:
        NotFound: the tenant has none of that id.
    """
    tenant, key = await desk.tenants.get(caller.tenant_id), read_id(group_id)

    def read(snapshot: Transaction) -> Group | None:
        row = find_group(snapshot, tenant.tenant_id, key)
        if row is None:
            return None
        return group_of(row, count_members(snapshot, tenant.tenant_id, members_of(tenant, FILTER.decode(row.filter))))

    found = await desk.store.read(tenant.tenant_id, read)
    if found is None:
        raise NotFound("group")
    return found


async def list_all_groups(desk: AppContext, caller: Caller) -> list[Group]:
    """Every group of the tenant, by name."""
    rows = await desk.store.read(caller.tenant_id, lambda snapshot: list_groups(snapshot, caller.tenant_id))
    return [group_of(row, None) for row in rows]


async def forget_group(desk: AppContext, caller: Caller, group_id: str) -> None:
    """Delete a group; no person's data changes.

    Raises:
        NotFound: the tenant has none of that id.
    """
    key, moment = read_id(group_id), now(desk)

    def forget(transaction: Transaction) -> None:
        if not delete_group(transaction, caller.tenant_id, key):
            raise NotFound("group")
        note(transaction, caller, "delete-group", moment)

    await desk.store.write(caller.tenant_id, forget)


def forget_identifier(turn: UnitOfWork, identifier: Identifier) -> int:
    """Remove an identifier from every group that names it, and return the number of those groups. A group that named only this
    person is deleted, because without names its filter would match other people."""
    found = 0
    for row in list_groups(turn.transaction, turn.tenant.tenant_id):
        said = FILTER.decode(row.filter)
        if said.identifiers is None or identifier not in said.identifiers:
            continue
        found += 1
        others = [one for one in said.identifiers if one != identifier]
        if others:
            less = ENCODER.encode(msgspec.structs.replace(said, identifiers=others))
            change_group(turn.transaction, row.tenant_id, row.group_id, less)
        else:
            delete_group(turn.transaction, row.tenant_id, row.group_id)
            note(turn.transaction, turn.caller, "delete-group", turn.now)
    return found


def remember_groups(turn: UnitOfWork, person: UUID) -> None:
    """Record the groups that a person belongs to, before any of their data is deleted, so that only the exports of those groups
    report the deletion."""
    for row in list_groups(turn.transaction, turn.tenant.tenant_id):
        if is_member(turn.transaction, row.tenant_id, members_of(turn.tenant, FILTER.decode(row.filter)), person):
            save_former(turn.transaction, row.tenant_id, row.group_id, person)


async def members_of_group(desk: AppContext, caller: Caller, group_id: str) -> Members:
    """Members of a group.

    Raises:
        NotFound: the tenant has none of that id.
    """
    tenant, key = await desk.tenants.get(caller.tenant_id), read_id(group_id)
    row = await desk.store.read(tenant.tenant_id, lambda snapshot: find_group(snapshot, tenant.tenant_id, key))
    if row is None:
        raise NotFound("group")
    return msgspec.structs.replace(members_of(tenant, FILTER.decode(row.filter)), group_id=row.group_id)


def members_of(tenant: Tenant, said: GroupFilter) -> Members:
    """A group's filter in the terms of the store."""
    sittings = SittingFilter(
        since=day_start(tenant, said.taken_from),
        until=day_start(tenant, said.taken_until),
        location=None if said.location is None else said.location.text,
        protocol=said.protocol,
        setting=said.setting,
    )
    return Members(
        subject_ids=None if said.identifiers is None else ids_of(tenant, said.identifiers),
        sittings=None if sittings == SittingFilter() else sittings,
    )


def ids_of(tenant: Tenant, identifiers: list[Identifier]) -> frozenset[UUID]:
    return frozenset(subject_id(tenant.secret, identifier) for identifier in identifiers)


def day_start(tenant: Tenant, day: date | None) -> datetime | None:
    """The first moment of a day in the tenant's zone."""
    # The tenant's midnight and not that of UTC: a day of a filter is the day that the clinic calls so.
    return None if day is None else datetime(day.year, day.month, day.day, tzinfo=tenant.zone).astimezone(UTC)


def group_of(row: GroupRow, people: int | None) -> Group:
    said = msgspec.structs.asdict(FILTER.decode(row.filter))
    return Group(id=str(row.group_id), name=row.name, created_at=row.created_at, people=people, **said)
