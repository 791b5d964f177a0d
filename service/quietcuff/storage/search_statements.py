"""The SQL of an Observation search. A statement depends on which conditions there are, not on their values, so that each
shape of search is put together once and then only given its values."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import msgspec
from sqlalchemy import (
    BindParameter,
    ColumnElement,
    Integer,
    Select,
    Table,
    and_,
    bindparam,
    func,
    literal,
    not_,
    or_,
    select,
    tuple_,
    union_all,
)

from quietcuff.storage.column_types import Id, Instant
from quietcuff.storage.entries import ENTRIES_A_READING, KINDS, MEAN_PLACE, Kind, Order, Prefix
from quietcuff.storage.tables import reading, reading_set

Column = ColumnElement[Any]
Prefixes = tuple[tuple[Prefix, ...], ...]
SHAPES_KEPT = 256


class Shape(msgspec.Struct, frozen=True, kw_only=True):
    """Which conditions a search has."""

    kinds: tuple[Kind, ...]
    by_subject: bool
    by_set: bool
    by_status: bool
    by_key: bool
    taken: Prefixes
    updated: Prefixes
    order: Order
    is_later_page: bool


class EntryColumns(msgspec.Struct, frozen=True, kw_only=True):
    """How one kind of entry is read from the tables."""

    table: Any
    index: Column
    version: Column
    status: Column
    updated_at: Column
    taken_from: Column
    taken_to: Column


def reading_columns(prefix: str) -> EntryColumns:
    """The entry of a reading whose columns begin with a prefix."""
    return EntryColumns(
        table=reading,
        index=reading.c.reading_index,
        version=reading.c[f"{prefix}version"],
        status=reading.c[f"{prefix}status"],
        updated_at=reading.c[f"{prefix}updated_at"],
        taken_from=reading.c.taken_at,
        taken_to=reading.c.taken_at,
    )


COLUMNS: dict[Kind, EntryColumns] = {
    "reading": reading_columns(""),
    "pulse": reading_columns("pulse_"),
    "flags": reading_columns("flags_"),
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


SUBJECTS_OF_SETS = select(reading_set.c.set_id, reading_set.c.subject_id).where(
    reading_set.c.tenant_id == bindparam("tenant_id"), reading_set.c.set_id.in_(bindparam("set_ids", expanding=True))
)


@lru_cache(maxsize=SHAPES_KEPT)
def page_statement(shape: Shape) -> Select[Any]:
    """The entries of one page, in order. Each kind is cut to the length of the page before they are put together."""
    parts = [in_order(entries(shape, kind), shape.order) for kind in shape.kinds]
    found = union_all(*(select(part.subquery()) for part in parts)).subquery()
    return in_order(select(found), shape.order)


@lru_cache(maxsize=SHAPES_KEPT)
def count_statement(shape: Shape) -> Select[Any]:
    """How many entries there are."""
    found = union_all(*(entries(shape, kind) for kind in shape.kinds)).subquery()
    return select(func.count()).select_from(found)


def entries(shape: Shape, kind: Kind) -> Select[Any]:
    """All entries of one kind that the conditions let through, after the last page."""
    columns = COLUMNS[kind]
    ordered_by = reading_set.c.taken_from if shape.order == "newest-sitting" else columns.taken_from
    number = KINDS.index(kind)
    place = literal(MEAN_PLACE) if kind == "mean" else columns.index * ENTRIES_A_READING + literal(number)
    statement = select(
        ordered_by.label("ordered_by"),
        columns.table.c.set_id,
        place.label("place"),
        columns.table.c.subject_id,
        literal(number).label("kind"),
        columns.index.label("reading_index"),
        columns.version.label("version"),
        columns.status.label("status"),
        columns.updated_at.label("updated_at"),
    ).where(*conditions(shape, kind))
    led_by = reading_set if kind == "mean" or shape.order == "newest-sitting" else reading
    statement = statement.where(led_by.c.tenant_id == bindparam("tenant_id"))
    if led_by is not columns.table:
        statement = statement.select_from(reading_set).join(reading, of_set(reading))
    if shape.is_later_page:
        statement = statement.where(*beyond(shape.order, ordered_by, columns.table.c.set_id, place))
    return statement


def conditions(shape: Shape, kind: Kind) -> list[Column]:
    """What an entry of one kind must satisfy."""
    columns = COLUMNS[kind]
    found: list[Column] = [columns.version.is_not(None)]
    if shape.by_subject:
        found.append(columns.table.c.subject_id.in_(bindparam("subject_ids", expanding=True)))
    if shape.by_set:
        found.append(columns.table.c.set_id == bindparam("set_id"))
    if shape.by_status:
        found.append(columns.status.in_(bindparam("statuses", expanding=True)))
    if shape.by_key:
        found.append(key_condition(kind))
    found += date_conditions("taken", shape.taken, columns.taken_from, columns.taken_to)
    return found + date_conditions("updated", shape.updated, columns.updated_at, columns.updated_at)


def key_condition(kind: Kind) -> Column:
    """The entry is one of those named by set and place. Their subjects and sets apart are what an index can serve."""
    columns = COLUMNS[kind]
    key = tuple_(columns.table.c.set_id, columns.index, types=[Id, Integer])
    return and_(
        columns.table.c.subject_id.in_(bindparam("key_subjects", expanding=True)),
        columns.table.c.set_id.in_(bindparam("key_sets", expanding=True)),
        key.in_(bindparam(f"{kind}_keys", expanding=True)),
    )


def of_set(table: Table) -> Column:
    """The rows of a table that belong to a set, by the set's whole key."""
    return and_(
        table.c.tenant_id == reading_set.c.tenant_id,
        table.c.subject_id == reading_set.c.subject_id,
        table.c.set_id == reading_set.c.set_id,
    )


def date_conditions(name: str, groups: Prefixes, start: Column, end: Column) -> list[Column]:
    """Of each group of alternatives, one must hold."""
    return [
        or_(
            *(
                date_condition(prefix, start, end, *(moment(name, group, place, edge) for edge in ("low", "high")))
                for place, prefix in enumerate(prefixes)
            )
        )
        for group, prefixes in enumerate(groups)
    ]


def moment(name: str, group: int, place: int, edge: str) -> BindParameter[Any]:
    return bindparam(date_name(name, group, place, edge), type_=Instant)


def date_name(name: str, group: int, place: int, edge: str) -> str:
    """What the edge of one date of a search is called in its statement."""
    return f"{name}_{group}_{place}_{edge}"


def date_condition(prefix: Prefix, start: Column, end: Column, low: Column, high: Column) -> Column:
    """Whether a time satisfies a date of a search. ``start`` and ``end`` are the same column for an instant.

    Source: FHIR R4 search, section 3.1.1.4.7 (prefixes), where both sides are ranges.
    """
    inside = and_(start >= low, end < high)
    is_instant = start is end
    match prefix:
        case "eq":
            return inside
        case "ne":
            return not_(inside)
        case "gt":
            return end >= high
        case "lt":
            return start < low
        case "ge":
            return start >= low if is_instant else or_(end >= high, inside)
        case "le":
            return start < high if is_instant else or_(start < low, inside)
        case "sa":
            return start >= high
        case "eb":
            return end < low
        case "ap":
            return and_(start < high, end >= low)


def beyond(order: Order, ordered_by: Column, set_id: Column, place: Column) -> list[Column]:
    """After the end of the last page. The first condition alone is what an index can serve."""
    at = bindparam("end_ordered_by", type_=Instant)
    key = tuple_(ordered_by, set_id, place)
    last = tuple_(at, bindparam("end_set_id", type_=Id), bindparam("end_place", type_=Integer))
    if order == "date":
        return [ordered_by >= at, key > last]
    return [ordered_by <= at, key < last]


def in_order(statement: Select[Any], order: Order) -> Select[Any]:
    """In the order asked for, no more than the page and one."""
    columns = statement.selected_columns
    key = (columns.ordered_by, columns.set_id, columns.place)
    limit = bindparam("limit", type_=Integer)
    return statement.order_by(*(key if order == "date" else (column.desc() for column in key))).limit(limit)
