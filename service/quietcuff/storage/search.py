"""Searching what is stored as FHIR sees it. An entry is found without its document.

Pages follow a key (when, set, place), so that they stay stable while sittings are added.
"""

from __future__ import annotations

from typing import Any
from uuid import UUID

from sqlalchemy import Connection

from quietcuff.storage.codes import OBSERVATION_STATUS
from quietcuff.storage.entries import (
    KINDS,
    DateRange,
    Kind,
    ObservationEntry,
    ObservationKey,
    ObservationQuery,
    PageEnd,
)
from quietcuff.storage.search_statements import (
    SUBJECTS_OF_SETS,
    Prefixes,
    Shape,
    count_statement,
    date_name,
    page_statement,
)

# What a reader holds: one consistent view of everything that is committed.
Snapshot = Connection
Alternatives = tuple[tuple[DateRange, ...], ...]


def find_observations(snapshot: Snapshot, tenant_id: int, query: ObservationQuery) -> list[ObservationEntry]:
    """The entries of one page, in order, and one more where there is a next page."""
    shape = shape_of(query)
    if not shape.kinds:
        return []
    values = values_of(snapshot, tenant_id, query)
    return [entry_of(row) for row in snapshot.execute(page_statement(shape), values)]


def count_observations(snapshot: Snapshot, tenant_id: int, query: ObservationQuery) -> int:
    """How many entries there are on all pages."""
    shape = shape_of(query, is_count=True)
    if not shape.kinds:
        return 0
    values = values_of(snapshot, tenant_id, query)
    return int(snapshot.execute(count_statement(shape), values).scalar_one())


def shape_of(query: ObservationQuery, *, is_count: bool = False) -> Shape:
    """Which conditions a query has, and which kinds of entry can satisfy them. A count needs no order and no page."""
    return Shape(
        kinds=tuple(kind for kind in KINDS if can_match(query, kind)),
        by_subject=query.subject_ids is not None,
        by_set=query.set_id is not None,
        by_status=query.statuses is not None,
        by_key=query.keys is not None,
        taken=prefixes(query.taken),
        updated=prefixes(query.updated),
        order="date" if is_count else query.order,
        is_later_page=query.after is not None and not is_count,
    )


def can_match(query: ObservationQuery, kind: Kind) -> bool:
    """False where no entry of this kind can be in the answer."""
    is_empty = query.subject_ids == frozenset() or query.statuses == frozenset()
    has_key = query.keys is None or any(key.kind == kind for key in query.keys)
    return kind in query.kinds and has_key and not is_empty


def prefixes(alternatives: Alternatives) -> Prefixes:
    return tuple(tuple(date.prefix for date in dates) for dates in alternatives)


def values_of(snapshot: Snapshot, tenant_id: int, query: ObservationQuery) -> dict[str, Any]:
    """The values of a query under the names that its statement gives them."""
    values: dict[str, Any] = {"tenant_id": tenant_id, "limit": query.limit + 1}
    if query.subject_ids is not None:
        values["subject_ids"] = [UUID(subject_id) for subject_id in sorted(query.subject_ids)]
    if query.set_id is not None:
        values["set_id"] = UUID(query.set_id)
    if query.statuses is not None:
        values["statuses"] = sorted(OBSERVATION_STATUS.number(status) for status in query.statuses)
    if query.keys is not None:
        values |= keys_by_kind(snapshot, tenant_id, query.keys)
    if query.after is not None:
        end = query.after
        values |= {"end_ordered_by": end.ordered_by, "end_set_id": end.set_id, "end_place": end.place}
    return values | edges("taken", query.taken) | edges("updated", query.updated)


def keys_by_kind(snapshot: Snapshot, tenant_id: int, keys: frozenset[ObservationKey]) -> dict[str, Any]:
    """The keys of each kind, with their sets and these sets' subjects, to which an index leads."""
    set_ids = sorted({UUID(key.set_id) for key in keys})
    rows = snapshot.execute(SUBJECTS_OF_SETS, {"tenant_id": tenant_id, "set_ids": set_ids}).all()
    found: dict[str, Any] = {
        f"{kind}_keys": sorted((UUID(key.set_id), key.index) for key in keys if key.kind == kind) for kind in KINDS
    }
    return found | {"key_sets": [row.set_id for row in rows], "key_subjects": sorted({row.subject_id for row in rows})}


def edges(name: str, alternatives: Alternatives) -> dict[str, Any]:
    """Both ends of every date of a search."""
    return {
        date_name(name, group, place, edge): getattr(date, edge)
        for group, dates in enumerate(alternatives)
        for place, date in enumerate(dates)
        for edge in ("low", "high")
    }


def entry_of(row: Any) -> ObservationEntry:
    """A row of the search as a value."""
    return ObservationEntry(
        key=ObservationKey(str(row.set_id), KINDS[row.kind], row.reading_index),
        subject_id=str(row.subject_id),
        version=row.version,
        status=OBSERVATION_STATUS.word(row.status),
        updated_at=row.updated_at,
        page_end=PageEnd(row.ordered_by, row.set_id, row.place),
    )
