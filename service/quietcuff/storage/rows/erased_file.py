"""SQLite's file after an erasure: a search, and the file written anew where its free room may hold what was deleted."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from enum import Enum
from pathlib import Path
from typing import Any

from sqlalchemy import URL

from quietcuff.core.model.errors import StoreNotUsable
from quietcuff.storage.engine.database import is_sqlite, lock_for_serving
from quietcuff.storage.engine.free_room import free_room
from quietcuff.storage.rows.erasing import Words


class FileSeen(Enum):
    """What the file holds of a person's words, and for whom. ``REWRITTEN`` is what was in free room and is there no more;
    ``UNSURE`` is free room that may be of the person or of others."""

    NO_FILE = "no-file"
    CLEAN = "clean"
    OF_OTHERS = "of-others"
    REWRITTEN = "rewritten"
    REWRITTEN_BUT_OF_OTHERS = "rewritten-but-of-others"
    UNSURE = "unsure"
    LEFT = "left"


def clean_file(url: URL, words: Words) -> FileSeen:
    """Look for a person's words in SQLite's file and log, and write the file anew where they may be left in free room.

    It is not written while a process serves from it.
    """
    in_file = find_in_file(url, words)
    if not in_file:
        return FileSeen.NO_FILE if in_file is None else FileSeen.CLEAN
    is_others = find_in_any_row(url, words)
    if is_others and not find_in_free_room(url, words):
        return FileSeen.OF_OTHERS
    if not compact_unless_served(url):
        return FileSeen.UNSURE if is_others else FileSeen.LEFT
    # Only rows were copied into the new file, so that what it holds is of others.
    if is_others:
        return FileSeen.REWRITTEN_BUT_OF_OTHERS
    return FileSeen.LEFT if find_in_file(url, words) else FileSeen.REWRITTEN


def find_in_file(url: URL, words: Words) -> bool | None:
    """True where SQLite's file or its log holds the value anywhere, free pages too; None where there is no such file."""
    if not is_sqlite(url):
        return None
    return any(_holds(Path(f"{url.database}{ending}"), words) for ending in ("", "-wal"))


def find_in_free_room(url: URL, words: Words) -> bool:
    """True where room of SQLite's file that holds no row holds the value."""
    return any(map(words.may_stand_in, free_room(Path(str(url.database)))))


def find_in_any_row(url: URL, words: Words) -> bool:
    """True where a row of SQLite's file holds the value, whichever tenant it is of. Values are read as the file has them."""
    with closing(sqlite3.connect(str(url.database))) as connection:
        tables = connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'").fetchall()
        # The names are the file's own.
        rows = (row for (name,) in tables for row in connection.execute(f'SELECT * FROM "{name}"'))  # noqa: S608
        return any(words.may_stand_in(b"\n".join(map(_raw_bytes, row))) for row in rows)


def compact_unless_served(url: URL) -> bool:
    """Write SQLite's file anew; False where a process serves from it."""
    try:
        lock = lock_for_serving(url)
    except StoreNotUsable:
        return False
    try:
        compact(url)
    finally:
        if lock is not None:
            lock.release()
    return True


def compact(url: URL) -> None:
    """Write SQLite's file anew without deleted data, and empty its log. Nobody else may have it open meanwhile."""
    with closing(sqlite3.connect(str(url.database), timeout=5, isolation_level=None)) as connection:
        connection.execute("PRAGMA secure_delete=ON").close()
        connection.execute("VACUUM").close()
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").close()


def _raw_bytes(value: Any) -> bytes:
    return value if isinstance(value, bytes) else str(value).encode()


def _holds(path: Path, words: Words) -> bool:
    # A form may lie across two blocks; JSON writes one character as at most six bytes, such as \u00e9.
    overlap, kept = 6 * len(words.value), b""
    if not path.exists():
        return False
    with path.open("rb") as file:
        while block := file.read(1 << 22):
            if words.may_stand_in(kept + block):
                return True
            kept = block[-overlap:]
    return False
