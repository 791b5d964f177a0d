"""Lines with some elements of their resources only. Source: Bulk Data Access 3, _elements."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from quietcuff.fhir.model.resources import Resource
from quietcuff.fhir.search.elements import part_of

ENCODER = msgspec.json.Encoder()


class Elements:
    """Which elements of one type of resource are wanted, out of a list such as ``Observation.code`` and ``subject``."""

    def __init__(self, resource_type: str, asked: Iterable[str]) -> None:
        named = [name.rpartition(".")[2] for name in asked if "." not in name or name.startswith(f"{resource_type}.")]
        self._named = frozenset(named)

    def line(self, resource: Resource) -> bytes:
        """A resource in JSON, on one line; where elements were named, marked as a part of itself."""
        return ENCODER.encode(part_of(resource, self._named) if self._named else resource)
