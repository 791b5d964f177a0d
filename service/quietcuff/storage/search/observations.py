"""The search for Observations, which finds entries without reading their documents.

Pages follow a key (time, set, place), so that they stay stable while sittings are added.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import lru_cache
from typing import Any, Literal, cast
from uuid import UUID

from sqlalchemy import Connection

from quietcuff.core.record.sitting_version import ObservationStatus
from quietcuff.storage.engine.database import LOCK_SECONDS
from quietcuff.storage.engine.statements import AnyQuery, Query, single
from quietcuff.storage.schema.codes import OBSERVATION_STATUS
from quietcuff.storage.search.dates import edges, prefixes
from quietcuff.storage.search.pointers import WORDS, pointer_column, pointer_name, word_names
from quietcuff.storage.search.query import (
    KINDS,
    Kind,
    ObservationEntry,
    ObservationKey,
    ObservationQuery,
    PointerTest,
)
from quietcuff.storage.search.statements import (
    CHANGE_BEFORE_THE_LAST,
    NEWEST_CHANGE,
    SETS_OF_PLACES,
    SHAPES_KEPT,
    SUBJECTS_OF_SETS,
    SearchShape,
    all_statement,
    count_statement,
    page_statement,
    value_name,
)

# A reader's connection, with one consistent view of everything that is committed.
Snapshot = Connection
# No writer takes longer from a version's time to its commit: it waits for a lock at most half as long, and its group is short.
LATEST_COMMIT = timedelta(seconds=2 * LOCK_SECONDS)
CLOCK_TICK = timedelta(milliseconds=1)
Purpose = Literal["page", "count", "moved"]
STATUSES = cast(tuple[ObservationStatus, ...], OBSERVATION_STATUS.words)
MANY_SETS = 2_000


def find_observations(snapshot: Snapshot, tenant_id: int, query: ObservationQuery) -> list[ObservationEntry]:
    """The entries of one page, in order, and one more where there is a next page.

    Later pages leave out entries that moved after the moment up to which the first page saw every change: ``find_moved``
    returns those.
    """
    shape = shape_of(query, is_lateral=is_lateral(snapshot), is_rare=is_rare(snapshot, tenant_id, query))
    if not shape.kinds:
        return []
    values = values_of(snapshot, tenant_id, query)
    return page_of_shape(shape).all(snapshot, values)


def find_moved(snapshot: Snapshot, tenant_id: int, query: ObservationQuery) -> list[ObservationEntry]:
    """The entries that moved after the moment up to which the first page saw every change, except new ones.

    They are found wherever they stand now.
    """
    shape = shape_of(query, "moved", is_lateral=is_lateral(snapshot), is_rare=is_rare(snapshot, tenant_id, query))
    if not shape.kinds:
        return []
    values = values_of(snapshot, tenant_id, query)
    return all_of_shape(shape).all(snapshot, values)


def count_observations(snapshot: Snapshot, tenant_id: int, query: ObservationQuery) -> int:
    """The number of entries on all pages."""
    shape = shape_of(query, "count", is_lateral=is_lateral(snapshot), is_rare=is_rare(snapshot, tenant_id, query))
    if not shape.kinds:
        return 0
    values = values_of(snapshot, tenant_id, query)
    return count_of_shape(shape).all(snapshot, values)[0]


def settled_until(snapshot: Snapshot, tenant_id: int) -> datetime | None:
    """A moment up to which this snapshot sees every version that there will ever be.

    A version gets its time before its commit. SQLite has one writer, so only a version of the same millisecond as the newest
    can be missing. PostgreSQL has several writers, and a version with an earlier time may be committed later.
    """
    newest = NEWEST.first(snapshot, {"tenant_id": tenant_id})
    if newest is None or not is_lateral(snapshot):
        return None if newest is None else newest - CLOCK_TICK
    crowded = BEFORE_THE_LAST.first(snapshot, {"tenant_id": tenant_id})
    return newest - LATEST_COMMIT if crowded is None else max(newest - LATEST_COMMIT, crowded)


def is_lateral(snapshot: Snapshot) -> bool:
    return snapshot.dialect.name == "postgresql"


def is_rare(snapshot: Snapshot, tenant_id: int, query: ObservationQuery) -> bool:
    """True where a search is for places of few sets: then these are read, not all that was measured anywhere."""
    places = [sorted(test.pairs) for test in query.pointers if test.pointer == "location" and test.forms == ("pairs",)]
    asked: list[dict[str, Any]] = [{"tenant_id": tenant_id, "places": some, "many": MANY_SETS} for some in places]
    return any(snapshot.execute(SETS_OF_PLACES, one).scalar_one() < MANY_SETS for one in asked)


def shape_of(query: ObservationQuery, purpose: Purpose = "page", *, is_lateral: bool, is_rare: bool = False) -> SearchShape:
    """The conditions of a query, and the kinds of entry that can satisfy them. A count needs no order and no page."""
    is_by_change = purpose == "moved" or (bool(query.updated) and not query.taken)
    return SearchShape(
        kinds=kinds_that_match(query),
        by_subject=query.subject_ids is not None,
        by_set=query.set_id is not None,
        by_status=query.statuses is not None,
        by_key=query.keys is not None,
        by_device=query.device_ids is not None,
        pointers=tuple((test.pointer, test.forms) for test in query.pointers),
        taken=prefixes(query.taken),
        updated=prefixes(query.updated),
        tests=tuple(tuple((test.kind, test.column, test.operator) for test in group) for group in query.values),
        order=query.order if purpose == "page" else "updated" if is_by_change else "date",
        is_later_page=purpose == "page" and query.after is not None,
        moved="moved" if purpose == "moved" else "either" if purpose == "count" or query.as_of is None else "unmoved",
        is_lateral=is_lateral,
        is_rare=is_rare,
    )


def kinds_that_match(query: ObservationQuery) -> tuple[Kind, ...]:
    """The kinds of which an entry can be in the answer."""
    if frozenset() in (query.subject_ids, query.statuses, query.device_ids):
        return ()
    kinds = query.kinds
    if query.keys is not None:
        kinds &= {key.kind for key in query.keys}
    for group in query.values:
        kinds &= {test.kind for test in group}
    for test in query.pointers:
        kinds = frozenset(kind for kind in kinds if can_point(test, kind))
    return tuple(kind for kind in KINDS if kind in kinds)


def can_point(test: PointerTest, kind: Kind) -> bool:
    """False where no entry of this kind can satisfy a test of a pointer."""
    if pointer_column(kind, test.pointer) is None:
        return test.is_missing is True
    return bool(test.forms)


def values_of(snapshot: Snapshot, tenant_id: int, query: ObservationQuery) -> dict[str, Any]:
    """The values of a query, under the names that the statement gives them."""
    # One row more than the page tells that there is a next page, without a count.
    values: dict[str, Any] = {"tenant_id": tenant_id, "limit": query.limit + 1}
    if query.subject_ids is not None:
        values["subject_ids"] = [UUID(subject_id) for subject_id in sorted(query.subject_ids)]
    if query.set_id is not None:
        values["set_id"] = UUID(query.set_id)
    if query.statuses is not None:
        values["statuses"] = sorted(OBSERVATION_STATUS.number(status) for status in query.statuses)
    if query.keys is not None:
        values |= keys_by_kind(snapshot, tenant_id, query.keys)
    if query.device_ids is not None:
        values["device_ids"] = [UUID(device_id) for device_id in sorted(query.device_ids)]
    if query.after is not None:
        end = query.after
        values |= {"end_ordered_by": end.ordered_by, "end_set_id": end.set_id, "end_place": end.place}
    if query.as_of is not None:
        values["began"] = query.as_of
    return values | edges("taken", query.taken) | edges("updated", query.updated) | numbers(query) | identifiers(query)


def identifiers(query: ObservationQuery) -> dict[str, Any]:
    """The identifiers of every pointer test, under the names that the statement gives them."""
    found: dict[str, Any] = {
        pointer_name(place, form): sorted(getattr(test, form))
        for place, test in enumerate(query.pointers)
        for form in ("pairs", "values", "systems", "numbers")
        if form in test.forms
    }
    for place, test in enumerate(query.pointers):
        for form in (form for form in test.forms if form.startswith(WORDS)):
            found |= zip(word_names(pointer_name(place, form), form), sorted(test.words), strict=True)
    return found


def numbers(query: ObservationQuery) -> dict[str, int]:
    """The numbers of every value test, under the names that the statement gives them."""
    return {
        value_name(group, place, edge): getattr(test, edge)
        for group, tests in enumerate(query.values)
        for place, test in enumerate(tests)
        for edge in ("low", "high")
    }


def keys_by_kind(snapshot: Snapshot, tenant_id: int, keys: frozenset[ObservationKey]) -> dict[str, Any]:
    """The keys of each kind, with their sets and the subjects of those sets, which an index can serve."""
    # The subject leads the primary key of a reading, so without it the index could not be used.
    set_ids = sorted({UUID(key.set_id) for key in keys})
    rows = snapshot.execute(SUBJECTS_OF_SETS, {"tenant_id": tenant_id, "set_ids": set_ids}).all()
    found: dict[str, Any] = {
        f"{kind}_keys": sorted((UUID(key.set_id), key.index) for key in keys if key.kind == kind) for kind in KINDS
    }
    return found | {"key_sets": [row.set_id for row in rows], "key_subjects": sorted({row.subject_id for row in rows})}


def entry_of(
    ordered_by: datetime,
    set_id: UUID,
    place: int,
    subject_id: UUID,
    kind: int,
    index: int,
    version: int,
    status: int,
    updated_at: datetime,
) -> ObservationEntry:
    """A row of the search as an entry."""
    # By place, not by name: that takes half of the time, for each row.
    return ObservationEntry(ordered_by, set_id, place, subject_id, KINDS[kind], index, version, STATUSES[status], updated_at)


@lru_cache(maxsize=SHAPES_KEPT)
def page_of_shape(shape: SearchShape) -> AnyQuery[ObservationEntry]:
    return AnyQuery(entry_of, page_statement(shape))


@lru_cache(maxsize=SHAPES_KEPT)
def all_of_shape(shape: SearchShape) -> AnyQuery[ObservationEntry]:
    return AnyQuery(entry_of, all_statement(shape))


@lru_cache(maxsize=SHAPES_KEPT)
def count_of_shape(shape: SearchShape) -> AnyQuery[int]:
    return AnyQuery(int, count_statement(shape))


NEWEST: Query[datetime] = Query(single, NEWEST_CHANGE)
BEFORE_THE_LAST: Query[datetime] = Query(single, CHANGE_BEFORE_THE_LAST)
