"""Databases for tests: SQLite files and databases of a real PostgreSQL, each made from a template in some milliseconds."""

from __future__ import annotations

import asyncio
import concurrent.futures
import contextlib
import itertools
import os
import shutil
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import asyncpg
from sqlalchemy import URL, Engine, event, make_url

from quietcuff.storage.engine import database, migrate
from quietcuff.storage.schema.sittings import metadata

APP_ROLE = "quietcuff_app"
_numbers = itertools.count(1)


class SqliteFiles:
    """Copies of one migrated file."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._template = folder / "template.db"
        migrate.upgrade(f"sqlite:///{self._template}")

    def new(self) -> str:
        """The address of a fresh database."""
        path = self._folder / f"{next(_numbers)}.db"
        shutil.copyfile(self._template, path)
        return f"sqlite:///{path}"


open_durably = database.open_sqlite


def open_quickly(url: URL, *, writes: bool, pool_size: int = 1) -> Engine:
    """A SQLite engine of the service that never waits for the disk, whose data nobody needs after the tests."""
    engine = open_durably(url, writes=writes, pool_size=pool_size)
    event.listen(engine, "connect", lambda connection, record: connection.execute("PRAGMA synchronous=OFF").close())
    return engine


def wanted_partitions() -> int:
    """The number of partitions of PostgreSQL's databases that QUIETCUFF_TEST_PARTITIONS asks for; 1 where it does not."""
    return int(os.environ.get("QUIETCUFF_TEST_PARTITIONS", "1"))


class PostgresqlServer:
    """A server, a migrated template on it, and a role that may use its tables but owns nothing."""

    def __init__(self, admin_url: str, partitions: int | None = None) -> None:
        self._admin = make_url(admin_url)
        self._prefix = f"quietcuff_test_{os.getpid()}"
        self._made: list[str] = []
        self._idle: list[str] = []
        self._template = self.new_empty()
        migrate.upgrade(self.as_owner(self._template), partitions=partitions or wanted_partitions())
        self._on(self._template, grant_app_role)

    def with_partitions(self, partitions: int) -> PostgresqlServer:
        """The same server, with a template that holds people's rows in so many partitions."""
        return PostgresqlServer(self._admin.render_as_string(hide_password=False), partitions)

    def new_empty(self) -> str:
        """The name of a database without any table."""
        return self._create("")

    def new(self) -> str:
        """The address of a fresh database, as the role that owns nothing."""
        return self.as_app(self.new_migrated())

    def lend(self) -> str:
        """The address of an empty database, which may have been used before; to be given back."""
        return self.as_app(self._idle.pop() if self._idle else self.new_migrated())

    def take_back(self, url: str) -> None:
        """Empty a database for the next who needs one. One that somebody still holds is left alone."""
        database = str(make_url(url).database)
        with contextlib.suppress(asyncpg.LockNotAvailableError):
            self._on(database, empty)
            self._idle.append(database)

    def new_migrated(self) -> str:
        """The name of a fresh database."""
        return self._create(f' TEMPLATE "{self._template}"')

    def as_owner(self, database: str) -> str:
        return self._admin.set(database=database).render_as_string(hide_password=False)

    def as_app(self, database: str) -> str:
        return self._admin.set(database=database, username=APP_ROLE, password=APP_ROLE).render_as_string(hide_password=False)

    def grant(self, database: str) -> None:
        """Let the role that owns nothing use the tables as they are now."""
        self._on(database, grant_app_role)

    def analyze(self, database: str) -> None:
        """Have the planner know what a database holds, as it will by itself within a minute."""
        self._on(database, lambda connection: connection.execute("ANALYZE"))

    def forgo_durability(self) -> None:
        """Never wait for the disk: for a server of our own, whose data nobody needs after the tests."""
        self._on(None, forgo_durability)

    def drop_all(self) -> None:
        for name in reversed(self._made):
            self._on(None, lambda connection, name=name: connection.execute(f'DROP DATABASE "{name}" WITH (FORCE)'))

    def _create(self, options: str) -> str:
        name = f"{self._prefix}_{next(_numbers)}"
        self._on(None, lambda connection: connection.execute(f'CREATE DATABASE "{name}"{options}'))
        self._made.append(name)
        return name

    def _on(self, database: str | None, work: Callable[[Any], Awaitable[Any]]) -> None:
        url = self._admin if database is None else self._admin.set(database=database)

        async def run() -> None:
            connection = await asyncpg.connect(url.render_as_string(hide_password=False))
            try:
                await work(connection)
            finally:
                await connection.close()

        with concurrent.futures.ThreadPoolExecutor(1) as thread:
            thread.submit(asyncio.run, run()).result()


async def empty(connection: Any) -> None:
    """Empty every table that holds a row. To truncate all of them costs ten times as much, and most tests fill few."""
    names = [table.name for table in metadata.sorted_tables]
    await connection.execute("SET lock_timeout = '2s'")
    if not await connection.fetchval("SELECT rolsuper FROM pg_roles WHERE rolname = current_user"):
        await connection.execute(f"TRUNCATE {', '.join(names)} RESTART IDENTITY")
        return
    async with connection.transaction():
        await connection.execute(f"LOCK TABLE {', '.join(names)} IN ACCESS EXCLUSIVE MODE")
        # Neither triggers nor references: all of them end as empty as they began.
        await connection.execute("SET LOCAL session_replication_role = replica")
        seen = ", ".join(f"CASE WHEN EXISTS (SELECT 1 FROM {name}) THEN '{name}' END" for name in names)
        for name in await connection.fetchval(f"SELECT array_remove(ARRAY[{seen}], NULL)"):
            await connection.execute(f"DELETE FROM {name}")
        await connection.execute("SELECT setval(oid::regclass, 1, false) FROM pg_class WHERE relkind = 'S'")


async def forgo_durability(connection: Any) -> None:
    for setting in ("fsync", "full_page_writes"):
        await connection.execute(f"ALTER SYSTEM SET {setting} = off")
    await connection.execute("SELECT pg_reload_conf()")


async def grant_app_role(connection: Any) -> None:
    """Make the role of the service, which may read and write but owns nothing and is under row security."""
    if not await connection.fetchval("SELECT 1 FROM pg_roles WHERE rolname = $1", APP_ROLE):
        await connection.execute(f"CREATE ROLE {APP_ROLE} LOGIN PASSWORD '{APP_ROLE}'")
    tables = ", ".join(table.name for table in metadata.sorted_tables)
    await connection.execute(f"GRANT SELECT, INSERT, UPDATE, DELETE ON {tables} TO {APP_ROLE}")
    await connection.execute(f"GRANT SELECT ON alembic_version TO {APP_ROLE}")
    await connection.execute(f"GRANT USAGE ON ALL SEQUENCES IN SCHEMA public TO {APP_ROLE}")
