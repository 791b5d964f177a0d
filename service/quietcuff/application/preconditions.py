"""Refusals of requests, for reasons in what is stored or in the request itself."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from msgspec import UNSET

from quietcuff.application.context import IfMatch, UnitOfWork
from quietcuff.core.model.changes import Correction, place_in_correction
from quietcuff.core.model.errors import Conflict, Fault, NotAcceptable, NotFound, QuietcuffError, VersionNotNamed, VersionStale
from quietcuff.core.model.readings import ReadingSet, voided_faults
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.core.sitting.acceptance import faults_of_meaning
from quietcuff.storage.engine.ids import read_id
from quietcuff.storage.rows.reading_sets import SetRow, find_set

SITTING_OVER = "sitting-over"


def refuse_what_the_service_adds(reading_set: ReadingSet, rulebook: Rulebook) -> None:
    """Refuse a new set that contains fields which only the service may fill in. Every other fault is reported with them.

    Raises:
        NotAcceptable: it holds a history, an intake or a voided reading.
    """
    if faults_of_adding(reading_set):
        raise NotAcceptable(faults_of_storing(reading_set, rulebook))


def faults_of_storing(reading_set: ReadingSet, rulebook: Rulebook) -> list[Fault]:
    """Every fault of a set by itself that keeps it from being stored."""
    return faults_of_adding(reading_set) + faults_of_meaning(reading_set, rulebook)


def faults_of_adding(reading_set: ReadingSet) -> list[Fault]:
    """Faults for the fields that only the service fills in: history, intake, ``replaced_by`` and voided readings."""
    detail = "Not in what is sent to be stored: the service makes it."
    faults = [
        Fault(pointer=f"/{name}", code="not-accepted-here", detail=detail)
        for name in ("history", "intake")
        if getattr(reading_set, name) is not None
    ]
    if reading_set.replaced_by is not UNSET:
        faults.append(Fault(pointer="/replaced_by", code="not-accepted-here", detail=detail))
    return faults + voided_faults(reading_set.readings)


def refuse_unknown_replaced(turn: UnitOfWork, reading_set: ReadingSet) -> None:
    """Refuse a set that claims to replace an unknown set.

    Raises:
        NotAcceptable: this tenant has no set of that id.
    """
    if reading_set.replaces is None:
        return
    try:
        is_known = find_set(turn.transaction, turn.tenant.tenant_id, read_id(reading_set.replaces)) is not None
    except NotFound:
        is_known = False
    if not is_known:
        raise NotAcceptable.of(pointer="/replaces", code="unknown-set", detail="The id of a set that is stored.")


def check_version(if_match: IfMatch, newest: int, *, any_will_do: bool) -> None:
    """Refuse a change that is not meant for the newest version.

    Raises:
        VersionNotNamed: no version is named, or ``*`` where a number is needed.
        VersionStale: another version is the newest.
    """
    if if_match is None or (if_match == "*" and not any_will_do):
        raise VersionNotNamed
    if if_match != "*" and newest not in if_match:
        raise VersionStale(newest)


def refuse_voided(row: SetRow) -> None:
    """Refuse to change a voided set.

    Raises:
        Conflict: it is voided.
    """
    if row.status == "voided":
        raise Conflict("set-voided", "The set was taken back; store a new one that replaces it.", str(row.set_id))


def refuse_closed(row: SetRow) -> None:
    """Refuse to add to a closed set.

    Raises:
        Conflict: it is closed.
    """
    if row.closed_at is not None:
        raise Conflict("set-closed", "The set is closed; reopen it, or store a new one.", str(row.set_id))


def refuse_reopening(row: SetRow, now: datetime, hours: int) -> None:
    """Refuse to reopen a set that is open or was closed too long ago.

    Raises:
        Conflict: either.
    """
    if row.closed_at is None:
        raise Conflict("set-open", "The set is open.", str(row.set_id))
    if now - row.closed_at > timedelta(hours=hours):
        raise Conflict("reopen-too-late", f"Reopen within {hours} hours of closing; later, correct it.", str(row.set_id))


def of_append(refusal: NotAcceptable, row: SetRow, stored: int, fresh: Sequence[int]) -> QuietcuffError:
    """The refusal of an appended set, with its pointers moved into the request body. ``fresh`` are the places in the request of
    those readings that were not stored yet.

    ``sitting-over`` depends on the stored readings as much as on the new ones, so it is a conflict.
    """
    over = [fault for fault in refusal.faults if fault.code == SITTING_OVER]
    if over:
        return Conflict(SITTING_OVER, over[0].detail, str(row.set_id))
    return NotAcceptable([moved_to(fault, place_in_append(fault.pointer or "", stored, fresh)) for fault in refusal.faults])


def of_correction(refusal: NotAcceptable, correction: Correction) -> QuietcuffError:
    """The refusal of a corrected set, with its pointers moved into the correction."""
    return NotAcceptable([moved_to(fault, place_in_correction(correction, fault.pointer or "")) for fault in refusal.faults])


def place_in_append(pointer: str, stored: int, fresh: Sequence[int]) -> str:
    """Pointer in the appended readings for a pointer in the whole set."""
    parts = pointer.split("/")
    if parts[1:2] == ["readings"] and len(parts) > 2 and int(parts[2]) >= stored:
        return "/".join(["/readings", str(fresh[int(parts[2]) - stored]), *parts[3:]])
    return pointer if pointer == "/readings" else ""


def moved_to(fault: Fault, pointer: str) -> Fault:
    return Fault(pointer=pointer, code=fault.code, detail=fault.detail)
