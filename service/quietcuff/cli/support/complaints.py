"""Error messages of the commands: sentences that name the error and say how to go on."""

from __future__ import annotations

from quietcuff.core.model.errors import Busy, Conflict, Deleted, Fault, NotFound, QuietcuffError, StoreFailing

BUSY = "The database is busy: run the command again in a while."
DELETED = "It was there and was deleted, by retention or by erasing its person: it cannot be brought back."


def sentence_of(error: QuietcuffError) -> str:
    """A refusal as a sentence for a person at a terminal."""
    if isinstance(error, Busy):
        # The store tells only that it failed; what the database itself said stands behind it.
        return sentence_of_database(error) or (error.told if isinstance(error, StoreFailing) else BUSY)
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
    """One fault as a sentence: its place, its code, and what is accepted."""
    place = fault.pointer if fault.pointer is not None else fault.parameter or fault.header
    if fault.row is not None:
        place = f"row {fault.row}" if fault.column is None else f"row {fault.row}, column {fault.column}"
    return f"Not accepted: {place or 'the whole text'} ({fault.code}). Accepted: {fault.detail.removeprefix('Accepted: ')}"


def sentence_of_database(error: BaseException) -> str | None:
    """Meaning of an error of the database, from the one table of its faults; None if it is not in the table."""
    # Loaded only when something failed: the table knows the drivers, which most commands need not wait for.
    from quietcuff.storage.engine.faults import sentence_of_database as told

    return told(error)
