"""The SQL of an Observation search, built once for each shape of search.

A statement depends on the conditions that a search has, not on their values. So each shape is built once and then only given
its values.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Literal

import msgspec
from sqlalchemy import (
    ColumnElement,
    Integer,
    Select,
    and_,
    bindparam,
    func,
    literal,
    or_,
    select,
    true,
    tuple_,
    union_all,
)

from quietcuff.storage.schema.base import Id, Instant
from quietcuff.storage.schema.sittings import of_set, reading, reading_set, set_version
from quietcuff.storage.search.dates import Prefixes, date_conditions, implied_bounds
from quietcuff.storage.search.pointers import NARROW, POINTERS_OF_SETS, pointer_column, pointer_condition
from quietcuff.storage.search.query import ENTRIES_A_READING, KINDS, MEAN_PLACE, Kind, Operator, Order, Pointer

Column = ColumnElement[Any]
# By group and alternative: the kind, the column and the test. Their numbers are bound.
Tests = tuple[tuple[tuple[Kind, str | None, Operator], ...], ...]
# The entries of the page; or, of those that moved since the first page was read, all or none.
Moved = Literal["either", "unmoved", "moved"]
SHAPES_KEPT = 256
# No set has so many readings.
MOST_OF_A_SET = 1_000


class SearchShape(msgspec.Struct, frozen=True, kw_only=True):
    """The conditions that a search has, without their values."""

    kinds: tuple[Kind, ...]
    by_subject: bool = False
    by_set: bool = False
    by_status: bool = False
    by_key: bool = False
    by_device: bool = False
    # By place: the pointer, and the forms of its test.
    pointers: tuple[tuple[Pointer, tuple[str, ...]], ...] = ()
    taken: Prefixes = ()
    updated: Prefixes = ()
    tests: Tests = ()
    order: Order = "-date"
    is_later_page: bool = False
    moved: Moved = "either"
    # True where what is pointed to has few sets.
    is_rare: bool = False
    # PostgreSQL looks up the rows of each version in turn only when the join is lateral; SQLite does so by itself.
    is_lateral: bool = False

    @property
    def is_wide(self) -> bool:
        """True where nothing but a time narrows the search, so that an index must serve the time."""
        return self.is_of_many and not self.by_device

    @property
    def is_of_many(self) -> bool:
        """True where what is sought may be of any time, so that bounds of it are worth while."""
        return not (self.by_subject or self.by_set or self.by_key or self.is_led_by_sets)

    @property
    def is_led_by_sets(self) -> bool:
        """True where the sets that point to something lead to their readings. Where it may have many sets, readings in the
        order of time are tested for theirs instead, as far as the page needs them."""
        return self.is_rare or any(pointer in NARROW and forms == ("pairs",) for pointer, forms in self.pointers)

    @property
    def is_by_change(self) -> bool:
        """True where the entries are read in the order in which they changed."""
        return self.is_wide and self.order in ("updated", "-updated")


class EntryColumns(msgspec.Struct, frozen=True, kw_only=True):
    """The columns that one kind of entry is read from."""

    table: Any
    index: Column
    version: Column
    status: Column
    updated_at: Column
    taken_from: Column
    taken_to: Column
    device_id: Column


def reading_columns(prefix: str) -> EntryColumns:
    """The columns of a reading's entry that begin with a prefix."""
    return EntryColumns(
        table=reading,
        index=reading.c.reading_index,
        version=reading.c[f"{prefix}version"],
        status=reading.c[f"{prefix}status"],
        updated_at=reading.c[f"{prefix}updated_at"],
        taken_from=reading.c.taken_at,
        taken_to=reading.c.taken_at,
        device_id=reading.c.device_id,
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
        device_id=reading_set.c.mean_device_id,
    ),
}


SUBJECTS_OF_SETS = select(reading_set.c.set_id, reading_set.c.subject_id).where(
    reading_set.c.tenant_id == bindparam("tenant_id"), reading_set.c.set_id.in_(bindparam("set_ids", expanding=True))
)
# Counted no further than is asked.
SETS_OF_PLACES = select(func.count()).select_from(
    select(reading_set.c.set_id)
    .where(
        reading_set.c.tenant_id == bindparam("tenant_id"),
        reading_set.c.location.in_(bindparam("places", expanding=True)),
    )
    .limit(bindparam("many", type_=Integer))
    .subquery()
)
NEWEST_CHANGE = select(func.max(set_version.c.created_at)).where(set_version.c.tenant_id == bindparam("tenant_id"))
# With so many changes within seconds none waits that long for its commit, and a page must not cost more because of them.
LAST_CHANGES = 2_000
CHANGE_BEFORE_THE_LAST = (
    select(set_version.c.created_at)
    .where(set_version.c.tenant_id == bindparam("tenant_id"))
    .order_by(set_version.c.created_at.desc())
    .offset(LAST_CHANGES)
    .limit(1)
)


def page_statement(shape: SearchShape) -> Select[Any]:
    """The entries of one page, in order. Each part is cut to the page's length before the parts are put together."""
    found = union_all(*(select(in_order(part, shape.order).subquery()) for part in parts(shape))).subquery()
    return in_order(select(found), shape.order)


def all_statement(shape: SearchShape) -> Select[Any]:
    """All entries, in no order."""
    return select(union_all(*parts(shape)).subquery())


def count_statement(shape: SearchShape) -> Select[Any]:
    """The number of entries."""
    return select(func.count()).select_from(union_all(*parts(shape)).subquery())


def parts(shape: SearchShape) -> list[Select[Any]]:
    """The entries of each kind, one part or more for each.

    Where an index on a time leads to them, the few means of long periods are a part of their own. The other means lie close
    together in time, so tight bounds can serve them.
    """
    found = []
    for kind in shape.kinds:
        if kind == "mean" and shape.is_of_many and shape.taken and not shape.is_by_change:
            is_long, start = reading_set.c.mean_is_long == true(), reading_set.c.mean_taken_from
            long, short = (implied_bounds("taken", shape.taken, start, is_short=is_short) for is_short in (False, True))
            found += [entries(shape, kind).where(is_long, *long), entries(shape, kind).where(~is_long, *short)]
        else:
            found.append(entries(shape, kind))
    return found


def entries(shape: SearchShape, kind: Kind) -> Select[Any]:
    """All entries of one kind that satisfy the conditions, after the last page."""
    columns = COLUMNS[kind]
    table, number = columns.table, KINDS.index(kind)
    place = literal(MEAN_PLACE) if kind == "mean" else columns.index * ENTRIES_A_READING + literal(number)
    # Means and flags have indexes of their own on the time of change: a set has one mean, and few readings have flags.
    is_led_by_versions = shape.is_by_change and kind not in ("mean", "flags")
    changed_at = set_version.c.created_at if is_led_by_versions else columns.updated_at
    ordered_by = columns.taken_from if shape.order in ("date", "-date") else changed_at
    if is_led_by_versions and shape.is_lateral:
        return lateral_entries(shape, kind, number, place)
    statement = select(
        ordered_by.label("ordered_by"),
        table.c.set_id,
        place.label("place"),
        table.c.subject_id,
        literal(number).label("kind"),
        columns.index.label("reading_index"),
        columns.version.label("version"),
        columns.status.label("status"),
        columns.updated_at.label("updated_at"),
    ).where(*conditions(shape, kind, changed_at))
    if is_led_by_versions:
        # A resource changes with a version of its set, and carries that version's exact time.
        same = and_(of_set(table, set_version), columns.updated_at == set_version.c.created_at)
        statement = statement.select_from(set_version).join(table, same)
        statement = statement.where(set_version.c.tenant_id == bindparam("tenant_id"))
    else:
        statement = statement.where(table.c.tenant_id == bindparam("tenant_id"))
    if shape.is_led_by_sets and table is reading:
        statement = statement.select_from(reading_set).join(reading, of_set(reading))
        statement = statement.where(reading_set.c.tenant_id == bindparam("tenant_id"))
    if shape.is_later_page:
        statement = statement.where(*after_page_end(shape.order, ordered_by, table.c.set_id, place))
    return statement


def lateral_entries(shape: SearchShape, kind: Kind, number: int, place: Column) -> Select[Any]:
    """The entries of readings that moved with each version, looked up for one version after the other.

    The planner does not know that both times are equal. Left to itself it would join all versions with all readings, and sort.
    """
    columns, made_at = COLUMNS[kind], set_version.c.created_at
    moved = (
        select(
            columns.index.label("reading_index"),
            place.label("place"),
            columns.version.label("version"),
            columns.status.label("status"),
        )
        .where(of_set(reading, set_version), columns.updated_at == made_at, *conditions(shape, kind, columns.updated_at))
        .order_by(columns.index)
        .limit(MOST_OF_A_SET)
        .lateral("moved")
    )
    statement = (
        select(
            made_at.label("ordered_by"),
            set_version.c.set_id,
            moved.c.place,
            set_version.c.subject_id,
            literal(number).label("kind"),
            moved.c.reading_index,
            moved.c.version,
            moved.c.status,
            made_at.label("updated_at"),
        )
        .select_from(set_version)
        .join(moved, true())
        .where(set_version.c.tenant_id == bindparam("tenant_id"), *date_conditions("updated", shape.updated, made_at, made_at))
    )
    if shape.moved == "moved":
        statement = statement.where(made_at > bindparam("began", type_=Instant), set_version.c.version > 1)
    if shape.is_later_page:
        statement = statement.where(*after_page_end(shape.order, made_at, set_version.c.set_id, moved.c.place))
    return statement


def conditions(shape: SearchShape, kind: Kind, changed_at: Column) -> list[Column]:
    """The conditions on an entry of one kind."""
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
    if shape.by_device:
        found.append(columns.device_id.in_(bindparam("device_ids", expanding=True)))
    began = bindparam("began", type_=Instant)
    if shape.moved == "moved":
        found += [changed_at > began, columns.version > 1]
    elif shape.moved == "unmoved":
        found.append(or_(changed_at <= began, columns.version == 1))
    found += date_conditions("taken", shape.taken, columns.taken_from, columns.taken_to)
    found += date_conditions("updated", shape.updated, changed_at, changed_at)
    return found + list(pointer_conditions(shape, kind)) + value_conditions(shape.tests, kind)


def pointer_conditions(shape: SearchShape, kind: Kind) -> Iterator[Column]:
    """The conditions on what an entry of one kind points to; of a reading, its set may be what points to it."""
    for place, (pointer, forms) in enumerate(shape.pointers):
        if pointer_column(kind, pointer) is None:
            continue
        condition = pointer_condition(kind, pointer, place, forms)
        if pointer in POINTERS_OF_SETS and kind != "mean" and not shape.is_led_by_sets:
            yield select(reading_set.c.set_id).where(of_set(reading), condition).exists()
        else:
            yield condition


def key_condition(kind: Kind) -> Column:
    """The condition that an entry is one of those named by set and place. An index serves its subjects and sets."""
    columns = COLUMNS[kind]
    key = tuple_(columns.table.c.set_id, columns.index, types=[Id, Integer])
    return and_(
        columns.table.c.subject_id.in_(bindparam("key_subjects", expanding=True)),
        columns.table.c.set_id.in_(bindparam("key_sets", expanding=True)),
        key.in_(bindparam(f"{kind}_keys", expanding=True)),
    )


def value_conditions(tests: Tests, kind: Kind) -> list[Column]:
    """The conditions of all groups: of each group, one test of this kind must hold.

    A kind without a test in a group is never searched.
    """
    return [
        or_(
            *(
                value_condition(group, place, COLUMNS[kind].table, column, operator)
                for place, (of_kind, column, operator) in enumerate(alternatives)
                if of_kind == kind
            )
        )
        for group, alternatives in enumerate(tests)
    ]


def value_condition(group: int, place: int, table: Any, name: str | None, operator: Operator) -> Column:
    """The condition that a column passes a test. A missing value passes no test of its value."""
    if name is None or operator == "always":
        return true()
    column: Column = table.c[name]
    low, high = (bindparam(value_name(group, place, edge), type_=Integer) for edge in ("low", "high"))
    match operator:
        case "within":
            return and_(column >= low, column < high)
        case "outside":
            return or_(column < low, column >= high)
        case "bit":
            return column.bitwise_and(low) != 0
        case "no-bit":
            return column.bitwise_and(low) == 0
        case "absent":
            return column.is_(None)
        case _:
            return column.is_not(None)


def value_name(group: int, place: int, edge: str) -> str:
    """The name of one edge of a test in its statement."""
    return f"value_{group}_{place}_{edge}"


def after_page_end(order: Order, ordered_by: Column, set_id: Column, place: Column) -> list[Column]:
    """The condition that an entry stands after the end of the last page. An index can serve only its first part."""
    at = bindparam("end_ordered_by", type_=Instant)
    key = tuple_(ordered_by, set_id, place)
    last = tuple_(at, bindparam("end_set_id", type_=Id), bindparam("end_place", type_=Integer))
    if is_descending(order):
        return [ordered_by <= at, key < last]
    return [ordered_by >= at, key > last]


def in_order(statement: Select[Any], order: Order) -> Select[Any]:
    """A statement in the requested order, cut to the page and one entry more."""
    columns = statement.selected_columns
    key = (columns.ordered_by, columns.set_id, columns.place)
    limit = bindparam("limit", type_=Integer)
    return statement.order_by(*(column.desc() if is_descending(order) else column for column in key)).limit(limit)


def is_descending(order: Order) -> bool:
    return order.startswith("-")
