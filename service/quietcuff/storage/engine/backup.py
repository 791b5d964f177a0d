"""Backups of a whole database and their restoring: SQLite by its own online copy, PostgreSQL by ``pg_dump``.

A backup holds everything, secrets too, so its file is readable by its owner alone. It gets its name when it was written and
checked, so that it is whole or not there.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from sqlalchemy import URL, Connection

from quietcuff.core.model.errors import StoreNotUsable
from quietcuff.storage.engine.database import is_sqlite, keep_to_owner, lock_for_serving
from quietcuff.storage.engine.delivery_place import DeliveryPlace, find_delivery_place, keep_delivery_place
from quietcuff.storage.engine.migrate import on_connection, refuse_newer_revision, schema_revision, upgrade
from quietcuff.storage.engine.partitions import partition

PAGES_AT_ONCE = 4_096
# Told of the part that is copied, from 0 to 1, and of its megabytes. PostgreSQL's tools tell nothing.
Told = Callable[[float, int], None]
WHOLE_FILE = ("", "-wal", "-shm")
MOST_TOLD = 400
RESTORED = "a restored backup"
NO_TOOL = (
    "{tool} is not there: install PostgreSQL's own client programs, of the server's version or newer, and see that PATH names "
    "their folder."
)

# The tables force row security on their owner too, and a dump must not leave out rows in silence.
AS_WHOM = {
    "pg_dump": "Make backups as a role with BYPASSRLS: docs/postgresql.md says how.",
    "pg_restore": "Restore as the owner of the tables.",
}


def back_up(url: URL, to: Path, told: Told) -> int:
    """Write a backup of one moment into a new file; its bytes are returned. The database may be written meanwhile.

    Raises:
        StoreNotUsable: the file is there already, the copy is damaged, or PostgreSQL's tools are missing or fail.
    """
    if to.exists():
        raise StoreNotUsable(f"{to} is there already: name a file that is not. No backup is written over another.")
    unfinished = to.with_name(f"{to.name}.unfinished")
    # Created here with its mode, since what writes into it would give it another.
    os.close(os.open(unfinished, os.O_RDWR | os.O_CREAT | os.O_TRUNC, 0o600))
    try:
        if is_sqlite(url):
            copy_sqlite(Path(str(url.database)), unfinished, told)
        else:
            run_tool("pg_dump", url, "--format=custom", f"--file={unfinished}")
        _to_disk(unfinished)
        unfinished.rename(to)
        _to_disk(to.parent)
    finally:
        for ending in WHOLE_FILE:
            Path(f"{unfinished}{ending}").unlink(missing_ok=True)
    return to.stat().st_size


def restore(url: URL, backup: Path, told: Told, *, replace: bool) -> Path | None:
    """Make the database what a backup holds, in the schema of this program, and pause its delivery. Where something was there
    before and may be replaced, a SQLite file is put aside, and its new path is returned.

    Raises:
        StoreNotUsable: the file is no backup that this program can use, there is a database already, a server uses it, or
        PostgreSQL's tools are missing or fail.
    """
    if not backup.is_file():
        raise StoreNotUsable(f"There is no file {backup}.")
    aside = restore_sqlite(url, backup, told, replace=replace) if is_sqlite(url) else None
    if not is_sqlite(url):
        restore_postgresql(url, backup, replace=replace)
    address = url.render_as_string(hide_password=False)
    upgrade(address)
    # Whatever was delivered since the backup would be sent once more.
    on_connection(address, pause_delivery)
    return aside


def restore_sqlite(url: URL, backup: Path, told: Told, *, replace: bool) -> Path | None:
    """Restore a SQLite file. The one that was there is put aside and not removed."""
    path = Path(str(url.database))
    check_sqlite(backup)
    lock = lock_for_serving(url)
    fresh = path.with_name(f"{path.name}.restoring")
    try:
        if path.exists() and not replace:
            raise StoreNotUsable(f"{path} is there already: add --replace to put it aside, or name another database.")
        os.close(os.open(fresh, os.O_RDWR | os.O_CREAT | os.O_TRUNC, 0o600))
        copy_sqlite(backup, fresh, told)
        _to_disk(fresh)
        aside = put_aside(path) if path.exists() else None
        fresh.rename(path)
        _to_disk(path.parent)
        keep_to_owner(url)
        return aside
    finally:
        for ending in WHOLE_FILE:
            Path(f"{fresh}{ending}").unlink(missing_ok=True)
        if lock is not None:
            lock.release()


def put_aside(path: Path) -> Path:
    """Give a SQLite file a name that tells when it was replaced."""
    # Into the file first, because the log stays behind under the old name, where the new file would take it for its own.
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        busy, _, _ = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    if busy:
        raise StoreNotUsable("The SQLite file is in use: stop whatever reads or writes it, and run it again.")
    aside = path.with_name(f"{path.name}.replaced-{datetime.now(UTC):%Y%m%dT%H%M%SZ}")
    path.rename(aside)
    for ending in WHOLE_FILE[1:]:
        Path(f"{path}{ending}").unlink(missing_ok=True)
    return aside


def restore_postgresql(url: URL, backup: Path, *, replace: bool) -> None:
    """Restore into a PostgreSQL database, all of it or nothing."""
    address = url.render_as_string(hide_password=False)
    revisions: list[str | None] = []
    on_connection(address, lambda connection: revisions.append(schema_revision(connection)))
    if revisions[0] is not None and not replace:
        raise StoreNotUsable("The database holds a schema already: add --replace to lose what it holds, or name an empty one.")
    if replace:
        # The tool takes keys from partitions one by one, which PostgreSQL refuses.
        on_connection(address, lambda connection: partition(connection, 1))
    clean = ("--clean", "--if-exists") if replace else ()
    run_tool("pg_restore", url, "--single-transaction", "--exit-on-error", *clean, f"--dbname={url.database}", str(backup))


def copy_sqlite(source: Path, to: Path, told: Told) -> None:
    """Copy a SQLite database of one moment into an empty file, and check the copy.

    Raises:
        StoreNotUsable: the copy is damaged, so the source is.
    """
    with closing(sqlite3.connect(_read_only(source), uri=True, isolation_level=None)) as reading:
        # One snapshot for the whole copy: without it, each commit of a server would make the copy begin anew.
        reading.execute("BEGIN")
        reading.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        (page_bytes,) = reading.execute("PRAGMA page_size").fetchone()
        with closing(sqlite3.connect(to, isolation_level=None)) as writing:
            reading.backup(writing, pages=PAGES_AT_ONCE, progress=partial(_tell, told, page_bytes))
            _require_whole(writing, source)


def check_sqlite(path: Path) -> None:
    """Check that a file is a whole SQLite database of this service, of a schema that this program knows.

    Raises:
        StoreNotUsable: it is not.
    """
    with closing(sqlite3.connect(_read_only(path), uri=True)) as connection:
        _require_whole(connection, path)
        try:
            connection.execute("SELECT 1 FROM trail LIMIT 1")
            revision = connection.execute("SELECT version_num FROM alembic_version").fetchone()
        except sqlite3.DatabaseError as error:
            raise StoreNotUsable(f"{path} is no backup of this service.") from error
    refuse_newer_revision(revision and str(revision[0]))


def pause_delivery(connection: Connection) -> None:
    """Have the database say that it delivers from nowhere yet."""
    known = find_delivery_place(connection)
    keep_delivery_place(connection, DeliveryPlace(RESTORED, known.public_url if known else ""), datetime.now(UTC))
    connection.commit()


def run_tool(tool: str, url: URL, *options: str) -> None:
    """Run one of PostgreSQL's own programs on a database.

    Raises:
        StoreNotUsable: it is not there, or fails; then with what it says.
    """
    found = shutil.which(tool)
    if found is None:
        raise StoreNotUsable(NO_TOOL.format(tool=tool))
    # A server's socket is named in the query of the address, where its host has no place.
    host, port = (url.query.get(name, value) for name, value in (("host", url.host), ("port", url.port)))
    said = {"PGHOST": host, "PGPORT": port, "PGUSER": url.username, "PGPASSWORD": url.password, "PGDATABASE": url.database}
    # In the environment and not among the arguments, which every user of the machine can read.
    environment = {**os.environ, **{name: str(value) for name, value in said.items() if value is not None}}
    done = subprocess.run([found, "--no-password", *options], env=environment, capture_output=True, text=True)  # noqa: S603
    if done.returncode:
        said_why = " ".join(done.stderr.split())[:MOST_TOLD] or "it says nothing"
        raise StoreNotUsable(f"{tool} could not do it ({said_why}). {AS_WHOM[tool]}")


def _require_whole(connection: sqlite3.Connection, path: Path) -> None:
    try:
        found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    except sqlite3.DatabaseError as error:
        raise StoreNotUsable(f"{path} is damaged, or no SQLite database.") from error
    if found != "ok":
        raise StoreNotUsable(f"{path} is damaged. Run quietcuff database verify on it, and use an older backup.")


def _tell(told: Told, page_bytes: int, status: int, remaining: int, total: int) -> None:
    told(1 - remaining / total if total else 1.0, (total - remaining) * page_bytes // 1_000_000)


def _read_only(path: Path) -> str:
    # A file without a log is read as it is: otherwise SQLite would write beside it, where a backup's folder may forbid it.
    alone = not Path(f"{path}-wal").exists()
    return f"{path.resolve().as_uri()}?mode=ro{'&immutable=1' if alone else ''}"


def _to_disk(path: Path) -> None:
    opened = os.open(path, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)
