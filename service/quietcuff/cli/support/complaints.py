"""What went wrong with a command, in sentences that name it and say how to go on."""

from __future__ import annotations

from quietcuff.core.model.errors import Busy, Conflict, Deleted, Fault, NotFound, QuietcuffError

BUSY = (
    "The database cannot be reached, or another process has it locked: check QUIETCUFF_DATABASE_URL and that its server runs, "
    "then run the command again."
)
DELETED = "It was there and was deleted, by retention or by erasing its person: it cannot be brought back."
NOT_WRITABLE = "The database cannot be written: check the owner, mode and free room of its file and folder."
NOT_A_DATABASE = (
    "The database's file is damaged, or no SQLite database: check QUIETCUFF_DATABASE_URL, or restore a backup and run "
    "quietcuff database verify."
)
# What the libraries of the two databases call a fault (the beginning of it), and what a person can do about it.
FAULTS_OF_DATABASES = {
    "SQLITE_READONLY": NOT_WRITABLE,
    "SQLITE_CANTOPEN": NOT_WRITABLE,
    "SQLITE_PERM": NOT_WRITABLE,
    "SQLITE_FULL": NOT_WRITABLE,
    "SQLITE_IOERR": NOT_WRITABLE,
    "SQLITE_NOTADB": NOT_A_DATABASE,
    "SQLITE_CORRUPT": NOT_A_DATABASE,
    "SQLITE_BUSY": BUSY,
    "SQLITE_LOCKED": BUSY,
    "28": "PostgreSQL lets nobody in with this role and password: check QUIETCUFF_DATABASE_URL.",
    "3D": "The server has no database of that name: create it, or check QUIETCUFF_DATABASE_URL.",
    "42501": "The role may not do this: see the grants in docs/operator.md, and use the owner of the tables to upgrade.",
    "25006": "The server can only be read, as a standby can: name the one that takes writes in QUIETCUFF_DATABASE_URL.",
    "08": BUSY,
    "53": BUSY,
    "55P03": BUSY,
    "57": BUSY,
}


def sentence_of(error: QuietcuffError) -> str:
    """What a refusal says to a person at a terminal."""
    if isinstance(error, Busy):
        # The store tells only that it failed; what the database itself said stands behind it.
        return sentence_of_database(error) or BUSY
    if isinstance(error, Deleted):
        return DELETED
    text = str(error)
    if isinstance(error, NotFound) and not text.endswith("."):
        # Requests are told by their address what was not found; here it is said in words.
        what = "id of that form" if text == "id" else text
        return f"There is no such {what} in this tenant: an id is 36 characters, as lists and answers show it, whole."
    if isinstance(error, Conflict):
        return f"{text} ({error.code})"
    return text


def sentence_of_fault(fault: Fault) -> str:
    """One fault of what was given: where, which, and what is accepted."""
    place = fault.pointer if fault.pointer is not None else fault.parameter or fault.header
    return f"Not accepted: {place or 'the whole text'} ({fault.code}). Accepted: {fault.detail.removeprefix('Accepted: ')}"


def sentence_of_database(error: Exception) -> str | None:
    """What the database's own error means; None where it is no such error, or one that nobody foresaw."""
    seen: BaseException | None = error
    while seen is not None:
        for of in (seen, getattr(seen, "orig", None)):
            name = getattr(of, "sqlite_errorname", None) or getattr(of, "sqlstate", None)
            known = (told for begins, told in FAULTS_OF_DATABASES.items() if isinstance(name, str) and name.startswith(begins))
            if (told := next(known, None)) is not None:
                return told
        seen = seen.__cause__
    return None
