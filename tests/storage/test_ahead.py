"""Rows read ahead for a whole group: the same as asked for one by one, found through the same indexes, forgotten in time."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Collection, Sequence
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest
from sqlalchemy.util import await_only

from quietcuff.core.model.errors import Busy
from quietcuff.storage.engine.read_ahead import Key, KeyedQuery
from quietcuff.storage.engine.store import Store, open_store
from quietcuff.storage.engine.transactions import Job, ReadAhead, Transaction, rounds_of
from quietcuff.storage.rows import payloads, sitting_lookups, subjects
from quietcuff.storage.rows.subjects import SubjectRow, lock_subject
from storage.rows import NOON, insert, subject_row
from storage.test_plans import CLINIC, PEOPLE, filled, plan_of

__all__ = ["filled"]
EVERYBODY = [UUID(int=person << 120) for person in range(PEOPLE)]
NOBODY = UUID(int=0xFF << 120)
DAYS = [NOON + timedelta(days=days) for days in (-1, 5, 50)]


async def test_a_group_finds_the_history_that_each_person_would_find(filled: Store) -> None:
    def compare(transaction: Transaction) -> None:
        keys: Collection[Key] = [(person, day) for person in (*EVERYBODY, NOBODY) for day in DAYS]
        alone = {
            key: sitting_lookups.earlier_sittings(transaction, CLINIC, key[0], taken_before=key[1], other_than=UUID(int=0))
            for key in keys
        }
        assert sitting_lookups.EARLIER.read_ahead(transaction, CLINIC, keys) == alone
        assert {len(rows) for rows in alone.values()} == {0, 5, 50}

    await filled.read(CLINIC, compare)


@pytest.mark.parametrize("count", [1, 2, 3, 64, 300])
async def test_people_are_found_for_a_group_of_any_size(store: Store, count: int) -> None:
    rows = [subject_row(CLINIC) for _ in range(count)]
    await store.write(CLINIC, lambda transaction: [insert(row)(transaction) for row in rows])

    def look(transaction: Transaction) -> dict[Key, list[SubjectRow]]:
        found = subjects.LOCK.read_ahead(transaction, CLINIC, [(row.subject_id,) for row in rows] + [(NOBODY,)])
        # A row of another group's making is not seen now: this round's answers are fixed.
        assert [lock_subject(transaction, CLINIC, row.subject_id) for row in rows] == rows
        assert lock_subject(transaction, CLINIC, NOBODY) is None
        return found

    assert await store.write(CLINIC, look) == {**{(row.subject_id,): [row] for row in rows}, (NOBODY,): []}


@pytest.mark.parametrize(
    ("query", "bounds"),
    [
        (payloads.MEASURED, "(tenant_id=? AND taken_at=? AND subject_id=?)"),
        (payloads.BROUGHT, "ix_reading_source (tenant_id=? AND subject_id=? AND source_key>?)"),
        (subjects.LOCK, "(tenant_id=? AND subject_id=?)"),
        (sitting_lookups.EARLIER, "ix_reading_set_subject_taken (tenant_id=? AND subject_id=? AND taken_from<?)"),
    ],
    ids=["measured", "brought", "people", "history"],
)
async def test_sqlite_enters_an_index_with_every_key(sqlite_url: str, query: KeyedQuery[Any], bounds: str) -> None:
    def explain(transaction: Transaction) -> str:
        plan, values = query.plan_of_many(transaction.dialect, 4), {"tenant_id": CLINIC}
        for place in range(4):
            given = (EVERYBODY[place], NOON)
            values |= {f"{name}_{place}": part for name, part in zip(query._key, given, strict=False)}
        return plan_of(plan.text, plan.arguments(values))(transaction)

    store = open_store(sqlite_url)
    assert bounds in await store.read(CLINIC, explain)
    await store.close()


async def test_postgresql_enters_the_index_of_history_once_a_person(filled: Store) -> None:
    def explain(transaction: Transaction) -> str:
        if transaction.dialect.name == "sqlite":
            return "ix_reading_set_subject_taken"
        plan, values = sitting_lookups.EARLIER.plan_of_many(transaction.dialect, 4), {"tenant_id": CLINIC}
        for place in range(4):
            values |= {f"subject_id_{place}": EVERYBODY[place], f"taken_before_{place}": NOON}
        return plan_of(plan.text, plan.arguments(values))(transaction)

    found = await filled.read(CLINIC, explain)
    assert "ix_reading_set_subject_taken" in found
    assert "Seq Scan on reading_set" not in found


async def test_nothing_is_asked_again_and_all_is_forgotten_after_the_round(store: Store) -> None:
    person = subject_row(CLINIC)
    seen: list[bool] = []

    def read(transaction: Transaction, tenant_id: int, wanted: Sequence[Any]) -> None:
        subjects.LOCK.read_ahead(transaction, tenant_id, [(one,) for one in wanted])

    def work(transaction: Transaction) -> None:
        seen.append(lock_subject(transaction, CLINIC, person.subject_id) is not None)
        if not seen[-1]:
            subjects.insert_subject(transaction, person)
            # Written later, and read ahead before: this work is told the same until its round ends.
            assert lock_subject(transaction, CLINIC, person.subject_id) is None

    ahead = ReadAhead(wanted=person.subject_id, read=read)
    order = person.subject_id.bytes
    await asyncio.gather(*(store.write(CLINIC, work, order=order, ahead=ahead) for _ in range(3)))
    assert seen == [False, True, True]


def job(tenant: int, place: str, ahead: bool) -> Job:
    reads = ReadAhead(wanted=None, read=never) if ahead else None
    return Job(tenant_id=tenant, order=place.encode() * 2, work=lambda transaction: None, ahead=reads)


def never(transaction: Transaction, tenant_id: int, wanted: Sequence[Any]) -> None:
    raise AssertionError


@pytest.mark.parametrize(
    ("jobs", "rounds"),
    [
        ("1a+ 1b+ 1c+", [[0, 1, 2]]),
        ("1a+ 1a+ 1a+ 1b+ 1b+ 1c+", [[0, 3, 5], [1, 4], [2]]),
        ("1a+ 1b+ 2a+ 2b+", [[0, 1], [2, 3]]),
        ("1a 1b 1b 1c", [[0, 1], [2, 3]]),
        ("1a+ 1b 1c+ 1c+", [[0], [1], [2], [3]]),
        ("1a 1a 1a", [[0], [1], [2]]),
    ],
)
def test_a_round_touches_no_row_twice_and_keeps_the_order_of_each(jobs: str, rounds: list[list[int]]) -> None:
    assert rounds_of([job(int(one[0]), one[1], one.endswith("+")) for one in jobs.split()]) == rounds


async def test_a_person_whom_another_process_holds_keeps_nobody_else_waiting(postgresql_url: str) -> None:
    first, second = open_store(postgresql_url), open_store(postgresql_url)
    people = sorted((subject_row(CLINIC) for _ in range(8)), key=lambda row: row.subject_id)
    for row in people:
        await first.write(CLINIC, insert(row))
    held, go_on = asyncio.Event(), asyncio.Event()

    def hold(transaction: Transaction) -> None:
        lock_subject(transaction, CLINIC, people[3].subject_id)
        held.set()
        await_only(go_on.wait())

    def read(transaction: Transaction, tenant_id: int, wanted: Sequence[Any]) -> None:
        subjects.LOCK.read_ahead(transaction, tenant_id, sorted((one,) for one in wanted))

    def lock(row: SubjectRow) -> Callable[[Transaction], bool]:
        return lambda transaction: lock_subject(transaction, CLINIC, row.subject_id) is not None

    holding = asyncio.create_task(first.write(CLINIC, hold))
    await held.wait()
    answers = await asyncio.gather(
        *(
            second.write(CLINIC, lock(row), order=row.subject_id.bytes, ahead=ReadAhead(wanted=row.subject_id, read=read))
            for row in people
        ),
        return_exceptions=True,
    )
    go_on.set()
    await holding
    assert [type(answer) for answer in answers] == [Busy if place == 3 else bool for place in range(8)]
    for store in (first, second):
        await store.close()
