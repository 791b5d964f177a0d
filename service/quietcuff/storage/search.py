"""Searching what is stored as FHIR sees it. An entry is found without its document.

Pages follow a key (when, set, place), so that they stay stable while sittings are added.
"""

from __future__ import annotations

from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import (
    ColumnElement,
    Connection,
    Integer,
    Select,
    and_,
    func,
    literal,
    not_,
    or_,
    select,
    tuple_,
    union_all,
)

from quietcuff.storage.codes import OBSERVATION_STATUS
from quietcuff.storage.column_types import Id, Instant
from quietcuff.storage.entries import (
    ENTRIES_A_READING,
    KINDS,
    MEAN_PLACE,
    DateRange,
    Kind,
    ObservationEntry,
    ObservationKey,
    ObservationQuery,
    Order,
    PageEnd,
)
from quietcuff.storage.tables import reading, reading_set

Column = ColumnElement[Any]
# What a reader holds: one consistent view of everything that is committed.
Snapshot = Connection


class EntryColumns(msgspec.Struct, frozen=True, kw_only=True):
    """How one kind of entry is read from the tables."""

    table: Any
    index: Column
    version: Column
    status: Column
    updated_at: Column
    taken_from: Column
    taken_to: Column


COLUMNS: dict[Kind, EntryColumns] = {
    "reading": EntryColumns(
        table=reading,
        index=reading.c.reading_index,
        version=reading.c.version,
        status=reading.c.status,
        updated_at=reading.c.updated_at,
        taken_from=reading.c.taken_at,
        taken_to=reading.c.taken_at,
    ),
    "pulse": EntryColumns(
        table=reading,
        index=reading.c.reading_index,
        version=reading.c.pulse_version,
        status=reading.c.pulse_status,
        updated_at=reading.c.pulse_updated_at,
        taken_from=reading.c.taken_at,
        taken_to=reading.c.taken_at,
    ),
    "flags": EntryColumns(
        table=reading,
        index=reading.c.reading_index,
        version=reading.c.flags_version,
        status=reading.c.flags_status,
        updated_at=reading.c.flags_updated_at,
        taken_from=reading.c.taken_at,
        taken_to=reading.c.taken_at,
    ),
    "mean": EntryColumns(
        table=reading_set,
        index=literal(0, Integer),
        version=reading_set.c.mean_version,
        status=reading_set.c.mean_status,
        updated_at=reading_set.c.mean_updated_at,
        taken_from=reading_set.c.mean_taken_from,
        taken_to=reading_set.c.mean_taken_to,
    ),
}


def find_observations(snapshot: Snapshot, tenant_id: int, query: ObservationQuery) -> list[ObservationEntry]:
    """The entries of one page, in order, and one more where there is a next page."""
    parts = [ordered(entries(tenant_id, query, kind), query, query.limit + 1) for kind in KINDS if is_wanted(query, kind)]
    if not parts:
        return []
    found = union_all(*(select(part.subquery()) for part in parts)).subquery()
    statement = ordered(select(found), query, query.limit + 1)
    return [entry_of(row) for row in snapshot.execute(statement)]


def count_observations(snapshot: Snapshot, tenant_id: int, query: ObservationQuery) -> int:
    """How many entries there are on all pages."""
    everything = msgspec.structs.replace(query, after=None)
    parts = [entries(tenant_id, everything, kind) for kind in KINDS if is_wanted(query, kind)]
    if not parts:
        return 0
    found = union_all(*parts).subquery()
    return snapshot.execute(select(func.count()).select_from(found)).scalar_one()


def is_wanted(query: ObservationQuery, kind: Kind) -> bool:
    """False where no entry of this kind can be in the answer."""
    return kind in query.kinds and (query.keys is None or any(key.kind == kind for key in query.keys))


def entries(tenant_id: int, query: ObservationQuery, kind: Kind) -> Select[Any]:
    """All entries of one kind that the conditions let through, after the last page."""
    columns = COLUMNS[kind]
    ordered_by = reading_set.c.taken_from if query.order == "newest-sitting" else columns.taken_from
    place = (
        literal(MEAN_PLACE, Integer)
        if kind == "mean"
        else columns.index * ENTRIES_A_READING + literal(KINDS.index(kind), Integer)
    )
    statement = select(
        ordered_by.label("ordered_by"),
        columns.table.c.set_id,
        place.label("place"),
        columns.table.c.subject_id,
        literal(KINDS.index(kind), Integer).label("kind"),
        columns.index.label("reading_index"),
        columns.version.label("version"),
        columns.status.label("status"),
        columns.updated_at.label("updated_at"),
    ).where(columns.table.c.tenant_id == tenant_id, *conditions(query, kind))
    if kind != "mean" and (query.order == "newest-sitting" or query.keys is not None):
        statement = statement.join(reading_set, same_sitting())
    if query.after is not None:
        statement = statement.where(*beyond(query.after, query.order, ordered_by, columns.table.c.set_id, place))
    return statement


def conditions(query: ObservationQuery, kind: Kind) -> list[Column]:
    """What an entry of one kind must satisfy."""
    columns = COLUMNS[kind]
    found: list[Column] = [columns.version.is_not(None)]
    if query.subject_ids is not None:
        found.append(columns.table.c.subject_id.in_([UUID(subject_id) for subject_id in sorted(query.subject_ids)]))
    if query.set_id is not None:
        found.append(columns.table.c.set_id == UUID(query.set_id))
    if query.statuses is not None:
        found.append(columns.status.in_(sorted(OBSERVATION_STATUS.number(status) for status in query.statuses)))
    if query.keys is not None:
        found.append(key_condition(query.keys, kind))
    for alternatives in query.taken:
        found.append(or_(*(date_condition(date, columns.taken_from, columns.taken_to) for date in alternatives)))
    for alternatives in query.updated:
        found.append(or_(*(date_condition(date, columns.updated_at, columns.updated_at) for date in alternatives)))
    return found


def key_condition(keys: frozenset[ObservationKey], kind: Kind) -> Column:
    """The entry is one of those named. An index of ``reading_set`` leads from the set to its subject."""
    named = sorted((key.set_id, key.index) for key in keys if key.kind == kind)
    if kind == "mean":
        return reading_set.c.set_id.in_([UUID(set_id) for set_id, _ in named])
    pairs = [(UUID(set_id), index) for set_id, index in named]
    return tuple_(reading_set.c.set_id, reading.c.reading_index, types=[Id, Integer]).in_(pairs)


def same_sitting() -> Column:
    """A reading and its set, by the whole key."""
    return and_(
        reading.c.tenant_id == reading_set.c.tenant_id,
        reading.c.subject_id == reading_set.c.subject_id,
        reading.c.set_id == reading_set.c.set_id,
    )


def date_condition(date: DateRange, start: Column, end: Column) -> Column:
    """Whether a time satisfies a date of a search. ``start`` and ``end`` are the same column for an instant.

    Source: FHIR R4 search, section 3.1.1.4.7 (prefixes), where both sides are ranges.
    """
    inside = and_(start >= date.low, end < date.high)
    is_instant = start is end
    match date.prefix:
        case "eq":
            return inside
        case "ne":
            return not_(inside)
        case "gt":
            return end >= date.high
        case "lt":
            return start < date.low
        case "ge":
            return start >= date.low if is_instant else or_(end >= date.high, inside)
        case "le":
            return start < date.high if is_instant else or_(start < date.low, inside)
        case "sa":
            return start >= date.high
        case "eb":
            return end < date.low
        case "ap":
            return and_(start < date.high, end >= date.low)


def beyond(end: PageEnd, order: Order, ordered_by: Column, set_id: Column, place: Column) -> list[Column]:
    """After the end of the last page. The first condition alone is what an index can serve."""
    key = tuple_(ordered_by, set_id, place)
    last = tuple_(literal(end.ordered_by, Instant), literal(end.set_id, Id), literal(end.place, Integer))
    if order == "date":
        return [ordered_by >= end.ordered_by, key > last]
    return [ordered_by <= end.ordered_by, key < last]


def ordered(statement: Select[Any], query: ObservationQuery, limit: int) -> Select[Any]:
    """In the order asked for, no more than ``limit``."""
    columns = statement.selected_columns
    key = (columns.ordered_by, columns.set_id, columns.place)
    return statement.order_by(*(key if query.order == "date" else (column.desc() for column in key))).limit(limit)


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
