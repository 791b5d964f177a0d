"""Bring a database to the schema that this program needs, and check that it has it.

Alembic and partitions are imported only where they are used: a process that only serves need not wait for them.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection
from sqlalchemy.exc import DBAPIError, OperationalError

import quietcuff
from quietcuff.core.model.errors import StoreNotUsable
from quietcuff.storage.engine.database import is_sqlite, open_sqlite, parse_url
from quietcuff.storage.engine.faults import NO_SCHEMA, fault_of

NEWEST_REVISION = "0020"


def upgrade(url: str, revision: str = "head", partitions: int | None = None) -> int:
    """Bring the schema up to a revision, by default the newest, and people's rows into so many partitions, by default as many
    as they are in. Nothing happens where it is so already. The number of partitions is returned.

    Raises:
        StoreNotUsable: not the address of a SQLite file or of a PostgreSQL database, or partitions that it cannot have.
    """
    from alembic import command

    from quietcuff.storage.engine.partitions import partition, partitions_of

    made: list[int] = []
    refuse_partitions(parse_url(url), revision, partitions)

    def work(connection: Connection) -> None:
        refuse_newer_schema(connection)
        # The check has begun a transaction, and Alembic must begin its own.
        connection.rollback()
        run_alembic(command.upgrade, connection, revision)
        made.append(partition(connection, partitions) if revision in ("head", NEWEST_REVISION) else partitions_of(connection))

    on_connection(url, work)
    return made[0]


def refuse_partitions(url: URL, revision: str, partitions: int | None) -> None:
    """Refuse partitions that cannot be, before anything is changed.

    Raises:
        StoreNotUsable: of SQLite, of an older schema, or too many.
    """
    from quietcuff.storage.engine.partitions import check_number

    if partitions is None:
        return
    check_number(partitions)
    if is_sqlite(url) and partitions > 1:
        raise StoreNotUsable("Partitions are for PostgreSQL. A SQLite file holds each table whole.")
    if revision not in ("head", NEWEST_REVISION):
        raise StoreNotUsable("Partitions are made in the newest schema only: leave the revision out.")


def downgrade(url: str, revision: str) -> None:
    """Take the schema down to a revision. ``base`` removes everything, including the data."""
    from alembic import command

    on_connection(url, lambda connection: run_alembic(command.downgrade, connection, revision))


def run_alembic(step: Callable[[Any, str], None], connection: Connection, revision: str) -> None:
    """Run a step of Alembic to a revision.

    Raises:
        StoreNotUsable: there is no such revision, or the database is not on the way to it.
    """
    from alembic.util import CommandError

    try:
        step(alembic_config(connection), revision)
    except CommandError as error:
        raise StoreNotUsable(
            f"The schema cannot be taken there: revisions are 0001 to {NEWEST_REVISION}, head is the newest of them and base "
            "is none; upgrade goes up, downgrade goes down."
        ) from error


def alembic_config(connection: Connection | None) -> Any:
    """Alembic's configuration for a connection; no file of its own is needed."""
    from alembic.config import Config

    config = Config(attributes={"connection": connection})
    # Alembic's configuration takes a percent sign for the start of a variable.
    config.set_main_option("script_location", str(migrations_folder()).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    return config


def migrations_folder() -> Path:
    """The folder of the migrations: inside an installed package, or at the top of a checkout."""
    package = Path(quietcuff.__file__).parent
    installed = package / "_migrations"
    return installed if installed.is_dir() else package.parents[1] / "migrations"


def schema_revision(connection: Connection) -> str | None:
    """The schema's revision; None where there is none yet.

    Raises:
        StoreNotUsable: a SQLite file that is damaged, no database, or not to be written.
    """
    try:
        row = connection.exec_driver_sql("SELECT version_num FROM alembic_version").first()
    except DBAPIError as error:
        refuse_unusable_file(error)
        # No such table, or no right to read it. Any other fault of the database is raised as what it is.
        if fault_of(error) in (NO_SCHEMA, None):
            return None
        raise
    return None if row is None else str(row[0])


def refuse_unusable_file(error: DBAPIError) -> None:
    """Refuse a SQLite file that cannot be read, so that it is not taken for one without a schema.

    Raises:
        StoreNotUsable: it cannot.
    """
    name = getattr(error.orig, "sqlite_errorname", "")
    if name.startswith(("SQLITE_NOTADB", "SQLITE_CORRUPT")):
        raise StoreNotUsable(
            "The database's file is damaged, or no SQLite database: check QUIETCUFF_DATABASE_URL, or restore a backup and "
            "run quietcuff database verify."
        ) from error
    if name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM", "SQLITE_IOERR")):
        raise StoreNotUsable(
            "The SQLite file cannot be opened and written: check the owner and mode of it and of its folder."
        ) from error


def require_newest_schema(connection: Connection) -> None:
    """Refuse to serve from any schema but the one this program needs.

    Raises:
        StoreNotUsable: it is older, newer, or not there at all.
    """
    refuse_newer_schema(connection)
    found = schema_revision(connection)
    if found != NEWEST_REVISION:
        raise StoreNotUsable(
            f"The database's schema, {found or 'none yet'}, is not the one this program needs, {NEWEST_REVISION}: back up, and "
            "run quietcuff database upgrade."
        )


def refuse_newer_schema(connection: Connection) -> None:
    """Refuse a schema that a newer program made: no command of this program can help.

    Raises:
        StoreNotUsable: the schema is of a revision that this program does not know.
    """
    refuse_newer_revision(schema_revision(connection))


def refuse_newer_revision(revision: str | None) -> None:
    """Refuse the revision of a schema that a newer program made.

    Raises:
        StoreNotUsable: this program does not know it.
    """
    # Revisions have four digits each, so that they can be compared as text.
    if revision is not None and revision > NEWEST_REVISION:
        raise StoreNotUsable(
            f"The database's schema {revision} is newer than this program, which knows {NEWEST_REVISION}: use that one."
        )


def require_row_security(connection: Connection) -> None:
    """Refuse to serve as a role that PostgreSQL's row security does not bind, or that could switch it off.

    Raises:
        StoreNotUsable: a superuser, a role that passes row security by, or the owner of the tables.
    """
    if connection.dialect.name != "postgresql":
        return
    is_above = connection.exec_driver_sql(
        "SELECT rolsuper OR rolbypassrls OR EXISTS (SELECT 1 FROM pg_class WHERE relname = 'trail' AND relkind = 'r'"
        " AND relowner = pg_roles.oid) FROM pg_roles WHERE rolname = current_user"
    ).scalar_one()
    if is_above:
        raise StoreNotUsable(
            "Serve as a PostgreSQL role that is no superuser and owns no tables: row security would not keep tenants apart."
        )


def on_connection(url: str, work: Callable[[Connection], object]) -> None:
    """Do a piece of work on a connection of its own, outside any store.

    Raises:
        StoreNotUsable: the database cannot be reached or written.
    """
    parsed = parse_url(url)
    try:
        if is_sqlite(parsed):
            _on_sqlite(parsed, work)
        else:
            asyncio.run(_on_postgresql(parsed, work))
    except (OperationalError, OSError) as error:
        raise StoreNotUsable("The database cannot be opened and written: check its address, folder and server.") from error


def _on_sqlite(parsed: URL, work: Callable[[Connection], object]) -> None:
    engine = open_sqlite(parsed, writes=True)
    try:
        with engine.connect() as connection:
            work(connection)
    finally:
        engine.dispose()


async def _on_postgresql(parsed: URL, work: Callable[[Connection], object]) -> None:
    from quietcuff.storage.engine.postgresql import open_postgresql

    engine = open_postgresql(parsed, writes=True, pool_size=1)
    try:
        async with engine.connect() as connection:
            await connection.run_sync(work)
    except OSError as error:
        raise StoreNotUsable(
            "The database's server cannot be reached: check QUIETCUFF_DATABASE_URL and that it runs."
        ) from error
    finally:
        await engine.dispose()
