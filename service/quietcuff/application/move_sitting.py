"""Move of a sitting stored for the wrong person: voided there and stored anew for the right person, in one transaction."""

from __future__ import annotations

from typing import Any
from uuid import UUID

import msgspec
from msgspec import UNSET

from quietcuff.application import parties, preconditions, recognised
from quietcuff.application.context import Answer, AppContext, Caller, IfMatch, UnitOfWork, turn_of
from quietcuff.application.evaluate_and_keep import keep
from quietcuff.application.recognised import Claims, claims_of, first_answer, keep_claims
from quietcuff.application.stored import StoredSet, find_row, load
from quietcuff.application.version_rows import Draft
from quietcuff.core.model.changes import Move
from quietcuff.core.model.errors import Conflict, NotAcceptable
from quietcuff.core.model.readings import Reading, ReadingSet, Subject
from quietcuff.storage.engine.ids import order_of_set, read_id, subject_id
from quietcuff.storage.rows.payloads import find_placed, links_of_set, tell_of
from quietcuff.storage.rows.subjects import SubjectRow, lock_subject

MOVE = "POST /v1/reading-sets/{id}/move"


async def move(
    desk: AppContext, caller: Caller, set_id: str, wanted: Move, *, if_match: IfMatch, idempotency_key: str | None
) -> Answer:
    """Move a sitting to the right person and return the new set. The two sets name each other.

    Raises:
        NotFound, VersionNotNamed, VersionStale: as for every change.
        Conflict: ``set-voided``, or ``reading-elsewhere``: the other person has a reading of it.
        NotAcceptable: ``same-person``, what the rules cannot evaluate of the other person, or its key is of another body.
    """
    tenant, wanted_id = await desk.tenants.get(caller.tenant_id), read_id(set_id)
    claims = claims_of(tenant, f"{MOVE} {wanted_id}", wanted, key=idempotency_key)
    return await desk.store.write(
        tenant.tenant_id,
        lambda transaction: store_move(turn_of(desk, tenant, caller, transaction), wanted_id, wanted, if_match, claims),
        order=order_of_set(wanted_id),
    )


def store_move(turn: UnitOfWork, set_id: UUID, wanted: Move, if_match: IfMatch, claims: Claims) -> Answer:
    """Store the version that voids a set, and the first version of the set that replaces it."""
    old, new = find_row(turn, set_id).subject_id, subject_id(turn.tenant.secret, wanted.subject.identifier)
    if old == new:
        detail = "The identifier of another person than the set is of."
        raise NotAcceptable.of(pointer="/subject/identifier", code="same-person", detail=detail)
    # Always in the same order, so that two moves the other way round do not wait for each other.
    known = {person: lock_subject(turn.transaction, turn.tenant.tenant_id, person) for person in sorted((old, new))}
    answered = first_answer(turn, claims)
    if answered is not None:
        return answered
    row = find_row(turn, set_id)
    preconditions.check_version(if_match, row.version, any_will_do=False)
    preconditions.refuse_voided(row)
    stored, new_id = load(turn, row), turn.desk.new_id(new, turn.now)
    answer = store_there(turn, new, new_id, stored, wanted, known[new])
    take_back(turn, old, stored, new_id, wanted)
    keep_claims(turn, claims, new, new_id, answer.version)
    return answer


def take_back(turn: UnitOfWork, old: UUID, stored: StoredSet, new_id: UUID, wanted: Move) -> None:
    """Void the set at the wrong person, with the id of the set that replaces it."""
    voided = Draft(
        reading_set=msgspec.structs.replace(stored.reading_set, closed=True, replaced_by=str(new_id)),
        cause="voided",
        codes=["set-voided"],
        is_voided=True,
        facts_differ=stored.facts_differ,
        author=wanted.author,
        reason=wanted.reason,
    )
    keep(turn, old, stored.row.set_id, voided, stored)


def store_there(turn: UnitOfWork, new: UUID, new_id: UUID, stored: StoredSet, wanted: Move, known: SubjectRow | None) -> Answer:
    """Store the sitting for the right person, without its voided readings."""
    before = stored.reading_set
    places = [place for place, reading in enumerate(before.readings) if not reading.voided]
    met = parties.resolve_person(turn, new, wanted.subject, known)
    moved = as_of(before, met.said, [before.readings[place] for place in places], str(stored.row.set_id))
    refuse_what_they_have(turn, new, moved.readings)
    notes = [] if before.intake is None else before.intake.notes
    draft = Draft(
        reading_set=moved,
        cause="created",
        is_of_new_person=met.is_new,
        facts_differ=met.differ,
        source_keys=source_keys(turn, stored, places),
        notes=[msgspec.structs.replace(note, reading=places.index(note.reading)) for note in notes if note.reading in places],
        author=wanted.author,
        reason=wanted.reason,
    )
    answer = keep(turn, new, new_id, draft, None)
    parties.save(turn, met)
    recognised.keep_readings(turn, new, new_id, answer.version, moved.readings)
    # The payloads of the sitting now concern the new person too, so that erasing that person finds them.
    for link in links_of_set(turn.transaction, turn.tenant.tenant_id, stored.row.subject_id, stored.row.set_id):
        tell_of(turn.transaction, turn.tenant.tenant_id, link.payload_id, [new])
    return answer


def as_of(before: ReadingSet, subject: Subject, readings: list[Reading], replaces: str) -> ReadingSet:
    """The sitting with another subject. Its identifier stays with the voided set, so that a repeat of the first request is
    still recognised."""
    change: dict[str, Any] = {"identifier": None, "history": None, "intake": None, "replaced_by": UNSET}
    return msgspec.structs.replace(before, subject=subject, readings=readings, replaces=replaces, **change)


def refuse_what_they_have(turn: UnitOfWork, new: UUID, readings: list[Reading]) -> None:
    """Refuse readings whose identifiers the other person already has. Readings in voided sets do not count, so that a sitting
    can be moved back and forth.

    Raises:
        Conflict: there are some.
    """
    stand = [set_id for set_id in recognised.claimed_sets(turn, new, readings) if not is_voided(turn, set_id)]
    if stand:
        detail = "A set of whose readings the other person has none: void this one instead."
        raise Conflict("reading-elsewhere", detail, str(stand[0]))


def is_voided(turn: UnitOfWork, set_id: UUID) -> bool:
    return find_row(turn, set_id).status == "voided"


def source_keys(turn: UnitOfWork, stored: StoredSet, places: list[int]) -> dict[int, bytes]:
    """Keys under which devices and systems sent the readings, by new place. A sender that repeats them for the right person is
    then recognised."""
    row, found = stored.row, {}
    for number, place in enumerate(places):
        source = find_placed(turn.transaction, row.tenant_id, row.subject_id, row.set_id, place)
        if source is not None and source.source_key is not None:
            found[number] = source.source_key
    return found
