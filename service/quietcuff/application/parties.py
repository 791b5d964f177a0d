"""The person and the devices of an incoming set, completed from the registries, and the new facts for those registries.

Fields that the caller left blank are filled in from the registry, and differences are noted. Devices that the registry does not
know are stored as seen.
"""

from __future__ import annotations

from collections.abc import Mapping
from operator import attrgetter
from typing import Any, TypeVar
from uuid import UUID

import msgspec

from quietcuff.application.context import UnitOfWork
from quietcuff.core.model.changes import defaults_of
from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.fields import YesNo
from quietcuff.core.model.readings import OWN_DEVICE, Cuff, Device, Facts, Identifier, Reading, ReadingSet, Subject
from quietcuff.core.model.registry import RegisteredDevice, as_in_a_set
from quietcuff.storage.engine.ids import device_id
from quietcuff.storage.rows.devices import DeviceRow, find_device, insert_seen_device
from quietcuff.storage.rows.subjects import SubjectRow, change_subject, find_deleted_subject, insert_subject

S = TypeVar("S", bound=msgspec.Struct)
Registry = Mapping[Identifier, RegisteredDevice | None]

FACTS = Facts.__struct_fields__
VALUES_OF_FACTS = attrgetter(*FACTS)
BLANK_FACTS = VALUES_OF_FACTS(Facts())
DEVICE_FIELDS = Device.__struct_fields__


def filled(said: S, known: msgspec.Struct, names: tuple[str, ...]) -> S:
    """A struct with its blank fields of those names filled in from another struct."""
    blank = defaults_of(type(said))
    values = {name: getattr(known, name) for name in names if getattr(said, name) == blank[name]}
    return msgspec.structs.replace(said, **values) if values else said


def compare_facts(said: Facts, known: Facts) -> tuple[dict[str, Any], dict[str, Any], list[str]]:
    """What only ``known`` records of a person, what only ``said`` does, and the names of what they record differently."""
    missing, new, differ = {}, {}, []
    for name, of_set, stored, blank in zip(FACTS, VALUES_OF_FACTS(said), VALUES_OF_FACTS(known), BLANK_FACTS, strict=True):
        # Mostly both say the same.
        if of_set == stored:
            continue
        if of_set == blank:
            missing[name] = stored
        elif stored == blank:
            new[name] = of_set
        else:
            differ.append(name)
    return missing, new, differ


def facts_that_differ(said: Facts, known: Facts) -> list[str]:
    """Names of the facts that both sides record with different values."""
    return compare_facts(said, known)[2]


def facts_text(known: Facts, **learnt: Any) -> bytes:
    """The facts of a person as JSON, without the identifier, and with what was learnt meanwhile."""
    # Without a struct, which would check again what was checked when it came in.
    facts = dict(zip(FACTS, VALUES_OF_FACTS(known), strict=True))
    facts.update(learnt)
    return ENCODER.encode(facts)


def with_known_devices(reading_set: ReadingSet, registry: Registry) -> ReadingSet:
    """The set with its blank fields about devices and cuffs filled in from the registry."""
    if not any(registry.values()):
        return reading_set
    own = registered(reading_set.device, registry)
    return msgspec.structs.replace(
        reading_set,
        device=known_device(reading_set.device, own),
        cuff=known_cuff(reading_set.cuff, own),
        readings=[with_known_device(reading, registry) for reading in reading_set.readings],
    )


def with_known_device(reading: Reading, registry: Registry) -> Reading:
    own = registered(reading.device, registry)
    if own is None:
        return reading
    return msgspec.structs.replace(reading, device=known_device(reading.device, own), cuff=known_cuff(reading.cuff, own))


def registered(device: Device | None, registry: Registry) -> RegisteredDevice | None:
    """The registered document of a device, or None."""
    return None if device is None or device.identifier is None else registry.get(device.identifier)


def known_device(device: Device | None, known: RegisteredDevice | None) -> Device | None:
    return device if device is None or known is None else filled(device, as_in_a_set(known), DEVICE_FIELDS)


def known_cuff(cuff: Cuff | None, known: RegisteredDevice | None) -> Cuff | None:
    """The cuff with the range marked on the device's registered cuff of the same size."""
    # A range that the caller sent is kept: the cuff in the hand counts, not the one that was registered.
    if cuff is None or known is None or cuff.size is None or cuff.range_cm is not None:
        return cuff
    ranges = [own.range_cm for own in known.cuffs if own.size == cuff.size]
    return msgspec.structs.replace(cuff, range_cm=ranges[0]) if ranges else cuff


def registration(registry: Registry) -> YesNo:
    """``yes`` if every device that a set names is registered, else ``no``; ``not-recorded`` if it names none."""
    if not registry:
        return "not-recorded"
    return "yes" if all(registry.values()) else "no"


ENCODER = msgspec.json.Encoder()
DECODER = DocumentDecoder(Facts)


class ResolvedPerson(msgspec.Struct, frozen=True, kw_only=True):
    """A person as the set and the registry know them together: ``said`` is the set's subject completed from the registry,
    ``row`` the registry's row completed from the set."""

    said: Subject
    differ: list[str]
    row: SubjectRow
    is_new: bool
    is_changed: bool


def resolve_person(turn: UnitOfWork, subject_id: UUID, said: Subject, known: SubjectRow | None) -> ResolvedPerson:
    """Combine what a set and the registry know of a person. Where they differ, each keeps its own value."""
    met = meet(said, None if known is None else known.facts)
    return ResolvedPerson(
        said=met.said,
        differ=met.differ,
        row=row_of(turn, subject_id, said, known, met.learnt),
        is_new=known is None,
        is_changed=known is not None and met.learnt is not None,
    )


class MetFacts(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What a set and the registry say of a person: ``said`` is the set's subject completed, ``learnt`` are the facts that the
    registry has from now on, None where they stay."""

    said: Subject
    differ: list[str]
    learnt: bytes | None


def meet(said: Subject, known: bytes | None) -> MetFacts:
    """Combine what a set says of a person with the facts of the registry, None of somebody new."""
    if known is None:
        return MetFacts(said=said, differ=[], learnt=facts_text(said))
    facts = DECODER.decode(known)
    missing, learnt, differ = compare_facts(said, facts)
    return MetFacts(
        said=msgspec.structs.replace(said, **missing) if missing else said,
        differ=differ,
        learnt=facts_text(facts, **learnt) if learnt else None,
    )


def row_of(turn: UnitOfWork, subject_id: UUID, said: Subject, known: SubjectRow | None, learnt: bytes | None) -> SubjectRow:
    """The registry's row of a person with the facts that were learnt."""
    if known is None:
        # ``meet`` encoded the facts of somebody new already.
        return new_row(turn, subject_id, said, learnt or facts_text(said))
    if learnt is None:
        return known
    return msgspec.structs.replace(known, facts=learnt, version=known.version + 1, updated_at=turn.now)


def save_learnt(turn: UnitOfWork, subject_id: UUID, said: Subject, known: SubjectRow | None, learnt: bytes | None) -> None:
    """Store what a set told of a person.

    Raises:
        IntegrityError: as ``save``.
    """
    row = row_of(turn, subject_id, said, known, learnt)
    if known is None:
        insert_subject(turn.transaction, row)
    elif learnt is not None:
        change_subject(turn.transaction, row)


def save(turn: UnitOfWork, met: ResolvedPerson) -> None:
    """Store new facts in the registry.

    Raises:
        IntegrityError: another process stored the person meanwhile, as the database tells it when the group is written.
    """
    if met.is_new:
        insert_subject(turn.transaction, met.row)
    if met.is_changed:
        change_subject(turn.transaction, met.row)


def new_row(turn: UnitOfWork, subject_id: UUID, said: Subject, facts: bytes) -> SubjectRow:
    """The registry's row of somebody new."""
    # A person who was deleted and comes again gets the next version number: a number that a reader has seen must not be
    # used for other content.
    deleted = find_deleted_subject(turn.transaction, turn.tenant.tenant_id, subject_id)
    return SubjectRow(
        tenant_id=turn.tenant.tenant_id,
        subject_id=subject_id,
        system=said.identifier.system,
        value=said.identifier.value,
        facts=facts,
        version=1 if deleted is None else deleted.version + 1,
        created_at=turn.now,
        updated_at=turn.now,
    )


def with_facts(turn: UnitOfWork, row: SubjectRow, facts: Facts) -> SubjectRow:
    """The row with other facts and the next version number."""
    return msgspec.structs.replace(row, facts=ENCODER.encode(facts), version=row.version + 1, updated_at=turn.now)


DEVICE_DECODER = DocumentDecoder(RegisteredDevice)


class Equipment(msgspec.Struct, frozen=True, kw_only=True):
    """Registered documents of the devices that a set names, and those of its devices that have no row yet."""

    registry: Registry
    unseen: list[Device]


class StoredEquipment(msgspec.Struct, frozen=True, kw_only=True):
    """The same before anything is decoded: the document of each naming of a device, None of one that is not registered."""

    documents: list[bytes | None]
    unseen: list[Device]


def identified_devices(reading_set: ReadingSet) -> list[tuple[Identifier, Device]]:
    """The devices with an identifier that a set names, as often as it does, its own first."""
    named = [reading_set.device, *map(OWN_DEVICE, reading_set.readings)]
    return [(device.identifier, device) for device in named if device is not None and device.identifier is not None]


def look_up(turn: UnitOfWork, reading_set: ReadingSet) -> Equipment:
    """Registered documents of the devices that a set names."""
    found = look_up_stored(turn, reading_set)
    return Equipment(registry=registry_of(reading_set, found.documents), unseen=found.unseen)


def look_up_stored(turn: UnitOfWork, reading_set: ReadingSet) -> StoredEquipment:
    """The rows of the devices that a set names, its own first; each device is looked up once."""
    rows: dict[Identifier, DeviceRow | None] = {}
    documents, unseen = [], []
    for identifier, device in identified_devices(reading_set):
        if identifier not in rows:
            rows[identifier] = find_device(turn.transaction, turn.tenant.tenant_id, device_id(turn.tenant.secret, identifier))
            if rows[identifier] is None:
                unseen.append(device)
        row = rows[identifier]
        documents.append(row.document if row is not None and row.registered else None)
    return StoredEquipment(documents=documents, unseen=unseen)


def registry_of(reading_set: ReadingSet, documents: list[bytes | None]) -> Registry:
    """The registered devices of a set, from the documents of its devices as often as it names them."""
    found: dict[Identifier, RegisteredDevice | None] = {}
    for (identifier, _), document in zip(identified_devices(reading_set), documents, strict=True):
        if identifier not in found:
            found[identifier] = None if document is None else DEVICE_DECODER.decode(document)
    return found


def note_seen(turn: UnitOfWork, unseen: list[Device]) -> None:
    """Store a row for each device that had none, as the set describes it."""
    for device in unseen:
        identifier = device.identifier
        if identifier is not None:
            row = DeviceRow(
                tenant_id=turn.tenant.tenant_id,
                device_id=device_id(turn.tenant.secret, identifier),
                system=identifier.system,
                value=identifier.value,
                registered=False,
                document=ENCODER.encode(device),
                version=1,
                updated_at=turn.now,
            )
            insert_seen_device(turn.transaction, row)


def own_device_id(secret: bytes, reading_set: ReadingSet) -> UUID | None:
    """Id of the set's own device, if that has an identifier."""
    device = reading_set.device
    if device is None or device.identifier is None:
        return None
    return device_id(secret, device.identifier)
