"""Filters of an export applied to one page, by the same parser and search as FHIR searches."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec

from quietcuff.fhir.bulk.plan import ExportPlan, Pairs
from quietcuff.fhir.model.logical_ids import place_name
from quietcuff.fhir.search.date_values import Clock
from quietcuff.fhir.search.parameter import both
from quietcuff.fhir.search.request import parse_search
from quietcuff.fhir.search.types import SEARCHED, is_service_among
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.storage.bulk.pages import SetOnPage
from quietcuff.storage.search.observations import Snapshot, find_observations
from quietcuff.storage.search.query import ObservationQuery
from quietcuff.storage.search.registries import DEVICES, PEOPLE, VERSIONS, RowKey, RowQuery, RowSource, find_rows

# Without a limit in effect: the people of one page bound the result, and a cut would lose lines silently.
ALL_ENTRIES = 10_000_000
SOURCES: dict[str, RowSource] = {"Patient": PEOPLE, "Device": DEVICES, "Provenance": VERSIONS}

# By set, the places of the Observations that match.
Places = dict[UUID, frozenset[str]]


def query_of(
    resource_type: str, parameters: Pairs, publisher: Publisher, now: datetime, snapshot: Snapshot | None = None
) -> Any:
    """The query of a filter.

    Raises:
        NotAcceptable: a parameter that is not known, or a value that cannot be read.
    """
    clock, asking = Clock(publisher.tenant.zone, now), SEARCHED[resource_type].asking
    return parse_search(asking, parameters, publisher=publisher, clock=clock, is_strict=True, snapshot=snapshot).query


def matching_keys(
    snapshot: Snapshot, publisher: Publisher, plan: ExportPlan, resource_type: str, keys: Iterable[RowKey], now: datetime
) -> frozenset[RowKey] | None:
    """The people, devices or versions on a page that any filter of their type finds; None where there is no filter."""
    filters = plan.filters_of(resource_type)
    if not filters or resource_type not in plan.types:
        return None
    of_page, found = frozenset(keys), set[RowKey]()
    for parameters in filters:
        query: RowQuery = query_of(resource_type, parameters, publisher, now, snapshot)
        wanted = msgspec.structs.replace(query, keys=both(query.keys, of_page), order="id", limit=len(of_page), after=None)
        rows = find_rows(snapshot, publisher.tenant.tenant_id, SOURCES[resource_type], wanted)
        found |= {(row.page_end.set_id, row.page_end.place) for row in rows}
    return frozenset(found)


def is_service_wanted(snapshot: Snapshot, publisher: Publisher, plan: ExportPlan, now: datetime) -> bool:
    """True where the filters of devices let the service itself through."""
    filters = plan.filters_of("Device")
    queries = (query_of("Device", parameters, publisher, now, snapshot) for parameters in filters)
    return not filters or any(is_service_among(query) for query in queries)


def matching_places(
    snapshot: Snapshot, publisher: Publisher, plan: ExportPlan, sets: Sequence[SetOnPage], now: datetime
) -> Places | None:
    """The places in some sets that any filter of Observations finds; None where there is no filter."""
    filters = plan.filters_of("Observation")
    if not filters or "Observation" not in plan.types:
        return None
    found: dict[UUID, set[str]] = {one.set_id: set() for one in sets}
    people = frozenset(str(one.subject_id) for one in sets)
    for parameters in filters:
        for set_id, name in places_found(
            snapshot, publisher, query_of("Observation", parameters, publisher, now, snapshot), people
        ):
            # The search is by person, and a person's sittings may continue on the next page.
            if set_id in found:
                found[set_id].add(name)
    return {set_id: frozenset(names) for set_id, names in found.items()}


def places_found(
    snapshot: Snapshot, publisher: Publisher, query: ObservationQuery, people: frozenset[str]
) -> Iterable[tuple[UUID, str]]:
    """The set and place of each Observation of some people that a query finds."""
    wanted = people if query.subject_ids is None else people & query.subject_ids
    of_people = msgspec.structs.replace(query, subject_ids=wanted, order="date", limit=ALL_ENTRIES, after=None)
    for entry in find_observations(snapshot, publisher.tenant.tenant_id, of_people):
        yield entry.set_id, place_name(entry.kind, entry.index)
