"""The two ways of doing a group's work: SQLite in one writer thread, PostgreSQL over its async driver."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from typing import Protocol, TypeVar

from sqlalchemy import URL, Connection, Engine, event

from quietcuff.storage.engine.database import READERS, WRITERS_LOCK, open_sqlite
from quietcuff.storage.engine.transactions import EnterTenant, Job, JobOutcome, run_group, watch_writes
from quietcuff.storage.trail.trail import Book, keep_book, note_stored

T = TypeVar("T")
Work = Callable[[Connection], T]

# Few connections are enough: one commit answers for a whole group of jobs.
POSTGRESQL_WRITERS = 4
# Kept in the connection's info, so that a group of one tenant enters it only once.
ENTERED = "quietcuff tenant"


class Backend(Protocol):
    """The place where groups of jobs are run. ``writers`` is how many groups run at once; ``book`` belongs to the trail they
    write."""

    writers: int
    book: Book

    async def run_group(self, jobs: Sequence[Job]) -> list[JobOutcome]: ...

    async def read(self, tenant_id: int, work: Work[T]) -> T: ...

    async def empty_log(self) -> bool | None: ...

    async def close(self) -> None: ...


class SqliteBackend:
    """One thread writes, a few read. The database file has one writer anyway."""

    writers = 1

    def __init__(self, url: URL, book: Book) -> None:
        self.book = book
        self._writer = open_sqlite(url, writes=True)
        self._reader = open_sqlite(url, writes=False, pool_size=READERS)
        self._writer_thread = ThreadPoolExecutor(1, thread_name_prefix="quietcuff-writer")
        self._reader_threads = ThreadPoolExecutor(READERS, thread_name_prefix="quietcuff-reader")
        prepare_writer(self._writer, book)

    async def run_group(self, jobs: Sequence[Job]) -> list[JobOutcome]:
        return await asyncio.get_running_loop().run_in_executor(self._writer_thread, self._write, jobs)

    async def read(self, tenant_id: int, work: Work[T]) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._reader_threads, self._read, work)

    async def empty_log(self) -> bool:
        """Move SQLite's log into the file and empty it; False while a reader is in the way.

        The log holds pages as they were, so what was deleted would still stand in it.
        """
        return await asyncio.get_running_loop().run_in_executor(self._writer_thread, self._empty_log)

    async def close(self) -> None:
        self._writer_thread.shutdown()
        self._reader_threads.shutdown()
        self._reader.dispose()
        self._writer.dispose()

    def _write(self, jobs: Sequence[Job]) -> list[JobOutcome]:
        with self._writer.connect() as connection:
            return write_group(connection, jobs, no_entry)

    def _empty_log(self) -> bool:
        # A raw connection, because SQLite cannot checkpoint inside a transaction and the engine begins one on its own
        # connections.
        with closing(self._writer.raw_connection()) as connection:
            cursor = connection.cursor()
            (is_busy, _, _) = cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
            cursor.close()
            return not is_busy

    def _read(self, work: Work[T]) -> T:
        # An explicit transaction, so that all statements of the work see one snapshot.
        with self._reader.connect() as connection, connection.begin():
            return work(connection)


class PostgresqlBackend:
    """A few connections, each with a group of its own. The tenant is set for each piece of work."""

    writers = POSTGRESQL_WRITERS

    def __init__(self, url: URL, book: Book) -> None:
        from quietcuff.storage.engine.postgresql import open_postgresql

        self.book = book
        self._writer = open_postgresql(url, writes=True, pool_size=POSTGRESQL_WRITERS)
        self._reader = open_postgresql(url, writes=False, pool_size=READERS)
        prepare_writer(self._writer.sync_engine, book)
        # The tenant is set for one transaction only, so each new transaction must set it again.
        event.listen(self._writer.sync_engine, "begin", forget_tenant)

    async def run_group(self, jobs: Sequence[Job]) -> list[JobOutcome]:
        async with self._writer.connect() as connection:
            return await connection.run_sync(write_group, jobs, enter_as_writer)

    async def read(self, tenant_id: int, work: Work[T]) -> T:
        async with self._reader.connect() as connection:
            return await connection.run_sync(read_as, tenant_id, work)

    async def empty_log(self) -> None:
        """Do nothing: PostgreSQL looks after its own log."""

    async def close(self) -> None:
        await self._reader.dispose()
        await self._writer.dispose()


def prepare_writer(engine: Engine, book: Book) -> None:
    watch_writes(engine)
    keep_book(engine, book)


def write_group(connection: Connection, jobs: Sequence[Job], enter: EnterTenant) -> list[JobOutcome]:
    """Run a group, then note which rows of the trail are on disk."""
    outcomes = run_group(connection, jobs, enter)
    note_stored(connection)
    return outcomes


def enter_tenant(connection: Connection, tenant_id: int) -> None:
    """Allow writing rows of a tenant, in work that was begun for no tenant."""
    (enter_as_writer if connection.dialect.name == "postgresql" else no_entry)(connection, tenant_id)


def no_entry(connection: Connection, tenant_id: int) -> None:
    """Do nothing. SQLite knows no tenants: the filter in every statement is the only wall there."""


def enter_as_writer(connection: Connection, tenant_id: int) -> None:
    """Let row security show one tenant only, and tell exports that a writer of this tenant is at work."""
    if connection.info.get(ENTERED) == tenant_id:
        return
    # Both in one round trip, and both end with the transaction. An export waits for this lock: see wait_for_writers.
    connection.exec_driver_sql(
        "SELECT set_config('quietcuff.tenant', $1::text, true), pg_advisory_xact_lock_shared($2::int, $3::int)",
        (str(tenant_id), WRITERS_LOCK, tenant_id),
    )
    connection.info[ENTERED] = tenant_id


def forget_tenant(connection: Connection) -> None:
    connection.info.pop(ENTERED, None)


def read_as(connection: Connection, tenant_id: int, work: Work[T]) -> T:
    with connection.begin():
        connection.exec_driver_sql("SELECT set_config('quietcuff.tenant', $1::text, true)", (str(tenant_id),))
        return work(connection)
