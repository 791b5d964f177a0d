"""The search parameters of Observation: one table that the parser reads and the CapabilityStatement shows, so that what is
said and what is done cannot differ."""

from __future__ import annotations

import re
from collections.abc import Callable

import msgspec

from quietcuff.core.errors import Fault, NotAcceptable
from quietcuff.export import codes
from quietcuff.export.dates import Clock, parse_date
from quietcuff.export.places import is_plain_id, observation_key
from quietcuff.export.shapes import CodeableConcept
from quietcuff.storage.entries import DateRange, Kind, ObservationQuery

MOST_ALTERNATIVES = 200
STATUSES = frozenset(("registered", "preliminary", "final", "amended", "corrected", "cancelled", "entered-in-error"))
CODE_OF_KIND: dict[Kind, CodeableConcept] = {
    "reading": codes.BP_PANEL,
    "pulse": codes.HEART_RATE,
    "flags": codes.DEVICE_STATUS,
    "mean": codes.MEAN_PANEL,
}
CATEGORY_OF_KIND: dict[Kind, CodeableConcept] = {
    "reading": codes.VITAL_SIGNS,
    "pulse": codes.VITAL_SIGNS,
    "mean": codes.VITAL_SIGNS,
}


class Asked(msgspec.Struct, frozen=True):
    """One parameter as it was asked: its alternatives, of which one must hold, and what they are read against."""

    name: str
    alternatives: list[str]
    fhir_url: str
    clock: Clock


Narrow = Callable[[ObservationQuery, Asked], ObservationQuery]


class Parameter(msgspec.Struct, frozen=True):
    """A search parameter: its FHIR type, the definition it follows, what it finds, and how it narrows a query."""

    name: str
    type: str
    definition: str
    documentation: str
    narrow: Narrow


def by_patient(query: ObservationQuery, asked: Asked) -> ObservationQuery:
    """Of these persons. An id that cannot be one of ours finds nothing."""
    wanted = frozenset(subject_id for text in asked.alternatives if is_plain_id(subject_id := patient_id(text, asked.fhir_url)))
    known = query.subject_ids
    return msgspec.structs.replace(query, subject_ids=wanted if known is None else known & wanted)


def patient_id(text: str, fhir_url: str) -> str:
    """The id in a reference: ``p1``, ``Patient/p1``, or the same as an absolute address of this service."""
    return text.removeprefix(f"{fhir_url}/").removeprefix("Patient/")


def by_code(query: ObservationQuery, asked: Asked) -> ObservationQuery:
    """Of what the code names. A component's code, such as systolic, finds nothing: it is not the Observation's code."""
    return of_kinds(query, asked, CODE_OF_KIND)


def by_category(query: ObservationQuery, asked: Asked) -> ObservationQuery:
    """Of this category; device flags have none."""
    return of_kinds(query, asked, CATEGORY_OF_KIND)


def of_kinds(query: ObservationQuery, asked: Asked, concepts: dict[Kind, CodeableConcept]) -> ObservationQuery:
    """Only the kinds whose concept one of the tokens names."""
    wanted = frozenset(
        kind
        for kind, concept in concepts.items()
        for coding in concept.coding or []
        if any(is_token_of(token, coding.system, coding.code) for token in asked.alternatives)
    )
    return msgspec.structs.replace(query, kinds=query.kinds & wanted)


def is_token_of(token: str, system: str, code: str) -> bool:
    """Whether ``code``, ``system|code`` or ``system|`` names a code; ``|code`` means a code without a system."""
    given_system, bar, given_code = token.rpartition("|")
    if not bar:
        return token == code
    return given_system == system and given_code in ("", code)


def by_status(query: ObservationQuery, asked: Asked) -> ObservationQuery:
    """In one of these states."""
    wanted = frozenset(
        status
        for status in STATUSES
        if any(is_token_of(token, codes.OBSERVATION_STATUS, status) for token in asked.alternatives)
    )
    known = query.statuses
    return msgspec.structs.replace(query, statuses=wanted if known is None else known & wanted)


def by_id(query: ObservationQuery, asked: Asked) -> ObservationQuery:
    """Of these ids. An id that cannot be one of ours finds nothing."""
    keys = frozenset(key for text in asked.alternatives if (key := observation_key(text)) is not None)
    known = query.keys
    return msgspec.structs.replace(query, keys=keys if known is None else known & keys)


def by_date(query: ObservationQuery, asked: Asked) -> ObservationQuery:
    """Measured then; for a mean, its whole period counts."""
    return msgspec.structs.replace(query, taken=(*query.taken, ranges(asked)))


def by_last_updated(query: ObservationQuery, asked: Asked) -> ObservationQuery:
    """Changed then."""
    return msgspec.structs.replace(query, updated=(*query.updated, ranges(asked)))


def ranges(asked: Asked) -> tuple[DateRange, ...]:
    return tuple(parse_date(text, asked.name, asked.clock) for text in asked.alternatives)


PARAMETERS = (
    Parameter("_id", "token", "Resource-id", "The logical id.", by_id),
    Parameter("_lastUpdated", "date", "Resource-lastUpdated", "When this version of the resource was made.", by_last_updated),
    Parameter("category", "token", "Observation-category", "vital-signs: readings, pulses and means.", by_category),
    Parameter("code", "token", "clinical-code", "The code of the whole Observation, not of a component.", by_code),
    Parameter("date", "date", "clinical-date", "When it was measured; for a mean, the period of its readings.", by_date),
    Parameter("patient", "reference", "clinical-patient", "Whose it is.", by_patient),
    Parameter(
        "status", "token", "Observation-status", "final, amended, corrected, preliminary or entered-in-error.", by_status
    ),
    Parameter("subject", "reference", "Observation-subject", "Whose it is; always a Patient.", by_patient),
)
BY_NAME = {parameter.name: parameter for parameter in PARAMETERS}


def alternatives_of(name: str, value: str) -> list[str]:
    """The values that a comma separates; a backslash keeps a comma, bar, dollar or backslash as it is.

    Raises:
        NotAcceptable: an empty value, which must not widen a search, or too many.
    """
    parts = [re.sub(r"\\([,|$\\])", r"\1", part) for part in re.split(r"(?<!\\),", value)]
    if "" in parts:
        raise NotAcceptable([Fault(parameter=name, code="empty", detail="A value, or the parameter left out.")])
    if len(parts) > MOST_ALTERNATIVES:
        detail = f"At most {MOST_ALTERNATIVES} alternatives."
        raise NotAcceptable([Fault(parameter=name, code="too-many", detail=detail)])
    return parts
