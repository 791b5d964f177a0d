"""What the filters of an export find of a page: the same parameters, read by the same search."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from uuid import UUID

import msgspec

from quietcuff.export.asking import parse_search
from quietcuff.export.bulk_plan import Pairs, Plan
from quietcuff.export.dates import Clock
from quietcuff.export.places import place_name
from quietcuff.export.records import Publisher
from quietcuff.export.searched import OBSERVATIONS
from quietcuff.storage.entries import ObservationQuery
from quietcuff.storage.export_pages import SetOnPage
from quietcuff.storage.search import Snapshot, find_observations

FILTERED_TYPES = frozenset(("Observation",))
ALL_ENTRIES = 10_000_000

# By set, the places of the Observations that match.
Places = dict[UUID, frozenset[str]]


def query_of(parameters: Pairs, publisher: Publisher, now: datetime) -> ObservationQuery:
    """The query that a filter is.

    Raises:
        NotAcceptable: a parameter that is not known, or a value that cannot be read.
    """
    clock = Clock(publisher.tenant.zone, now)
    query: ObservationQuery = parse_search(
        OBSERVATIONS.asking, parameters, publisher=publisher, clock=clock, is_strict=True
    ).query
    return query


def matching_places(
    snapshot: Snapshot, publisher: Publisher, plan: Plan, sets: Sequence[SetOnPage], now: datetime
) -> Places | None:
    """What any of the filters of Observations finds of some sets; None where there are none."""
    filters = plan.filters_of("Observation")
    if not filters or "Observation" not in plan.types:
        return None
    found: dict[UUID, set[str]] = {one.set_id: set() for one in sets}
    people = frozenset(str(one.subject_id) for one in sets)
    for parameters in filters:
        for set_id, name in places_found(snapshot, publisher, query_of(parameters, publisher, now), people):
            if set_id in found:
                found[set_id].add(name)
    return {set_id: frozenset(names) for set_id, names in found.items()}


def places_found(
    snapshot: Snapshot, publisher: Publisher, query: ObservationQuery, people: frozenset[str]
) -> Iterable[tuple[UUID, str]]:
    """The set and place of everything that a query finds of some people."""
    wanted = people if query.subject_ids is None else people & query.subject_ids
    of_people = msgspec.structs.replace(query, subject_ids=wanted, order="date", limit=ALL_ENTRIES, after=None)
    for entry in find_observations(snapshot, publisher.tenant.tenant_id, of_people):
        yield UUID(entry.key.set_id), place_name(entry.key.kind, entry.key.index)
