"""Requests and readings that are recognised when they come again, by claims of their keys, identifiers and content.

A repeated request gets its first answer. A reading with an identifier of its own is one reading of one person, whoever sends it
and however often.
"""

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
from quietcuff.core.model.errors import Conflict, NotAcceptable
from quietcuff.core.model.readings import Cuff, Device, Identifier, Reading, ReadingSet
from quietcuff.storage.engine.ids import keyed_digest, read_id
from quietcuff.storage.rows.claims import Claim, find_claim, insert_claim, pass_on_claim
from quietcuff.storage.rows.reading_sets import find_set
from quietcuff.storage.rows.tenants import Tenant
from quietcuff.storage.rows.versions import newest_answer, numbered_answer
from quietcuff.storage.schema.codes import CLAIM_KIND

ENCODER = msgspec.json.Encoder()
# Told in full by every sender, for without them it is a failed attempt; of the rest a sender may say less.
PRESSURES = ("systolic_mmhg", "diastolic_mmhg")
NOT_COMPARED = ("identifier", "voided", "cuff", "device")
DIFFERS = "What is stored of the reading with this identifier; to change it, correct its set with amend-reading."
ELSEWHERE = "Readings that are in no other set yet; leave this one out, or send the others to the set that has it."


class Claims(msgspec.Struct, frozen=True, kw_only=True):
    """Claims of one request: digests of its key and of its identifier by kind, in this order, and of its content. Key and
    identifier may be missing."""

    digests: list[tuple[str, bytes]] = []
    body: bytes = b""


def claims_of(
    tenant: Tenant, route: str, body: msgspec.Struct, *, key: str | None, identifier: Identifier | None = None
) -> Claims:
    """Claims of a request. The body is recognised by its meaning, not by the way its JSON was written. A request with neither
    key nor identifier claims nothing, and its body is not encoded for it."""
    secret = tenant.secret
    if key is None and identifier is None:
        return Claims()
    digests = []
    if key is not None:
        digests.append(("key", keyed_digest(secret, b"key", key.encode())))
    if identifier is not None:
        parts = identifier.system.encode(), identifier.value.encode()
        digests.append(("identifier", keyed_digest(secret, b"identifier", *parts)))
    return Claims(digests=digests, body=body_digest(tenant, route, body))


def body_digest(tenant: Tenant, route: str, body: msgspec.Struct) -> bytes:
    """The digest by which the body of a request is recognised."""
    # Encoded anew from the struct, so that other white space or order of keys does not make it another body.
    return keyed_digest(tenant.secret, b"body", route.encode(), ENCODER.encode(body))


def first_answer(turn: UnitOfWork, claims: Claims) -> Answer | None:
    """The answer to the same request, if it came before.

    Raises:
        NotAcceptable: the key stands for a request with another body.
        Conflict: the identifier stands for a set with another body.
    """
    for kind, digest in claims.digests:
        found = find_claim(turn.transaction, turn.tenant.tenant_id, digest, turn.now)
        if found is None:
            continue
        # Bodies are compared, not only keys: a key used for two requests must not return the answer of the wrong one.
        if found.body_digest != claims.body:
            refuse_another_body(kind, found.set_id)
        version = numbered_answer(turn.transaction, turn.tenant.tenant_id, found.set_id, found.version)
        if version is not None:
            return answer_of(version, created=version.cause == "created", replayed=True)
    return None


def refuse_another_body(kind: str, set_id: UUID) -> None:
    if kind == "key":
        detail = "A key that was not used with another body; each request its own."
        raise NotAcceptable.of(header="Idempotency-Key", code="key-reused", detail=detail)
    raise Conflict("identifier-taken", "A set with this identifier and another body is stored.", str(set_id))


def keep_claims(turn: UnitOfWork, claims: Claims, subject_id: UUID, set_id: UUID, version: int) -> None:
    """Store the claims as claims of a version."""
    for kind, digest in claims.digests:
        new = Claim(
            tenant_id=turn.tenant.tenant_id,
            key_digest=digest,
            kind=CLAIM_KIND.number(kind),
            subject_id=subject_id,
            set_id=set_id,
            version=version,
            body_digest=claims.body,
            created_at=turn.now,
        )
        insert_claim(turn.transaction, new)


def digest_of(tenant: Tenant, person: UUID, name: Identifier) -> bytes:
    """Digest under which a person's reading is known."""
    return keyed_digest(tenant.secret, b"reading", str(person).encode(), name.system.encode(), name.value.encode())


def taken_back(turn: UnitOfWork, replaces: str | None) -> UUID | None:
    """The voided set that a new set replaces, or None."""
    row = None if replaces is None else find_set(turn.transaction, turn.tenant.tenant_id, read_id(replaces))
    return row.set_id if row is not None and row.status == "voided" else None


def known_sets(turn: UnitOfWork, person: UUID, readings: Sequence[Reading], replaced: UUID | None = None) -> dict[int, UUID]:
    """Sets that already hold some of the readings, by place.

    A reading that was voided since, alone or with its set, stays known: sending it again does not bring it back.

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
    """Sets that hold readings with these identifiers, whatever their values are."""
    claims = [claim_of(turn, person, reading) for reading in readings]
    return [claim.set_id for claim in claims if claim is not None]


def claim_of(turn: UnitOfWork, person: UUID, reading: Reading) -> Claim | None:
    """The claim of a reading's identifier; None if it has no identifier or a new one."""
    if not isinstance(reading.identifier, Identifier):
        return None
    return find_claim(turn.transaction, turn.tenant.tenant_id, digest_of(turn.tenant, person, reading.identifier), turn.now)


def refuse_other_values(turn: UnitOfWork, claim: Claim, said: Reading, place: int) -> None:
    """Refuse a reading whose values contradict the reading first stored under its identifier.

    Raises:
        Conflict: they do; each such field is named.
    """
    # The version that stored it and not the newest: a repeat of the first request must not fail after a correction.
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
    """Names of the fields that contradict the stored reading. A field that is left out contradicts nothing."""
    names = [name for name in Reading.__struct_fields__ if name not in NOT_COMPARED]
    found = [name for name in names if getattr(said, name) != getattr(stored, name) and (name in PRESSURES or says(said, name))]
    found += [f"cuff/{name}" for name in contradicted(said.cuff, cuff)]
    return found + [f"device/{name}" for name in contradicted(said.device, device)]


def contradicted(said: msgspec.Struct | None, stored: msgspec.Struct | None) -> list[str]:
    """Names of the fields that a description fills in with other values than the stored one."""
    if said is None:
        return []
    names = [name for name in said.__struct_fields__ if says(said, name)]
    return [name for name in names if stored is None or getattr(said, name) != getattr(stored, name)]


def says(said: msgspec.Struct, name: str) -> bool:
    value: Any = getattr(said, name)
    return bool(value != defaults_of(type(said))[name])


def answer_known(turn: UnitOfWork, set_id: UUID, *, created: bool) -> Answer | None:
    """The set that already holds the readings, in its newest version."""
    version = newest_answer(turn.transaction, turn.tenant.tenant_id, set_id)
    return None if version is None else answer_of(version, created=created, replayed=True)


def answer_of_known(turn: UnitOfWork, person: UUID, reading_set: ReadingSet) -> Answer | None:
    """Answer to a new set whose readings are all in one stored set; None if no reading is stored. Readings of a voided set do
    not count if the new set replaces it.

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
    """Places of the readings to append that are not in the set yet.

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
    """Refuse readings that are in other sets.

    Raises:
        Conflict: there are any; it names the set of the first one.
    """
    if known:
        named = {place for place in known if isinstance(readings[place].identifier, Identifier)}
        pointers = [f"/readings/{place}/identifier" if place in named else f"/readings/{place}" for place in sorted(known)]
        raise Conflict("reading-elsewhere", ELSEWHERE, str(known[min(known)]), pointers)


def keep_readings(turn: UnitOfWork, person: UUID, set_id: UUID, version: int, readings: Iterable[Reading]) -> None:
    """Claim the identifiers of new readings. A claim of a voided set that is replaced passes to the new set."""
    for reading in readings:
        if isinstance(reading.identifier, Identifier):
            new = Claim(
                tenant_id=turn.tenant.tenant_id,
                key_digest=digest_of(turn.tenant, person, reading.identifier),
                kind=CLAIM_KIND.number("reading"),
                subject_id=person,
                set_id=set_id,
                version=version,
                body_digest=keyed_digest(turn.tenant.secret, b"body", ENCODER.encode(reading)),
                created_at=turn.now,
            )
            if not pass_on_claim(turn.transaction, new):
                insert_claim(turn.transaction, new)
