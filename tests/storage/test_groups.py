"""Groups of two tenants whose every id is equal: each counts, changes, remembers and deletes its own alone.

On SQLite the filters of the statements are the only wall. On PostgreSQL row security stands behind them, so that a filter that
is missing is seen here on SQLite.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any
from uuid import UUID

import msgspec
import pytest
from sqlalchemy import select

from quietcuff.storage.bulk import groups
from quietcuff.storage.bulk.groups import GroupRow, Members, SittingFilter
from quietcuff.storage.engine.statements import write_waiting
from quietcuff.storage.engine.store import Store
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows.reading_sets import insert_set
from quietcuff.storage.rows.retention import Between, delete_subject, subjects_deleted
from quietcuff.storage.rows.subjects import DeletedSubject
from quietcuff.storage.schema.bulk import group_former
from storage.rows import NOON, insert, subject_row
from storage.test_plans import set_row

OURS, THEIRS = 1, 2
GROUP, OTHER = UUID(int=11), UUID(int=12)
PERSON, STRANGER = (UUID(int=number << 120) for number in (1, 2))
ROOM = SittingFilter(location="urn:example:room|4")


def group(tenant_id: int, group_id: UUID, said: bytes) -> GroupRow:
    return GroupRow(tenant_id, group_id, f"group of {tenant_id}", said, "key:test", NOON)


def sitting(tenant_id: int, person: int, location: str | None) -> Callable[[Transaction], None]:
    row = msgspec.structs.replace(set_row(person, 1), tenant_id=tenant_id, location=location)
    return lambda transaction: insert_set(transaction, row)


@pytest.fixture
async def two(store: Store) -> Store:
    """The same group and people twice. Theirs has a second group, a sitting in the room, and a stranger who was a member."""
    for tenant_id in (OURS, THEIRS):

        def fill(transaction: Transaction, tenant_id: int = tenant_id) -> None:
            groups.insert_group(transaction, group(tenant_id, GROUP, b"{}"))
            for person in (PERSON, STRANGER):
                insert(msgspec.structs.replace(subject_row(tenant_id, person), value=str(person)))(transaction)
            sitting(tenant_id, 1, ROOM.location if tenant_id == THEIRS else None)(transaction)
            if tenant_id == THEIRS:
                groups.insert_group(transaction, group(tenant_id, OTHER, b"{}"))
            groups.save_former(transaction, tenant_id, GROUP, STRANGER if tenant_id == THEIRS else PERSON)
            write_waiting(transaction)

        await store.write(tenant_id, fill)
    return store


async def of(store: Store, tenant_id: int, work: Callable[..., Any], *arguments: Any) -> Any:
    return await store.write(tenant_id, lambda transaction: work(transaction, tenant_id, *arguments))


def filters(transaction: Transaction, tenant_id: int) -> list[bytes]:
    return [row.filter for row in groups.list_groups(transaction, tenant_id)]


def former(transaction: Transaction, tenant_id: int) -> set[UUID]:
    found = transaction.execute(select(group_former.c.subject_id).where(group_former.c.tenant_id == tenant_id))
    return {person for (person,) in found}


async def test_each_counts_and_lists_its_own(two: Store) -> None:
    assert [await of(two, tenant_id, groups.count_groups) for tenant_id in (OURS, THEIRS)] == [1, 2]
    assert [len(await of(two, tenant_id, groups.list_groups)) for tenant_id in (OURS, THEIRS)] == [1, 2]
    assert await of(two, OURS, groups.find_group, OTHER) is None
    assert (await of(two, OURS, groups.find_group, GROUP)).name == "group of 1"
    assert (await of(two, THEIRS, groups.find_group, GROUP)).name == "group of 2"


async def test_a_change_is_of_ones_own_group_alone(two: Store) -> None:
    await of(two, OURS, groups.change_group, GROUP, b'{"changed":1}')
    assert await of(two, OURS, filters) == [b'{"changed":1}'] and await of(two, THEIRS, filters) == [b"{}", b"{}"]
    await of(two, OURS, groups.change_group, OTHER, b'{"changed":2}')
    assert await of(two, THEIRS, filters) == [b"{}", b"{}"]


async def test_a_change_is_of_one_group_alone(two: Store) -> None:
    await of(two, THEIRS, groups.change_group, OTHER, b'{"changed":3}')
    assert sorted(await of(two, THEIRS, filters)) == [b'{"changed":3}', b"{}"]


async def test_what_is_deleted_is_ones_own_with_its_former_members(two: Store) -> None:
    assert not await of(two, OURS, groups.delete_group, OTHER)
    assert await of(two, OURS, groups.delete_group, GROUP)
    assert [await of(two, tenant_id, groups.count_groups) for tenant_id in (OURS, THEIRS)] == [0, 2]
    assert [await of(two, tenant_id, former) for tenant_id in (OURS, THEIRS)] == [set(), {STRANGER}]
    # Of one group alone, too.
    assert await of(two, THEIRS, groups.delete_group, OTHER)
    assert await of(two, THEIRS, former) == {STRANGER} and await of(two, THEIRS, groups.count_groups) == 1


@pytest.mark.parametrize(
    ("members", "counts"),
    [
        (Members(), (2, 2)),
        (Members(subject_ids=frozenset([PERSON])), (1, 1)),
        (Members(sittings=ROOM), (0, 1)),
        (Members(subject_ids=frozenset([PERSON]), sittings=ROOM), (0, 1)),
        (Members(subject_ids=frozenset([STRANGER]), sittings=ROOM), (0, 0)),
        (Members(sittings=SittingFilter(protocol="office-both-arms")), (1, 1)),
    ],
)
async def test_members_are_ones_own(two: Store, members: Members, counts: tuple[int, int]) -> None:
    """A sitting of the same person at the other tenant makes nobody a member here."""
    assert tuple([await of(two, tenant_id, groups.count_members, members) for tenant_id in (OURS, THEIRS)]) == counts
    is_in = [
        [await of(two, tenant_id, groups.is_member, members, person) for person in (PERSON, STRANGER)].count(True)
        for tenant_id in (OURS, THEIRS)
    ]
    assert tuple(is_in) == counts


def delete_both(transaction: Transaction, tenant_id: int) -> None:
    for person in (PERSON, STRANGER):
        delete_subject(transaction, msgspec.structs.replace(subject_row(tenant_id, person), value=str(person)), NOON)


async def test_of_what_was_deleted_each_group_is_told_of_its_own_former_members(two: Store) -> None:
    """Both people were deleted; of the group, one was a former member here and the other there."""
    told = []
    for tenant_id in (OURS, THEIRS):
        # At the other tenant they are still there the first time.
        await of(two, tenant_id, delete_both)
        members = Members(subject_ids=frozenset(), group_id=GROUP)
        day = timedelta(days=1)
        between = Between(tenant_id=tenant_id, members=members, since=NOON - day, at=NOON + day)
        found: list[DeletedSubject] = await two.read(tenant_id, lambda snapshot, of=between: subjects_deleted(snapshot, of, 9))
        told.append([one.subject_id for one in found])
    assert told == [[PERSON], [STRANGER]]
