"""Databases opened and used: SQLite in one writer thread, PostgreSQL over its async driver.

Here are the address of a database, the settings of a new SQLite connection, the way its transactions begin, and what both have.
"""

from __future__ import annotations

import asyncio
import os
import sqlite3
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path
from typing import Any, Protocol, TypeVar

import msgspec
from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError
from sqlalchemy.pool import QueuePool

from quietcuff.core.model.errors import StoreNotUsable
from quietcuff.storage.engine.transactions import EnterTenant, Job, JobOutcome, run_group, watch_writes
from quietcuff.storage.trail.trail import Book, keep_book, note_stored

SQLITE, POSTGRESQL = "sqlite+pysqlite", "postgresql+asyncpg"
# LATEST_COMMIT in storage/search/observations.py follows from this limit.
LOCK_SECONDS = 3
POOL_SECONDS = 4
STATEMENT_SECONDS = 20
IDLE_SECONDS = 60
READERS = 4
# SQLite moves its log into the file when it has so many pages of 4 KiB: those of indexes, which nearly every commit changes,
# are then moved once for many commits. A log that a long reader made longer than so many bytes is cut to them afterwards.
PAGES_IN_LOG = 4_000
LOG_BYTES = 32 * 1024 * 1024
# So many KiB of pages stay with the writer. A group changes some four hundred pages; what does not fit is written twice.
WRITER_CACHE_KIB = 32_000
# One number that names "a writer of this tenant is under way" among PostgreSQL's advisory locks.
WRITERS_LOCK = 0x5143
# Of every value that is neither a number nor a text the driver looks for attributes that say what to make of it, in vain. Where
# it was told, it looks no further; most of what is stored of a sitting is of these types. None is made by a look into nothing.
AS_THEY_ARE: dict[type, Callable[[Any], Any]] = {bytes: bytes.__bytes__, bool: int, type(None): {}.get}
T = TypeVar("T")
Work = Callable[[Connection], T]
# Few connections are enough: one commit answers for a whole group of jobs.
POSTGRESQL_WRITERS = 4
# Kept in the connection's info, so that a group of one tenant enters it only once.
ENTERED = "quietcuff tenant"


def parse_url(url: str) -> URL:
    """The address of a database, with the driver that this service uses.

    Raises:
        StoreNotUsable: not the address of a SQLite file in a folder that is there, or of a PostgreSQL database.
    """
    try:
        parsed = make_url(url)
    except ArgumentError as error:
        raise StoreNotUsable("The database's address cannot be read.") from error
    backend = parsed.get_backend_name()
    # A database in memory would be a separate one for each connection of the pools.
    if backend == "sqlite" and parsed.database and parsed.database != ":memory:":
        if not Path(parsed.database).resolve().parent.is_dir():
            raise StoreNotUsable(
                "The folder of the SQLite file is not there: make it, or name another in QUIETCUFF_DATABASE_URL."
            )
        return parsed.set(drivername=SQLITE)
    if backend in ("postgresql", "postgres"):
        return parsed.set(drivername=POSTGRESQL)
    raise StoreNotUsable("Use a SQLite file (sqlite:///path/file.db) or PostgreSQL (postgresql://...).")


def is_sqlite(url: URL) -> bool:
    return url.get_backend_name() == "sqlite"


def open_sqlite(url: URL, *, writes: bool, pool_size: int = 1) -> Engine:
    """A SQLite engine. A writer takes the file's one write lock when its transaction begins; a reader cannot write."""
    for kind, taken_as in AS_THEY_ARE.items():
        sqlite3.register_adapter(kind, taken_as)
    # The driver's own transaction handling is switched off: it would begin late and end savepoints.
    engine = create_engine(
        url,
        poolclass=QueuePool,
        pool_size=pool_size,
        max_overflow=0,
        connect_args={"isolation_level": None, "check_same_thread": False, "timeout": LOCK_SECONDS},
    )
    # What is deleted is overwritten with zeros, whatever this SQLite was built to do by itself.
    of_writer = [
        *("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", "secure_delete=ON"),
        *(f"wal_autocheckpoint={PAGES_IN_LOG}", f"journal_size_limit={LOG_BYTES}", f"cache_size=-{WRITER_CACHE_KIB}"),
    ]
    pragmas = of_writer if writes else ["query_only=ON"]
    begin = "BEGIN IMMEDIATE" if writes else "BEGIN"

    @event.listens_for(engine, "connect")
    def prepare(connection: sqlite3.Connection, record: Any) -> None:
        for pragma in pragmas:
            connection.execute(f"PRAGMA {pragma}").close()

    @event.listens_for(engine, "begin")
    def begin_transaction(connection: Connection) -> None:
        connection.exec_driver_sql(begin)

    return engine


def keep_to_owner(url: URL) -> None:
    """Make a SQLite file and the files beside it readable by their owner alone; create the file where there is none yet.

    Raises:
        StoreNotUsable: it is somebody else's.
    """
    if not is_sqlite(url):
        return
    try:
        # Created here with its mode, because SQLite would create it with whatever the process's umask allows.
        os.close(os.open(str(url.database), os.O_RDWR | os.O_CREAT, 0o600))
        # The log holds pages of the database, so it needs the same mode as the file.
        for ending in ("", "-wal", "-shm"):
            path = Path(f"{url.database}{ending}")
            if path.exists() and path.stat().st_mode & 0o077:
                path.chmod(0o600)
    except OSError as error:
        raise StoreNotUsable(
            "The SQLite file cannot be written, or kept from others: check the owner and mode of it and of its folder."
        ) from error


class ServingLock(msgspec.Struct, frozen=True, kw_only=True):
    """The lock of the one process that serves from a SQLite file. It ends with the process, however that ends."""

    connection: sqlite3.Connection

    def release(self) -> None:
        self.connection.close()


def lock_for_serving(url: URL) -> ServingLock | None:
    """Make this the one process that serves from a SQLite file. PostgreSQL needs no such lock.

    Raises:
        StoreNotUsable: another process serves from it, or its folder cannot be written.
    """
    if not is_sqlite(url):
        return None
    # A lock of SQLite's own on a file beside the database: it works wherever SQLite does.
    try:
        connection = sqlite3.connect(f"{url.database}-serving", timeout=0, isolation_level=None, check_same_thread=False)
    except sqlite3.OperationalError as error:
        raise StoreNotUsable("The folder of this SQLite file cannot be written: check its owner and mode.") from error
    try:
        connection.execute("BEGIN EXCLUSIVE")
    except sqlite3.OperationalError as error:
        connection.close()
        is_held = error.sqlite_errorcode == sqlite3.SQLITE_BUSY
        raise StoreNotUsable(
            "Another process serves from this SQLite file or imports into it; only one can. "
            "Stop it first, or send to its server over HTTP."
            if is_held
            else "The folder of this SQLite file cannot be written: check its owner and mode."
        ) from error
    return ServingLock(connection=connection)


def refuse_several_workers(url: str, workers: int) -> None:
    """Refuse several processes on SQLite: it has one writer, so they would only wait for each other.

    Raises:
        StoreNotUsable: more than one worker on a SQLite file.
    """
    if workers > 1 and is_sqlite(parse_url(url)):
        raise StoreNotUsable("SQLite is served by one process: use --workers 1, or a PostgreSQL database.")


class Backend(Protocol):
    """The place where groups of jobs are run. ``driver`` is the database and its driver in an address; ``writers`` is how many
    groups run at once; ``book`` belongs to the trail they write."""

    url: URL
    driver: str
    writers: int
    book: Book

    async def run_group(self, jobs: Sequence[Job]) -> list[JobOutcome]: ...

    async def read(self, tenant_id: int, work: Work[T]) -> T: ...

    async def empty_log(self) -> bool | None: ...

    async def close(self) -> None: ...


class SqliteBackend:
    """One thread writes, a few read. The database file has one writer anyway."""

    driver = SQLITE
    writers = 1

    def __init__(self, url: URL, book: Book) -> None:
        self.url, self.book = url, book
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

    driver = POSTGRESQL
    writers = POSTGRESQL_WRITERS

    def __init__(self, url: URL, book: Book) -> None:
        from quietcuff.storage.engine.postgresql import open_postgresql

        self.url, self.book = url, book
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
