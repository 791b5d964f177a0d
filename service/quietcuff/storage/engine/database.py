"""Opening a SQLite database: the settings of a new connection, and the way its transactions begin; and what both have."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path
from typing import Any

import msgspec
from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError
from sqlalchemy.pool import QueuePool

from quietcuff.core.model.errors import StoreNotUsable

# LATEST_COMMIT in storage/search/observations.py follows from this limit.
LOCK_SECONDS = 3
POOL_SECONDS = 4
STATEMENT_SECONDS = 20
IDLE_SECONDS = 60
READERS = 4
# One number that names "a writer of this tenant is under way" among PostgreSQL's advisory locks.
WRITERS_LOCK = 0x5143


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
        return parsed.set(drivername="sqlite+pysqlite")
    if backend in ("postgresql", "postgres"):
        return parsed.set(drivername="postgresql+asyncpg")
    raise StoreNotUsable("Use a SQLite file (sqlite:///path/file.db) or PostgreSQL (postgresql://...).")


def is_sqlite(url: URL) -> bool:
    return url.get_backend_name() == "sqlite"


def open_sqlite(url: URL, *, writes: bool, pool_size: int = 1) -> Engine:
    """A SQLite engine. A writer takes the file's one write lock when its transaction begins; a reader cannot write."""
    # The driver's own transaction handling is switched off: it would begin late and end savepoints.
    engine = create_engine(
        url,
        poolclass=QueuePool,
        pool_size=pool_size,
        max_overflow=0,
        connect_args={"isolation_level": None, "check_same_thread": False, "timeout": LOCK_SECONDS},
    )
    # What is deleted is overwritten with zeros, whatever this SQLite was built to do by itself.
    of_writer = ["journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", "secure_delete=ON"]
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
            "Another process serves from this SQLite file or imports into it; only one can."
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
