"""The one table of database faults: the driver's code, the fault it means, and when a retry makes sense.

Sources: PostgreSQL's documentation, appendix A "Error codes"; SQLite's "Result and error codes"; the drivers' own classes for
what never reached a server.
"""

from __future__ import annotations

import sqlite3
import sys
from collections.abc import Iterator
from typing import Any

import msgspec
from sqlalchemy.exc import DBAPIError, SQLAlchemyError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from quietcuff.core.model.errors import Busy, NotAcceptable, StoreFailing, StoreNotUsable


class DatabaseFault(msgspec.Struct, frozen=True):
    """One kind of database fault.

    ``lasts`` is true where somebody must act: then ``told`` says what to do, and readiness repeats it. ``way_on`` tells
    somebody at a terminal how to go on. ``of_the_work`` is true where the fault hit one piece of work, and the rest of its
    transaction may go on without it.
    """

    code: str
    retry_after_seconds: int
    lasts: bool = False
    told: str = ""
    of_the_work: bool = False
    way_on: str = ""


BUSY = "The database cannot be reached, is busy, or another process has it locked."
AGAIN = "Check QUIETCUFF_DATABASE_URL and that its server runs, then run the command again."
ADDRESS = "Check QUIETCUFF_DATABASE_URL."
LOCKED = DatabaseFault("locked", 1, told=BUSY, way_on=AGAIN)
WAITED = DatabaseFault("waited-in-vain", 1, told=BUSY, way_on=AGAIN, of_the_work=True)
GONE = DatabaseFault("gone", 2, told=BUSY, way_on=AGAIN)
SHORT = DatabaseFault("out-of-resources", 5, told="The database has no connection or memory to spare.", way_on=AGAIN)
FULL = DatabaseFault("disk-full", 30, True, "The database's disk is full: make room.", way_on="Then run the command again.")
READ_ONLY = DatabaseFault(
    "read-only",
    30,
    True,
    "The database takes no writes: it is a standby, or its file is read-only.",
    way_on="Name the server that takes writes, or check the owner and mode of the file and of its folder.",
)
DAMAGED = DatabaseFault(
    "damaged",
    60,
    True,
    "The database is damaged, or is no SQLite database: stop serving, and restore a backup.",
    way_on="Check QUIETCUFF_DATABASE_URL first; after the backup is back, run quietcuff database verify.",
)
UNREADABLE = DatabaseFault(
    "disk-fails",
    30,
    True,
    "The database's disk fails to read or write: look at the machine.",
    way_on="Then run the command again.",
)
CLOSED = DatabaseFault("refused", 30, True, "The database refuses this program's user, or its password.", way_on=ADDRESS)
NO_DATABASE = DatabaseFault(
    "refused", 30, True, "The server has no database of that name.", way_on="Create it, or check QUIETCUFF_DATABASE_URL."
)
NO_FILE = DatabaseFault(
    "refused",
    30,
    True,
    "The database's file cannot be opened.",
    way_on="Check QUIETCUFF_DATABASE_URL, and the owner, mode and free room of the file and of its folder.",
)
NO_RIGHT = DatabaseFault(
    "no-right",
    30,
    True,
    "The database's role may not do this: see the grants in docs/operator.md.",
    way_on="Use the owner of the tables to upgrade.",
)
NO_SCHEMA = DatabaseFault("no-schema", 30, True, "The database's schema is not there: run quietcuff database upgrade.", True)
NO_TEXT = DatabaseFault("not-a-text", 0, of_the_work=True, told="A text has the character U+0000 in it: take it out.")

# By SQLSTATE. Where both the class (2 characters) and the full code (5) are listed, the full code decides.
BY_SQLSTATE = {
    "08": GONE,
    "57": GONE,
    "57014": WAITED,
    "55P03": WAITED,
    "40": LOCKED,
    "53": SHORT,
    "53100": FULL,
    "25006": READ_ONLY,
    "58": UNREADABLE,
    "XX001": DAMAGED,
    "XX002": DAMAGED,
    "28": CLOSED,
    "3D": NO_DATABASE,
    "42501": NO_RIGHT,
    "42P01": NO_SCHEMA,
    "22021": NO_TEXT,
    "22P05": NO_TEXT,
}
# By the name of SQLite's code; extended names begin with those of their kind.
BY_SQLITE_NAME = {
    "SQLITE_BUSY": LOCKED,
    "SQLITE_LOCKED": LOCKED,
    "SQLITE_PROTOCOL": LOCKED,
    "SQLITE_NOMEM": SHORT,
    "SQLITE_FULL": FULL,
    "SQLITE_READONLY": READ_ONLY,
    "SQLITE_PERM": READ_ONLY,
    "SQLITE_CANTOPEN": NO_FILE,
    "SQLITE_IOERR": UNREADABLE,
    "SQLITE_CORRUPT": DAMAGED,
    "SQLITE_NOTADB": DAMAGED,
}
ByClass = tuple[tuple[type[BaseException], str, DatabaseFault], ...]
# Errors of the drivers and the pool that carry no code of the database, with words that their text must contain.
BY_CLASS: ByClass = (
    (sqlite3.OperationalError, "no such table", NO_SCHEMA),
    (PoolTimeoutError, "", SHORT),
    (OSError, "", GONE),
)
# Part of the text of an error that has the code of a missing right.
ROW_SECURITY = "violates row-level security policy"
FAMILIES = (SQLAlchemyError, sqlite3.Error, OSError)


def of_postgresql() -> tuple[tuple[type[BaseException], ...], ByClass]:
    """The families of errors of PostgreSQL's driver, and those without a code; none before it is loaded, for then none of them
    can have been raised."""
    driver: Any = sys.modules.get("asyncpg")
    if driver is None:
        return (), ()
    without_code = ((driver.InterfaceError, "connection is closed", GONE), (driver.InternalClientError, "", GONE))
    return (driver.PostgresError, driver.InterfaceError, driver.InternalClientError), without_code


def fault_of(error: BaseException) -> DatabaseFault | None:
    """The database fault behind an error; None for a defect of our own, or an error that is not the database's."""
    # A lost connection can arrive as an error whose own code says something else, or nothing.
    if isinstance(error, DBAPIError) and error.connection_invalidated:
        return GONE
    if not isinstance(error, (*FAMILIES, *of_postgresql()[0])):
        return None
    for one in _inner(error):
        if ROW_SECURITY in str(one):
            # It has the code of a missing right, but no grant helps: a statement of ours was for another tenant.
            return None
        found = _by_code(one)
        if found is not None:
            return found
    return None


def for_the_caller(error: Exception) -> Exception:
    """The error that the caller gets: a database fault as a class of the error tree, anything else unchanged."""
    fault = fault_of(error)
    if fault is None:
        return error
    told = _told(fault)
    # Set by hand, because the error is returned here and raised elsewhere; the log still shows the driver's error.
    told.__cause__ = error
    return told


def sentence_of_database(error: BaseException) -> str | None:
    """The meaning of a database error for somebody at a terminal, and how to go on; None for an unknown error."""
    seen: BaseException | None = error
    while seen is not None:
        fault = fault_of(seen)
        if fault is not None:
            return f"{fault.told} {fault.way_on}".rstrip()
        seen = seen.__cause__
    return None


def sqlstate(error: BaseException) -> str | None:
    """PostgreSQL's five-letter code of an error; SQLite has none."""
    code = getattr(getattr(error, "orig", error), "sqlstate", None)
    return code if isinstance(code, str) else None


def _told(fault: DatabaseFault) -> Exception:
    if fault is NO_TEXT:
        return NotAcceptable.of(pointer="", code="not-a-text", detail="Text without the character U+0000.")
    if fault is NO_SCHEMA:
        return StoreNotUsable(fault.told)
    if fault.lasts:
        return StoreFailing(fault.code, fault.told, fault.retry_after_seconds)
    return Busy(fault.retry_after_seconds)


def _inner(error: BaseException) -> Iterator[BaseException]:
    """The error itself, the driver's error, and the errors that caused it."""
    one: BaseException | None = error
    # Bounded, because a chain of causes can be a ring.
    for _ in range(5):
        if one is None:
            return
        yield one
        one = getattr(one, "orig", None) or one.__cause__


def _by_code(error: BaseException) -> DatabaseFault | None:
    code, name = sqlstate(error), _sqlite_name(error)
    if code is not None:
        return next((BY_SQLSTATE[code[:size]] for size in (5, 2) if code[:size] in BY_SQLSTATE), None)
    if name:
        return next((fault for known, fault in BY_SQLITE_NAME.items() if name == known or name.startswith(f"{known}_")), None)
    return next(
        (fault for kind, words, fault in (*of_postgresql()[1], *BY_CLASS) if isinstance(error, kind) and words in str(error)),
        None,
    )


def _sqlite_name(error: BaseException) -> str:
    """The name of SQLite's code; empty for its most general one, which says nothing."""
    name: Any = getattr(error, "sqlite_errorname", "")
    return "" if name == "SQLITE_ERROR" else str(name)
