"""Included resources of a search of Observations: people, devices, the readings that they are
derived from, and how they came about. Source: FHIR R4 search, 3.1.1.5.4."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any
from uuid import UUID

from quietcuff.fhir.model.logical_ids import is_plain_id, observation_key
from quietcuff.fhir.model.resources import Observation, Resource
from quietcuff.fhir.read.parties import device_row, device_shown, patient_shown, subject_row
from quietcuff.fhir.read.provenances import provenances_about
from quietcuff.fhir.search.parameter import refused
from quietcuff.fhir.versions.stored_sets import Publisher, observations_at
from quietcuff.storage.search.observations import Snapshot, find_observations
from quietcuff.storage.search.query import ObservationQuery
from quietcuff.storage.search.registries import DEVICES, PEOPLE, RowQuery, RowSource, find_rows

Found = Sequence[Observation]
# More than a page can point to: every entry once, or every reading of a set of the most readings.
MOST_INCLUDED = 100_000


def included(
    snapshot: Snapshot, publisher: Publisher, names: Sequence[str], iterated: Sequence[str], found: Found
) -> list[Resource]:
    """The resources that were asked for with those found, each once, and none that was found itself. Those of ``iterated`` come
    along with Observations that came along, too. What the caller may not read stays out."""
    known = {(type(one).__name__, one.id) for one in found}
    resources: list[Resource] = []
    ways, among = [*names, *iterated], found
    while ways and among:
        start = len(resources)
        for name in dict.fromkeys(ways):
            for resource in WAYS[name](snapshot, publisher, among):
                key = (type(resource).__name__, resource.id)
                if key not in known and publisher.sight.may_see(key[0]):
                    known.add(key)
                    resources.append(resource)
        ways, among = [*iterated], [one for one in resources[start:] if isinstance(one, Observation)]
    return resources


def people(snapshot: Snapshot, publisher: Publisher, found: Found) -> list[Resource]:
    """The people of the Observations."""
    rows = rows_of(snapshot, publisher, PEOPLE, (reference_id(one.subject.reference) for one in found))
    return [patient_shown(subject_row(row)) for row in rows]


def monitors(snapshot: Snapshot, publisher: Publisher, found: Found) -> list[Resource]:
    """The devices of the Observations, except contained ones."""
    references = (reference_id(one.device.reference) for one in found if one.device is not None)
    return [device_shown(device_row(row)) for row in rows_of(snapshot, publisher, DEVICES, references)]


def rows_of(snapshot: Snapshot, publisher: Publisher, source: RowSource, ids: Iterable[str]) -> list[Any]:
    """The rows of these ids."""
    keys = frozenset((UUID(one), 0) for one in ids if is_plain_id(one))
    query = RowQuery(keys=keys, limit=len(keys))
    return [row.columns for row in find_rows(snapshot, publisher.tenant.tenant_id, source, query)]


def sources(snapshot: Snapshot, publisher: Publisher, found: Found) -> list[Resource]:
    """The readings that they are derived from."""
    references = (reference_id(source.reference) for one in found for source in one.derived_from or [])
    keys = frozenset(key for text in references if (key := observation_key(text)) is not None)
    query = ObservationQuery(kinds=publisher.sight.kinds, keys=keys, order="date", limit=MOST_INCLUDED)
    return list(observations_at(snapshot, publisher, find_observations(snapshot, publisher.tenant.tenant_id, query)))


def histories(snapshot: Snapshot, publisher: Publisher, found: Found) -> list[Resource]:
    """The Provenance of every version of their sittings that tells of them."""
    return [one for _, one in provenances_about(snapshot, publisher, {f"Observation/{each.id}" for each in found})]


def reference_id(reference: str | None) -> str:
    return (reference or "").rpartition("/")[2]


WAYS: dict[str, Callable[[Snapshot, Publisher, Found], list[Resource]]] = {
    "Observation:patient": people,
    "Observation:subject": people,
    "Observation:device": monitors,
    "Observation:derived-from": sources,
    "Provenance:target": histories,
}


def come_along(known: tuple[str, ...], name: str, value: str) -> tuple[str, ...]:
    """The includes among ``known`` that a parameter asks for. The type referred to may stand after it; a star means all.

    Raises:
        NotAcceptable: nothing of that name may.
    """
    if value in stars(known):
        return known
    wanted = value if value in known else value.rpartition(":")[0]
    target = value[len(wanted) + 1 :] if wanted != value else TARGETS.get(wanted, "")
    if wanted not in known or target != TARGETS.get(wanted, ""):
        accepted = f"One of {', '.join(known)}." if known else "Nothing comes along here."
        raise refused(name, "not-supported", accepted)
    return (wanted,)


def stars(known: tuple[str, ...]) -> tuple[str, ...]:
    """The values that ask for all includes at once."""
    return ("*", f"{known[0].partition(':')[0]}:*") if known else ()


TARGETS = {
    "Observation:patient": "Patient",
    "Observation:subject": "Patient",
    "Observation:device": "Device",
    "Observation:derived-from": "Observation",
    "Provenance:target": "Observation",
}
