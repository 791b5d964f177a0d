"""Every type that can be searched: what can be asked of it, and how what was found is shown."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from uuid import UUID

import msgspec

from quietcuff import __version__
from quietcuff.fhir.model.logical_ids import is_plain_id, observation_key, provenance_version
from quietcuff.fhir.model.resources import Resource
from quietcuff.fhir.read.parties import device_row, device_shown, patient_shown, subject_row, version_of_row
from quietcuff.fhir.read.provenances import provenances_about, provenances_of
from quietcuff.fhir.resources.audit_event import audit_event, audit_key
from quietcuff.fhir.resources.device import SERVICE_ID, service_device
from quietcuff.fhir.search import parameter as common
from quietcuff.fhir.search.observation_parameters import PARAMETERS
from quietcuff.fhir.search.parameter import (
    LAST_UPDATED,
    AskedParameter,
    SearchParameter,
    both,
    identified_devices,
    identified_people,
    never_lacking,
    of_type,
    reference_id,
)
from quietcuff.fhir.search.request import SearchOffer
from quietcuff.fhir.search.stable_paging import steady_page
from quietcuff.fhir.versions.stored_sets import Publisher, lines_at, observations_at
from quietcuff.storage.engine.ids import NOBODY
from quietcuff.storage.schema.base import EPOCH
from quietcuff.storage.search import registries as rows
from quietcuff.storage.search.observations import Snapshot, count_observations
from quietcuff.storage.search.query import DateRange, EntryPageEnd, ObservationQuery
from quietcuff.storage.search.registries import FoundRow, RowKey, RowQuery, RowSource

SERVICE_KEY: RowKey = (NOBODY, 0)
# Whatever has a date at all.
EVER = DateRange("ge", EPOCH, EPOCH)


class Searched(msgspec.Struct, frozen=True, kw_only=True):
    """One type: what can be asked, the entries of a page and one more, their number, and their resources.

    ``write`` makes whole resources in JSON, each with its id, where that takes less than making them to be read.
    """

    asking: SearchOffer
    find: Callable[[Snapshot, Publisher, Any], list[Any]]
    count: Callable[[Snapshot, Publisher, Any], int]
    show: Callable[[Snapshot, Publisher, list[Any]], list[Any]]
    write: Callable[[Snapshot, Publisher, list[Any]], list[tuple[str, bytes]]] | None = None


def in_observation_order(query: ObservationQuery) -> ObservationQuery:
    """Newest first; what is asked for by its last change alone, in the order of changes."""
    is_by_change = bool(query.updated) and not query.taken and query.subject_ids is None and query.keys is None
    return msgspec.structs.replace(query, order="updated" if is_by_change else "-date")


def in_sight(publisher: Publisher, query: ObservationQuery) -> ObservationQuery:
    return msgspec.structs.replace(query, kinds=query.kinds & publisher.sight.kinds)


OBSERVATIONS = Searched(
    asking=SearchOffer(
        type="Observation",
        parameters=PARAMETERS,
        orders={"date": "date", "-date": "-date", "_lastUpdated": "updated", "-_lastUpdated": "-updated"},
        includes=("Observation:patient", "Observation:subject", "Observation:device", "Observation:derived-from"),
        reverse_includes=("Provenance:target",),
        everything=ObservationQuery(),
        in_natural_order=in_observation_order,
    ),
    find=lambda snapshot, publisher, query: steady_page(snapshot, publisher.tenant.tenant_id, in_sight(publisher, query)),
    count=lambda snapshot, publisher, query: count_observations(
        snapshot, publisher.tenant.tenant_id, in_sight(publisher, query)
    ),
    show=observations_at,
    write=lines_at,
)


def with_keys(query: RowQuery, keys: frozenset[RowKey]) -> RowQuery:
    return msgspec.structs.replace(query, keys=both(query.keys, keys))


def by_plain_id(query: RowQuery, asked: AskedParameter) -> RowQuery:
    """Resources of these ids. An id that cannot be one of ours finds nothing."""
    return with_keys(query, frozenset((UUID(one), 0) for one in asked.plain if is_plain_id(one)))


def by_person_identifier(query: RowQuery, asked: AskedParameter) -> RowQuery:
    """The persons who have one of these identifiers."""
    return with_keys(query, frozenset((one, 0) for one in identified_people(asked)))


def by_device_id(query: RowQuery, asked: AskedParameter) -> RowQuery:
    """Devices of these ids, the service's own included."""
    found: set[RowKey] = {(UUID(one), 0) for one in asked.plain if is_plain_id(one) and UUID(one) != NOBODY}
    return with_keys(query, frozenset(found | ({SERVICE_KEY} if SERVICE_ID in asked.plain else set())))


def by_device_identifier(query: RowQuery, asked: AskedParameter) -> RowQuery:
    """Devices with one of these identifiers."""
    return with_keys(query, frozenset((one, 0) for one in identified_devices(asked)))


def lacking_in_devices(query: RowQuery, is_missing: bool) -> RowQuery:
    """Lacking an element that every device but the service has, or having it."""
    if is_missing:
        return with_keys(query, frozenset((SERVICE_KEY,)))
    return msgspec.structs.replace(query, updated=(*query.updated, (EVER,)))


def lacking_subject(query: RowQuery, is_missing: bool) -> RowQuery:
    """Actions on nobody's data, or on somebody's."""
    keys = frozenset() if query.has_subject is is_missing else query.keys
    return msgspec.structs.replace(query, keys=keys, has_subject=not is_missing)


def by_provenance_id(query: RowQuery, asked: AskedParameter) -> RowQuery:
    """Rows of these ids."""
    named = (provenance_version(one) for one in asked.plain)
    return with_keys(query, frozenset((UUID(one[0]), one[1]) for one in named if one is not None))


def by_target(query: RowQuery, asked: AskedParameter) -> RowQuery:
    """Telling of these Observations."""
    named = {reference_id(one, "Observation", asked.publisher.fhir_url) for one in asked.plain}
    references = {f"Observation/{one}" for one in named if observation_key(one) is not None}
    about = provenances_about(asked.found_in, asked.publisher, references)
    return with_keys(query, frozenset((row.set_id, row.version) for row, _ in about))


def by_audit_id(query: RowQuery, asked: AskedParameter) -> RowQuery:
    """Rows of these ids."""
    return with_keys(query, frozenset(key for one in asked.plain if (key := audit_key(one)) is not None))


def by_audit_patient(query: RowQuery, asked: AskedParameter) -> RowQuery:
    """Rows of the trail about the data of these persons."""
    return msgspec.structs.replace(query, subject_ids=both(query.subject_ids, common.ids_of(asked, "Patient")))


LAST = {"_lastUpdated": "updated", "-_lastUpdated": "-updated"}
Show = Callable[[Snapshot, Publisher, list[FoundRow]], list[Resource]]


def of_rows(
    type: str,
    source: RowSource,
    parameters: tuple[SearchParameter, ...],
    show: Show,
    orders: dict[str, str],
    natural: str,
    last_updated: SearchParameter = LAST_UPDATED,
) -> Searched:
    """A type whose resources are each one row."""
    return Searched(
        asking=SearchOffer(
            type=type,
            parameters=(*parameters, last_updated),
            orders=orders,
            everything=RowQuery(),
            in_natural_order=lambda query: msgspec.structs.replace(query, order=natural),
        ),
        find=lambda snapshot, publisher, query: rows.find_rows(snapshot, publisher.tenant.tenant_id, source, query),
        count=lambda snapshot, publisher, query: rows.count_rows(snapshot, publisher.tenant.tenant_id, source, query),
        show=show,
    )


def show_people(snapshot: Snapshot, publisher: Publisher, found: list[FoundRow]) -> list[Resource]:
    return [patient_shown(subject_row(row.columns)) for row in found]


def show_devices(snapshot: Snapshot, publisher: Publisher, found: list[FoundRow]) -> list[Resource]:
    return [service_device(__version__) if row.columns is None else device_shown(device_row(row.columns)) for row in found]


def show_provenances(snapshot: Snapshot, publisher: Publisher, found: list[FoundRow]) -> list[Resource]:
    return list(provenances_of(snapshot, publisher, [version_of_row(row.columns) for row in found]))


def show_trail(snapshot: Snapshot, publisher: Publisher, found: list[FoundRow]) -> list[Resource]:
    return [audit_event(row.columns, publisher.public_url) for row in found]


def find_devices(snapshot: Snapshot, publisher: Publisher, query: RowQuery) -> list[FoundRow]:
    """The service itself before all others."""
    found = rows.find_rows(snapshot, publisher.tenant.tenant_id, rows.DEVICES, query)
    # The service is the first entry of the first page, and of no other.
    if query.after is not None or not is_service_among(query):
        return found
    return [FoundRow(EntryPageEnd(EPOCH, NOBODY, 0), None), *found][: query.limit + 1]


def count_devices(snapshot: Snapshot, publisher: Publisher, query: RowQuery) -> int:
    return rows.count_rows(snapshot, publisher.tenant.tenant_id, rows.DEVICES, query) + is_service_among(query)


def is_service_among(query: RowQuery) -> bool:
    """True where a search of devices finds the service, which has no identifier and never changes."""
    return not query.updated and (query.keys is None or SERVICE_KEY in query.keys)


TARGET = SearchParameter(
    "target", "reference", "Provenance-target", "The Observation that it tells of.", by_target, never_lacking
)
AUDITED = SearchParameter(
    "patient", "reference", "AuditEvent-patient", "Whose data it was done to.", by_audit_patient, lacking_subject
)
PEOPLE = of_rows(
    "Patient",
    rows.PEOPLE,
    (
        SearchParameter("_id", "token", "Resource-id", "The logical id.", by_plain_id, never_lacking),
        SearchParameter(
            "identifier", "token", "Patient-identifier", "system|value, or a value alone.", by_person_identifier, never_lacking
        ),
    ),
    show_people,
    {"_id": "id", **LAST},
    "id",
)
DEVICES = msgspec.structs.replace(
    of_rows(
        "Device",
        rows.DEVICES,
        (
            SearchParameter("_id", "token", "Resource-id", "The logical id.", by_device_id, never_lacking),
            SearchParameter(
                "identifier",
                "token",
                "Device-identifier",
                "system|value, or a value alone.",
                by_device_identifier,
                lacking_in_devices,
            ),
        ),
        show_devices,
        {"_id": "id"},
        "id",
        msgspec.structs.replace(LAST_UPDATED, lacking=lacking_in_devices),
    ),
    find=find_devices,
    count=count_devices,
)
PROVENANCES = of_rows(
    "Provenance",
    rows.VERSIONS,
    (
        SearchParameter("_id", "token", "Resource-id", "The logical id.", by_provenance_id, never_lacking),
        SearchParameter(
            "recorded", "date", "Provenance-recorded", "When it came about.", common.by_last_updated, never_lacking
        ),
        TARGET,
        of_type(TARGET, "Observation"),
    ),
    show_provenances,
    {"recorded": "updated", "-recorded": "-updated", **LAST},
    "-updated",
)
AUDIT = of_rows(
    "AuditEvent",
    rows.TRAIL,
    (
        SearchParameter("_id", "token", "Resource-id", "The logical id.", by_audit_id, never_lacking),
        SearchParameter("date", "date", "AuditEvent-date", "When it was done.", common.by_last_updated, never_lacking),
        AUDITED,
        of_type(AUDITED, "Patient"),
    ),
    show_trail,
    {"date": "updated", "-date": "-updated", **LAST},
    "-updated",
)
SEARCHED = {one.asking.type: one for one in (AUDIT, DEVICES, OBSERVATIONS, PEOPLE, PROVENANCES)}
