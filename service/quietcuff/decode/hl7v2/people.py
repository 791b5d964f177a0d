"""People of an HL7 v2 report: identifiers with their authority, never a number alone."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Literal
from urllib.parse import quote
from zoneinfo import ZoneInfo

import msgspec

from quietcuff.core.model.fields import Care
from quietcuff.core.model.readings import Identifier, Subject
from quietcuff.core.rulebook.rulebook import Limits
from quietcuff.decode.hl7v2.codes import EUI_64
from quietcuff.decode.hl7v2.syntax import Segment, Text, part
from quietcuff.decode.hl7v2.times import birth_date_of

# The identifiers that a person keeps, before those that are given for a visit.
KINDS = ("MR", "PI", "MRN")
Sex = Literal["female", "male", "other", "unknown"]
SEXES: dict[str, Sex] = {"F": "female", "M": "male", "O": "other", "A": "other", "N": "other", "U": "unknown"}
CARE: dict[str, Care] = {"I": "inpatient", "E": "emergency"}


class Conventions(msgspec.Struct, frozen=True, kw_only=True):
    """A tenant's defaults for its senders: the zone of times without an offset, and the systems of authorities by name.

    Times that cannot be are refused where it is said when the message came and by which limits.
    """

    zone: ZoneInfo
    authorities: Mapping[str, str] = {}
    received_at: datetime | None = None
    limits: Limits | None = None


class PersonId(msgspec.Struct, frozen=True):
    """One repetition of PID-3, as it was sent: ``authority`` has its parts joined with &."""

    id: str
    authority: list[str]
    kind: str


def system_of(authority: list[str], conventions: Conventions) -> str | None:
    """The system of an assigning authority: by its ISO OID, else by the tenant's own list, else by its name."""
    name, universal, kind = part(authority, 1), part(authority, 2), part(authority, 3).upper()
    if kind == "ISO" and universal and all(number.isdigit() for number in universal.split(".")):
        return f"urn:oid:{universal}"
    if kind == "UUID" and universal:
        return f"urn:uuid:{universal.lower()}"
    if kind == "EUI-64" and universal:
        return EUI_64
    named = name or universal
    if not named:
        return None
    return conventions.authorities.get(named) or f"urn:quietcuff:authority:{quote(named, safe='')}"


def identifier_of(value: str, authority: list[str], conventions: Conventions) -> Identifier | None:
    """An identifier; None without a number, without an authority, or with characters that cannot be kept."""
    system = system_of(authority, conventions)
    if not value or value == '""' or system is None:
        return None
    try:
        return msgspec.convert({"system": system, "value": value}, Identifier)
    except msgspec.ValidationError:
        return None


def entity_of(text: Text, segment: Segment, number: int, repetition: int, conventions: Conventions) -> Identifier | None:
    """The identifier of an EI: entity, namespace, universal id, its kind. One that is only universal is its own number."""
    parts = text.repetitions(segment, number)[repetition]
    authority = parts[1:4]
    value = part(parts, 1) or part(authority, 2)
    if part(authority, 3).upper() == "EUI-64":
        value = part(authority, 2).upper()
    return identifier_of(value, authority, conventions)


def ids_of(text: Text, pid: Segment) -> list[PersonId]:
    """Every identifier of the person, as sent."""
    return [
        PersonId(part(parts, 1), text.subcomponents(pid, 3, place, 3), part(parts, 5))
        for place, parts in enumerate(text.repetitions(pid, 3))
    ]


def subject_of(text: Text, pid: Segment, conventions: Conventions) -> Subject | None:
    """The person; None where no identifier has both a number and an authority."""
    ids = sorted(ids_of(text, pid), key=lambda each: KINDS.index(each.kind) if each.kind in KINDS else len(KINDS))
    found = (identifier_of(each.id, each.authority, conventions) for each in ids)
    identifier = next((each for each in found if each is not None), None)
    if identifier is None:
        return None
    sex = SEXES.get(text.first(pid, 8).upper())
    return Subject(identifier=identifier, birth_date=birth_date_of(text.first(pid, 7)), sex=sex)


def observer_of(text: Text, segment: Segment, conventions: Conventions) -> Identifier | None:
    """The observer: the number of OBX-16 with its authority; None where either is missing."""
    people = text.repetitions(segment, 16)
    return identifier_of(part(people[0], 1), text.subcomponents(segment, 16, 0, 8), conventions) if people else None
