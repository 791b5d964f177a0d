"""Readings that carry an identifier of their own: one reading of one person, by whichever sender it comes and however often."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any
from uuid import UUID

import msgspec

from quietcuff.application.context import Answer, UnitOfWork
from quietcuff.application.evaluate_and_keep import answer_of
from quietcuff.application.payloads.measured import reported_sets
from quietcuff.application.stored import SET_DECODER
from quietcuff.core.model.changes import Append, defaults_of
from quietcuff.core.model.errors import Conflict
from quietcuff.core.model.readings import Cuff, Device, Identifier, Reading, ReadingSet
from quietcuff.storage.engine.ids import keyed_digest, read_id
from quietcuff.storage.rows.claims import Claim, find_claim, insert_claim, pass_on_claim
from quietcuff.storage.rows.reading_sets import find_set
from quietcuff.storage.rows.versions import newest_answer, numbered_answer
from quietcuff.storage.schema.codes import CLAIM_KIND

ENCODER = msgspec.json.Encoder()
# Told in full by every sender, for without them it is a failed attempt; of the rest a sender may say less.
PRESSURES = ("systolic_mmhg", "diastolic_mmhg")
NOT_COMPARED = ("identifier", "voided", "cuff", "device")
DIFFERS = "What is stored of the reading with this identifier; to change it, correct its set with amend-reading."
ELSEWHERE = "Readings that are in no other set yet; leave this one out, or send the others to the set that has it."


def digest_of(turn: UnitOfWork, person: UUID, name: Identifier) -> bytes:
    """What a reading of a person is known by."""
    return keyed_digest(turn.tenant.secret, b"reading", str(person).encode(), name.system.encode(), name.value.encode())


def taken_back(turn: UnitOfWork, replaces: str | None) -> UUID | None:
    """The set that a new one replaces, where it was taken back."""
    row = None if replaces is None else find_set(turn.transaction, turn.tenant.tenant_id, read_id(replaces))
    return row.set_id if row is not None and row.status == "voided" else None


def known_sets(turn: UnitOfWork, person: UUID, readings: Sequence[Reading], replaced: UUID | None = None) -> dict[int, UUID]:
    """By place, the sets that have the readings which are stored already.

    A reading that was taken back since, alone or with its set, stays known: that it comes again does not bring it back.

    Raises:
        Conflict: ``reading-differs``: one is stored with other values.
    """
    found = {}
    for place, reading in enumerate(readings):
        claim = claim_of(turn, person, reading)
        if claim is not None and claim.set_id != replaced:
            refuse_other_values(turn, claim, reading, place)
            found[place] = claim.set_id
    return found


def claimed_sets(turn: UnitOfWork, person: UUID, readings: Sequence[Reading]) -> list[UUID]:
    """The sets for which identifiers of readings stand, whatever they say there."""
    claims = [claim_of(turn, person, reading) for reading in readings]
    return [claim.set_id for claim in claims if claim is not None]


def claim_of(turn: UnitOfWork, person: UUID, reading: Reading) -> Claim | None:
    """What the identifier of a reading stands for; None where it has none, or that is new."""
    if not isinstance(reading.identifier, Identifier):
        return None
    return find_claim(turn.transaction, turn.tenant.tenant_id, digest_of(turn, person, reading.identifier), turn.now)


def refuse_other_values(turn: UnitOfWork, claim: Claim, said: Reading, place: int) -> None:
    """Refuse a reading that says otherwise than the one that was stored first under its identifier.

    Raises:
        Conflict: it does; each field that does is named.
    """
    version = numbered_answer(turn.transaction, turn.tenant.tenant_id, claim.set_id, claim.version)
    if version is None:
        return
    first = SET_DECODER.decode(version.document)
    for stored in first.readings:
        if stored.identifier == said.identifier:
            fields = differing(said, stored, stored.cuff or first.cuff, stored.device or first.device)
            if fields:
                pointers = [f"/readings/{place}/{field}" for field in fields]
                raise Conflict("reading-differs", DIFFERS, str(claim.set_id), pointers)


def differing(said: Reading, stored: Reading, cuff: Cuff | None, device: Device | None) -> list[str]:
    """The fields in which a reading contradicts the stored one; what it leaves out contradicts nothing."""
    names = [name for name in Reading.__struct_fields__ if name not in NOT_COMPARED]
    found = [name for name in names if getattr(said, name) != getattr(stored, name) and (name in PRESSURES or says(said, name))]
    found += [f"cuff/{name}" for name in contradicted(said.cuff, cuff)]
    return found + [f"device/{name}" for name in contradicted(said.device, device)]


def contradicted(said: msgspec.Struct | None, stored: msgspec.Struct | None) -> list[str]:
    """The fields that a description says, and the stored one otherwise."""
    if said is None:
        return []
    names = [name for name in said.__struct_fields__ if says(said, name)]
    return [name for name in names if stored is None or getattr(said, name) != getattr(stored, name)]


def says(said: msgspec.Struct, name: str) -> bool:
    value: Any = getattr(said, name)
    return bool(value != defaults_of(type(said))[name])


def answer_known(turn: UnitOfWork, set_id: UUID, *, created: bool) -> Answer | None:
    """The set that has what was sent, as it stands."""
    version = newest_answer(turn.transaction, turn.tenant.tenant_id, set_id)
    return None if version is None else answer_of(version, created=created, replayed=True)


def answer_of_known(turn: UnitOfWork, person: UUID, reading_set: ReadingSet) -> Answer | None:
    """The answer to a new set all of whose readings are in one that is stored; None where none of them is. Those of a set that
    was taken back are not counted where the new one replaces it.

    Raises:
        Conflict: ``reading-differs``, or ``reading-elsewhere``: some are stored and some are not, or they are in several sets.
    """
    readings, replaced = reading_set.readings, taken_back(turn, reading_set.replaces)
    known = known_sets(turn, person, readings, replaced)
    known |= reported_sets(turn, person, readings, reading_set.device, replaced)
    if not known:
        return None
    if len(known) == len(readings) and len(set(known.values())) == 1:
        return answer_known(turn, known[0], created=True)
    refuse_elsewhere(known, readings)
    return None


def fresh_places(turn: UnitOfWork, person: UUID, set_id: UUID, change: Append) -> list[int]:
    """The places of those readings, of what is to be added to a set, that are not in it yet.

    Raises:
        Conflict: ``reading-differs``, or ``reading-elsewhere``: another set has one.
    """
    readings = [
        msgspec.structs.replace(reading, cuff=reading.cuff or change.cuff, device=reading.device or change.device)
        for reading in change.readings
    ]
    known = known_sets(turn, person, readings) | reported_sets(turn, person, readings, None)
    refuse_elsewhere({place: other for place, other in known.items() if other != set_id}, readings)
    return [place for place in range(len(readings)) if place not in known]


def refuse_elsewhere(known: dict[int, UUID], readings: Sequence[Reading]) -> None:
    """Refuse readings that other sets have.

    Raises:
        Conflict: there are any; the set is that of the first.
    """
    if known:
        named = {place for place in known if isinstance(readings[place].identifier, Identifier)}
        pointers = [f"/readings/{place}/identifier" if place in named else f"/readings/{place}" for place in sorted(known)]
        raise Conflict("reading-elsewhere", ELSEWHERE, str(known[min(known)]), pointers)


def keep_readings(turn: UnitOfWork, person: UUID, set_id: UUID, version: int, readings: Iterable[Reading]) -> None:
    """Have the identifiers of new readings stand for them, also those of a set that was taken back and is replaced."""
    for reading in readings:
        if isinstance(reading.identifier, Identifier):
            new = Claim(
                tenant_id=turn.tenant.tenant_id,
                key_digest=digest_of(turn, person, reading.identifier),
                kind=CLAIM_KIND.number("reading"),
                subject_id=person,
                set_id=set_id,
                version=version,
                body_digest=keyed_digest(turn.tenant.secret, b"body", ENCODER.encode(reading)),
                created_at=turn.now,
            )
            if not pass_on_claim(turn.transaction, new):
                insert_claim(turn.transaction, new)
