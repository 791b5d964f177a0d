"""Part of a resource: what ``_elements`` and ``_summary`` leave of it, marked as part. Source: FHIR R4 search, 3.1.1.5.8."""

from __future__ import annotations

from functools import cache, lru_cache
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
    kind: type[msgspec.Struct] = type(resource)
    # Only what it has: else whatever clients send would be remembered.
    found = msgspec.structs.replace(resource, **left_out_of(kind, elements & names_in(kind)))
    known = found.meta or Meta()
    return msgspec.structs.replace(found, meta=msgspec.structs.replace(known, tag=[codes.SUBSETTED]))


@cache
def names_in(kind: type[msgspec.Struct]) -> frozenset[str]:
    """The names by which elements of a type can be asked for."""
    return frozenset((*kind.__struct_encode_fields__, *CHOICES.values(), "device"))


# The same for all resources of a page.
@lru_cache(maxsize=64)
def left_out_of(kind: type[msgspec.Struct], elements: frozenset[str]) -> dict[str, msgspec.UnsetType]:
    """The fields of a type without these elements, each as unset, which leaves out what a whole resource always has, too."""
    wanted = elements | DEMANDED[kind.__name__]
    fields = zip(kind.__struct_fields__, kind.__struct_encode_fields__, strict=True)
    return {field: msgspec.UNSET for field, name in fields if not is_wanted(name, wanted)}


def is_wanted(name: str, elements: frozenset[str]) -> bool:
    """True where an element stays. A contained device stays with the element that points to it."""
    if name == "contained":
        return "device" in elements
    return name in ALWAYS or name in elements or CHOICES.get(name) in elements
