"""Part of a resource: what ``_elements`` and ``_summary`` leave of it, marked as part. Source: FHIR R4 search, 3.1.1.5.8."""

from __future__ import annotations

from typing import TypeVar

import msgspec

from quietcuff.fhir import codes
from quietcuff.fhir.model.resources import Meta, Resource

R = TypeVar("R", bound=Resource)
ALWAYS = frozenset(("id", "meta"))
# What R4 demands of each type, whatever its profiles demand.
DEMANDED: dict[str, frozenset[str]] = {
    "Observation": frozenset(("status", "code")),
    "Patient": frozenset(),
    "Device": frozenset(),
    "Provenance": frozenset(("target", "recorded", "agent")),
    "AuditEvent": frozenset(("type", "recorded", "agent", "source")),
}
# The elements that R4 marks as summary, as far as they are ever filled here.
SUMMARY = {
    "Observation": frozenset(
        (
            *("identifier", "basedOn", "status", "code", "subject", "encounter", "effective", "issued", "performer"),
            *("value", "derivedFrom", "component"),
        )
    ),
    "Patient": frozenset(("identifier", "gender", "birthDate")),
    "Device": frozenset(("status",)),
    "Provenance": frozenset(("target", "recorded")),
    "AuditEvent": frozenset(("type", "subtype", "action", "recorded", "outcome", "agent", "source", "entity")),
}
# Of text alone, and no resource here has any: what must be there.
TEXT_ONLY: frozenset[str] = frozenset()
CHOICES = {"effectiveDateTime": "effective", "effectivePeriod": "effective", "valueQuantity": "value"}


def part_of(resource: R, elements: frozenset[str]) -> R:
    """The resource with these elements, and with those that R4 demands."""
    wanted = elements | DEMANDED[type(resource).__name__]
    # UNSET leaves out what a whole resource always has, too.
    gone = {field.name: msgspec.UNSET for field in msgspec.structs.fields(resource) if not is_wanted(field.encode_name, wanted)}
    found = msgspec.structs.replace(resource, **gone)
    known = found.meta or Meta()
    return msgspec.structs.replace(found, meta=msgspec.structs.replace(known, tag=[codes.SUBSETTED]))


def is_wanted(name: str, elements: frozenset[str]) -> bool:
    """True where an element stays. A contained device stays with the element that points to it."""
    if name == "contained":
        return "device" in elements
    return name in ALWAYS or name in elements or CHOICES.get(name) in elements
