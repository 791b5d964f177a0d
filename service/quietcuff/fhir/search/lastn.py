"""The last few Observations of each code. Source: FHIR R4, operation Observation/$lastn."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import msgspec

from quietcuff.core.model.errors import NotAcceptable
from quietcuff.fhir.search.date_values import Clock
from quietcuff.fhir.search.parameter import refused
from quietcuff.fhir.search.quantity_values import CODE_OF_KIND
from quietcuff.fhir.search.request import MOST_COUNT, parse_search
from quietcuff.fhir.search.searchset import bundle_of
from quietcuff.fhir.search.types import OBSERVATIONS, in_sight
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.storage.search.observations import Snapshot, find_observations
from quietcuff.storage.search.query import ObservationEntry, ObservationQuery

OPERATION = "$lastn"
MOST_PEOPLE = 50
# What pages and orders are has no meaning here.
NOT_HERE = frozenset(("_count", "_sort", "_total", "_cursor"))
STANDING = frozenset(("preliminary", "final", "amended", "corrected"))


def last_n(
    snapshot: Snapshot, publisher: Publisher, items: Sequence[tuple[str, str]], *, clock: Clock, is_strict: bool
) -> bytes:
    """Of each person and code the newest ``max`` (1 by default), as a searchset. What is entered in error is left out unless a
    status is asked for.

    Raises:
        NotAcceptable: no person, too many, or a parameter that a search would refuse as well.
    """
    most = read_max([value for name, value in items if name == "max"])
    search = parse_search(
        OBSERVATIONS.asking,
        checked(items),
        publisher=publisher,
        clock=clock,
        is_strict=is_strict,
        snapshot=snapshot,
    )
    query: ObservationQuery = search.query
    if query.subject_ids is None:
        raise refused("patient", "missing", "The patient whose last Observations are wanted.")
    if len(query.subject_ids) > MOST_PEOPLE:
        raise refused("patient", "too-many", f"At most {MOST_PEOPLE} persons.")
    entries = newest_of_each(snapshot, publisher, query, most)
    said = [("max", str(most)), *search.understood]
    return bundle_of(snapshot, publisher, msgspec.structs.replace(search, understood=tuple(said)), entries, OPERATION)


def newest_of_each(snapshot: Snapshot, publisher: Publisher, query: ObservationQuery, most: int) -> list[ObservationEntry]:
    """The entries by person, then by code, the newest first."""
    statuses = STANDING if query.statuses is None else query.statuses
    wanted = in_sight(publisher, msgspec.structs.replace(query, statuses=statuses, order="-date", limit=most))
    return [
        entry
        for subject_id in sorted(query.subject_ids or ())
        for kind in CODE_OF_KIND
        if kind in wanted.kinds
        for entry in find_observations(
            snapshot,
            publisher.tenant.tenant_id,
            msgspec.structs.replace(wanted, subject_ids=frozenset((subject_id,)), kinds=frozenset((kind,))),
            # A search answers one entry more than its limit, for the sake of pages.
        )[:most]
    ]


def checked(items: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """The parameters but for ``max``.

    Raises:
        NotAcceptable: those of pages and orders.
    """
    rest = [(name, value) for name, value in items if name != "max"]
    faults = [
        fault
        for name in dict.fromkeys(name for name, _ in rest)
        if name in NOT_HERE
        for fault in refused(name, "not-supported", "max says how many; the newest come first.").faults
    ]
    if faults:
        raise NotAcceptable(faults)
    return rest


def read_max(values: list[str]) -> int:
    """Number of Observations wanted of each code.

    Raises:
        NotAcceptable: not a number from 1 to the most of a page.
    """
    if not values:
        return 1
    text = values[0]
    if len(values) > 1 or not (text.isascii() and text.isdigit()) or not 1 <= int(text[:9]) <= MOST_COUNT:
        raise refused("max", "not-a-count", f"Once, a whole number from 1 to {MOST_COUNT}.")
    return int(text[:9])
