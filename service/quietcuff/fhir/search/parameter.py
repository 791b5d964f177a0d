"""One search parameter, as it is told and as it is asked: what the searches of all types share.

The values of search parameters: separators with their escapes, tokens, references. Source: FHIR R4 search, 3.1.1.4.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any
from uuid import UUID

import msgspec

from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.readings import Identifier
from quietcuff.fhir.model.logical_ids import is_plain_id
from quietcuff.fhir.search.date_values import Clock, parse_date
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.storage.engine.ids import device_id, subject_id
from quietcuff.storage.search.observations import Snapshot
from quietcuff.storage.search.query import DateRange
from quietcuff.storage.search.registries import devices_of_value, people_of_value

ESCAPED = re.compile(r"\\([,|$\\])")


def split(text: str, separator: str) -> list[str]:
    """The parts between separators that no backslash escapes; the parts keep their escapes."""
    if "\\" not in text:
        return text.split(separator)
    parts, begun, place = [], 0, 0
    while place < len(text):
        if text[place] == "\\":
            place += 2
            continue
        if text[place] == separator:
            parts.append(text[begun:place])
            begun = place + 1
        place += 1
    return [*parts, text[begun:]]


def unescaped_part(text: str) -> str:
    """A part without its escapes."""
    return ESCAPED.sub(r"\1", text) if "\\" in text else text


class SearchToken(msgspec.Struct, frozen=True):
    """A token: ``code`` in any system (None), in a system, or in none (""). An empty code means every code of the system."""

    system: str | None
    code: str

    def names(self, system: str | None, code: str) -> bool:
        """True where it names this code of this system."""
        return self.code in ("", code) and (self.system is None or self.system == (system or ""))


def token(text: str) -> SearchToken:
    """``code``, ``system|code``, ``system|`` or ``|code``; further bars belong to the code."""
    system, *rest = split(text, "|")
    if not rest:
        return SearchToken(None, unescaped_part(system))
    return SearchToken(unescaped_part(system), unescaped_part("|".join(rest)))


def refused(parameter: str, code: str, detail: str) -> NotAcceptable:
    """The one fault of a parameter."""
    return NotAcceptable.of(parameter=parameter, code=code, detail=detail)


MOST_ALTERNATIVES = 200


class AskedParameter(msgspec.Struct, frozen=True):
    """One parameter as it was asked: its alternatives, of which one must hold, still escaped; what they are read against."""

    name: str
    alternatives: list[str]
    publisher: Publisher
    clock: Clock
    snapshot: Snapshot | None = None

    @property
    def found_in(self) -> Snapshot:
        """The snapshot, for a parameter that must look something up first.

        Raises:
            NotAcceptable: it is asked where nothing can be looked up, as in the filter of an export.
        """
        if self.snapshot is None:
            raise refused(self.name, "not-supported", "A parameter that needs nothing looked up first.")
        return self.snapshot

    @property
    def plain(self) -> list[str]:
        return [unescaped_part(text) for text in self.alternatives]

    @property
    def tokens(self) -> list[SearchToken]:
        return [token(text) for text in self.alternatives]


Narrow = Callable[[Any, AskedParameter], Any]
# Narrows a query to what lacks the element that a parameter is about (true), or has it (false).
Lacking = Callable[[Any, bool], Any]
MISSING = ":missing"
# In place of a definition's name: the service defines the parameter itself.
OWN = "own"


def never_lacking(query: Any, is_missing: bool) -> Any:
    """Everything has the element."""
    return finds_nothing(query) if is_missing else query


def finds_nothing(query: Any) -> Any:
    return msgspec.structs.replace(query, keys=frozenset())


class SearchParameter(msgspec.Struct, frozen=True):
    """A search parameter: its FHIR type, the definition it follows, what it finds, and how it narrows a query. One without a
    definition is a chain or a modifier of another. ``lacking`` is None where ``:missing`` cannot be asked."""

    name: str
    type: str
    definition: str | None
    documentation: str
    narrow: Narrow
    lacking: Lacking | None = None


def of_type(parameter: SearchParameter, type: str) -> SearchParameter:
    """The same with its only type named, as in ``subject:Patient``."""
    return msgspec.structs.replace(parameter, name=f"{parameter.name}:{type}", definition=None, lacking=None)


def both(known: frozenset[Any] | None, wanted: frozenset[Any]) -> frozenset[Any]:
    """The intersection of two conditions; None is no condition."""
    return wanted if known is None else known & wanted


def reference_id(text: str, type: str, fhir_url: str) -> str:
    """The id in a reference: ``p1``, ``Patient/p1``, or the same as an absolute address of this service."""
    return text.removeprefix(f"{fhir_url}/").removeprefix(f"{type}/")


def ids_of(asked: AskedParameter, type: str) -> frozenset[str]:
    """The ids that references name. One that cannot be one of ours is none."""
    found = (reference_id(text, type, asked.publisher.fhir_url) for text in asked.plain)
    return frozenset(one for one in found if is_plain_id(one))


def identified_people(asked: AskedParameter) -> frozenset[UUID]:
    """The ids of the persons whom identifiers name.

    Raises:
        NotAcceptable: a system without a value.
    """
    return _identified(asked, subject_id, people_of_value)


def identified_devices(asked: AskedParameter) -> frozenset[UUID]:
    """The ids of the devices that identifiers name.

    Raises:
        NotAcceptable: a system without a value.
    """
    return _identified(asked, device_id, devices_of_value)


def _identified(
    asked: AskedParameter,
    id_of: Callable[[bytes, Identifier], UUID],
    ids_of_value: Callable[[Snapshot, int, str], list[UUID]],
) -> frozenset[UUID]:
    tenant, found = asked.publisher.tenant, set()
    for wanted in asked.tokens:
        if not wanted.code:
            raise refused(asked.name, "value-missing", "system|value, or a value alone.")
        if wanted.system is None:
            found |= set(ids_of_value(asked.found_in, tenant.tenant_id, wanted.code))
        elif wanted.system:
            # Ids are derived from identifiers with the tenant's secret: nothing has to be looked up.
            found.add(id_of(tenant.secret, Identifier(system=wanted.system, value=wanted.code)))
    return frozenset(found)


def by_last_updated(query: Any, asked: AskedParameter) -> Any:
    """Last moved then."""
    return msgspec.structs.replace(query, updated=(*query.updated, ranges(asked)))


def ranges(asked: AskedParameter) -> tuple[DateRange, ...]:
    return tuple(parse_date(text, asked.name, asked.clock) for text in asked.plain)


def alternatives_of(name: str, value: str) -> list[str]:
    """The values that a comma separates, as they were escaped.

    Raises:
        NotAcceptable: an empty value, which must not widen a search, or too many.
    """
    parts = split(value, ",")
    if "" in parts:
        raise NotAcceptable.of(parameter=name, code="empty", detail="A value, or the parameter left out.")
    if len(parts) > MOST_ALTERNATIVES:
        detail = f"At most {MOST_ALTERNATIVES} alternatives."
        raise NotAcceptable.of(parameter=name, code="too-many", detail=detail)
    return parts


LAST_UPDATED = SearchParameter(
    "_lastUpdated",
    "date",
    "Resource-lastUpdated",
    "When this version of the resource was made.",
    by_last_updated,
    never_lacking,
)
