"""Resources with some of their elements only. Source: FHIR R4 search, _elements; Bulk Data Access, _elements."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import msgspec

from quietcuff.export.shapes import Resource

ENCODER = msgspec.json.Encoder()
# What a client needs to know a resource by, and what base R4 demands of it: never left out.
ALWAYS = frozenset(("resourceType", "id", "meta"))
MANDATORY = {"Observation": ("status", "code"), "Provenance": ("target", "recorded", "agent")}
SUBSETTED = {"system": "http://terminology.hl7.org/CodeSystem/v3-ObservationValue", "code": "SUBSETTED"}


class Elements:
    """Which elements of one type of resource are wanted, out of a list such as ``Observation.code`` and ``subject``."""

    def __init__(self, resource_type: str, asked: Iterable[str]) -> None:
        named = [name.rpartition(".")[2] for name in asked if "." not in name or name.startswith(f"{resource_type}.")]
        self._kept = ALWAYS.union(named, MANDATORY.get(resource_type, ())) if named else None

    def line(self, resource: Resource) -> bytes:
        """A resource in JSON, on one line; where elements were named, marked as a part of itself."""
        if self._kept is None:
            return ENCODER.encode(resource)
        whole: dict[str, Any] = msgspec.to_builtins(resource)
        part = {name: value for name, value in whole.items() if name in self._kept}
        part["meta"] = {**whole.get("meta", {}), "tag": [SUBSETTED]}
        return ENCODER.encode(part)
