"""The store: what waits together shares a commit, and each caller gets the outcome of its own work only."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Awaitable, Callable, Sequence
from typing import Any

import pytest
from sqlalchemy.exc import DBAPIError

from quietcuff.core.model.errors import Busy, Conflict, StoreNotUsable
from quietcuff.storage.engine.database import refuse_several_workers
from quietcuff.storage.engine.store import DEADLINE, LARGEST_GROUP, Deadline, Store, open_store
from quietcuff.storage.engine.transactions import Job, JobOutcome, RunAgain, Transaction
from storage.rows import count_subjects, insert, subject_row

CLINIC = 1


def watch_groups(store: Store) -> list[int]:
    """The size of each group that the store runs from now on."""
    sizes: list[int] = []
    run: Callable[[Sequence[Job]], Awaitable[list[JobOutcome]]] = store._backend.run_group

    async def note(jobs: Sequence[Job]) -> list[JobOutcome]:
        sizes.append(len(jobs))
        return await run(jobs)

    store._backend.run_group = note  # type: ignore[method-assign]
    return sizes


async def test_what_arrives_together_shares_a_commit(store: Store) -> None:
    sizes = watch_groups(store)
    works = [insert(subject_row(CLINIC)) for _ in range(LARGEST_GROUP)]
    assert await asyncio.gather(*(store.write(CLINIC, work) for work in works)) == [True] * LARGEST_GROUP
    assert sizes == [LARGEST_GROUP]
    assert await store.read(CLINIC, count_subjects) == LARGEST_GROUP


async def test_a_writer_that_is_alone_takes_larger_groups(store: Store) -> None:
    sizes = watch_groups(store)
    works = [insert(subject_row(CLINIC)) for _ in range(3 * LARGEST_GROUP)]
    await asyncio.gather(*(store.write(CLINIC, work) for work in works))
    assert sizes[0] == (2 * LARGEST_GROUP if store._backend.writers == 1 else LARGEST_GROUP)
    assert await store.read(CLINIC, count_subjects) == sum(sizes) == 3 * LARGEST_GROUP


async def test_an_answer_comes_after_the_commit_that_holds_it(store: Store, database_url: str) -> None:
    other = open_store(database_url)
    for stored in range(1, 6):
        await store.write(CLINIC, insert(subject_row(CLINIC)))
        assert await other.read(CLINIC, count_subjects) == stored
    await other.close()


async def test_work_that_comes_right_after_an_answer_is_done(store: Store) -> None:
    for _ in range(50):
        await asyncio.wait_for(store.write(CLINIC, insert(subject_row(CLINIC))), timeout=10)
    assert await store.read(CLINIC, count_subjects) == 50


def fails_after_writing(transaction: Transaction) -> None:
    insert(subject_row(CLINIC))(transaction)
    raise RuntimeError("a defect")


def refuses_after_writing(transaction: Transaction) -> None:
    insert(subject_row(CLINIC))(transaction)
    raise Conflict("set-closed", "The set is closed.")


def breaks_the_schema(transaction: Transaction) -> None:
    transaction.exec_driver_sql("INSERT INTO subject (tenant_id) VALUES (1)")


def finds_it_is_no_longer_so(transaction: Transaction) -> None:
    raise RunAgain


@pytest.mark.parametrize(
    ("bad", "error"),
    [
        (fails_after_writing, RuntimeError),
        (refuses_after_writing, Conflict),
        (breaks_the_schema, DBAPIError),
        (finds_it_is_no_longer_so, RunAgain),
    ],
)
async def test_one_bad_neighbour_of_64_harms_nobody(
    store: Store, bad: Callable[[Transaction], None], error: type[Exception]
) -> None:
    works: list[Callable[[Transaction], Any]] = [insert(subject_row(CLINIC)) for _ in range(LARGEST_GROUP)]
    works[17] = bad
    answers = await asyncio.gather(*(store.write(CLINIC, work) for work in works), return_exceptions=True)
    assert isinstance(answers.pop(17), error)
    assert answers == [True] * 63
    assert await store.read(CLINIC, count_subjects) == 63


async def test_a_refusal_that_wrote_nothing_repeats_nobody(store: Store) -> None:
    runs = []

    def refuse(transaction: Transaction) -> None:
        runs.append("refused")
        raise Conflict("set-closed", "The set is closed.")

    def work(transaction: Transaction) -> bool:
        runs.append("done")
        return insert(subject_row(CLINIC))(transaction)

    answers = await asyncio.gather(
        store.write(CLINIC, work), store.write(CLINIC, refuse), store.write(CLINIC, work), return_exceptions=True
    )
    assert [type(answer) for answer in answers] == [bool, Conflict, bool]
    assert sorted(runs) == ["done", "done", "refused"]
    assert await store.read(CLINIC, count_subjects) == 2


async def test_work_done_again_sees_what_was_stored_meanwhile(store: Store) -> None:
    runs = []

    def work(transaction: Transaction) -> int:
        runs.append("run")
        if len(runs) < 3:
            raise RunAgain
        return count_subjects(transaction)

    assert await store.write(CLINIC, work) == 0
    assert len(runs) == 3


async def test_a_failed_group_leaves_the_store_working(store: Store) -> None:
    for _ in range(3):
        with pytest.raises(RuntimeError, match="a defect"):
            await store.write(CLINIC, fails_after_writing)
    assert await store.write(CLINIC, insert(subject_row(CLINIC)))
    assert await store.read(CLINIC, count_subjects) == 1


async def test_readers_cannot_write(store: Store) -> None:
    with pytest.raises(DBAPIError):
        await store.read(CLINIC, insert(subject_row(CLINIC)))
    assert await store.read(CLINIC, count_subjects) == 0


async def test_a_reader_sees_one_moment(store: Store) -> None:
    may_go_on = threading.Event()

    def read_twice(transaction: Transaction) -> tuple[int, int]:
        before = count_subjects(transaction)
        if transaction.dialect.name == "sqlite":
            may_go_on.wait(10)
        else:
            transaction.exec_driver_sql("SELECT pg_sleep(0.3)")
        return before, count_subjects(transaction)

    reading = asyncio.create_task(store.read(CLINIC, read_twice))
    await asyncio.sleep(0.1)
    await store.write(CLINIC, insert(subject_row(CLINIC)))
    may_go_on.set()
    assert await reading == (0, 0)


async def test_a_queue_that_takes_too_long_is_told_as_busy(store: Store) -> None:
    """By how long work took so far: of pieces of a tenth of a second a hundred may wait, of quick ones 2,000."""
    assert await asyncio.gather(*(store.write(CLINIC, count_subjects) for _ in range(2_000))) == [0] * 2_000
    store._seconds_a_job = 0.1
    waiting = [asyncio.create_task(store.write(CLINIC, count_subjects)) for _ in range(200)]
    await asyncio.sleep(0)
    told = await asyncio.gather(*waiting, return_exceptions=True)
    busy = [one for one in told if isinstance(one, Busy)]
    assert 90 <= len(busy) <= 110 and all(one.retry_after_seconds >= 1 for one in busy)
    assert await store.write(CLINIC, count_subjects) == 0


async def test_one_slow_commit_turns_nobody_away(store: Store) -> None:
    """A job alone takes as long as its commit; those that wait behind it share the next ones."""
    await store.write(CLINIC, lambda transaction: time.sleep(0.3))
    assert await asyncio.gather(*(store.write(CLINIC, count_subjects) for _ in range(200))) == [0] * 200


async def test_work_whose_deadline_is_over_is_not_begun(store: Store) -> None:
    begun = []

    async def ask(seconds: float) -> int:
        DEADLINE.set(Deadline(seconds))
        return await store.write(CLINIC, lambda transaction: begun.append(1) or count_subjects(transaction))

    async def look(seconds: float) -> int:
        DEADLINE.set(Deadline(seconds))
        return await store.read(CLINIC, count_subjects)

    answers = await asyncio.gather(
        *(asyncio.create_task(work(seconds)) for work in (ask, look) for seconds in (-1.0, 60.0)), return_exceptions=True
    )
    assert [type(answer) for answer in answers] == [Busy, int, Busy, int]
    assert len(begun) == 1


async def test_closing_finishes_what_waits_and_takes_nothing_more(database_url: str) -> None:
    store = open_store(database_url)
    waiting = [asyncio.create_task(store.write(CLINIC, insert(subject_row(CLINIC)))) for _ in range(200)]
    await asyncio.sleep(0)
    await store.close()
    assert await asyncio.gather(*waiting) == [True] * 200
    with pytest.raises(Busy):
        await store.write(CLINIC, count_subjects)


async def test_a_caller_that_goes_away_harms_nobody(store: Store) -> None:
    leaving = asyncio.create_task(store.write(CLINIC, insert(subject_row(CLINIC))))
    staying = asyncio.create_task(store.write(CLINIC, insert(subject_row(CLINIC))))
    await asyncio.sleep(0)
    leaving.cancel()
    assert await staying
    assert await store.write(CLINIC, insert(subject_row(CLINIC)))


async def test_groups_that_wait_for_each_other_are_done_again(postgresql_url: str) -> None:
    first, second = subject_row(CLINIC), subject_row(CLINIC)
    stores = [open_store(postgresql_url), open_store(postgresql_url)]
    for row in (first, second):
        await stores[0].write(CLINIC, insert(row))

    def lock_both(one: Any, other: Any) -> Callable[[Transaction], str]:
        def work(transaction: Transaction) -> str:
            for row in (one, other):
                lock = "UPDATE subject SET version = version + 1 WHERE subject_id = $1"
                transaction.exec_driver_sql(lock, (row.subject_id,))
                transaction.exec_driver_sql("SELECT pg_sleep(0.2)")
            return "done"

        return work

    works = (lock_both(first, second), lock_both(second, first))
    answers = await asyncio.gather(*(store.write(CLINIC, work) for store, work in zip(stores, works, strict=True)))
    assert answers == ["done", "done"]
    versions = await stores[0].read(
        CLINIC, lambda transaction: transaction.exec_driver_sql("SELECT version FROM subject").scalars().all()
    )
    assert versions == [3, 3]
    for store in stores:
        await store.close()


async def test_a_database_that_is_not_there_is_told_as_busy(tmp_path: Any) -> None:
    store = open_store(f"postgresql://nobody@/nothing?host={tmp_path}")
    with pytest.raises(Busy):
        await store.write(CLINIC, count_subjects)
    with pytest.raises(Busy):
        await store.read(CLINIC, count_subjects)
    await store.close()


async def test_a_lock_that_is_not_given_up_is_told_as_busy(sqlite_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    import sqlite3

    monkeypatch.setattr("quietcuff.storage.engine.database.LOCK_SECONDS", 0.1)
    store = open_store(sqlite_url)
    other = sqlite3.connect(sqlite_url.removeprefix("sqlite:///"), isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(Busy):
        await store.write(CLINIC, insert(subject_row(CLINIC)))
    other.execute("ROLLBACK")
    other.close()
    assert await store.write(CLINIC, insert(subject_row(CLINIC)))
    await store.close()


async def test_one_process_serves_from_a_sqlite_file(sqlite_url: str) -> None:
    serving = open_store(sqlite_url, for_serving=True)
    with pytest.raises(StoreNotUsable, match="only one"):
        open_store(sqlite_url, for_serving=True)
    await serving.close()
    again = open_store(sqlite_url, for_serving=True)
    await again.close()


def test_several_workers_are_for_postgresql(sqlite_url: str, postgresql_url: str) -> None:
    with pytest.raises(StoreNotUsable, match="--workers 1"):
        refuse_several_workers(sqlite_url, 2)
    refuse_several_workers(sqlite_url, 1)
    refuse_several_workers(postgresql_url, 4)


@pytest.mark.usefixtures("durable")
async def test_sqlite_waits_for_the_disk(sqlite_url: str) -> None:
    def pragmas(transaction: Transaction) -> tuple[Any, Any]:
        journal_mode = transaction.exec_driver_sql("PRAGMA journal_mode").scalar_one()
        return journal_mode, transaction.exec_driver_sql("PRAGMA synchronous").scalar_one()

    store = open_store(sqlite_url)
    assert await store.write(CLINIC, pragmas) == ("wal", 2)
    await store.close()
