"""Search for people, devices, versions and rows of the trail, each row a resource of its own.

Pages follow a key: the time, where the order is by time, and then the row's own key.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Literal
from uuid import UUID

import msgspec
from sqlalchemy import ColumnElement, Connection, Select, Table, bindparam, func, select, tuple_

from quietcuff.storage.schema.base import EPOCH
from quietcuff.storage.schema.sittings import device, set_version, subject
from quietcuff.storage.schema.trail import trail
from quietcuff.storage.search.dates import date_conditions, edges, prefixes
from quietcuff.storage.search.query import DateRange, EntryPageEnd

Column = ColumnElement[Any]
RowOrder = Literal["id", "updated", "-updated"]
# A row's own key: an id, and a number where several rows share it.
RowKey = tuple[UUID, int]
MOST_PEOPLE = 1_000
# A lane of the trail is a number of 63 bits.
LANE_BITS = 2**63 - 1


class RowQuery(msgspec.Struct, frozen=True, kw_only=True):
    """The conditions of a search for rows. Every condition that is not None must hold; of date alternatives, one."""

    keys: frozenset[RowKey] | None = None
    subject_ids: frozenset[str] | None = None
    has_subject: bool | None = None
    updated: tuple[tuple[DateRange, ...], ...] = ()
    order: RowOrder = "id"
    limit: int = 50
    after: EntryPageEnd | None = None


class FoundRow(msgspec.Struct, frozen=True):
    """One row: its position in the order, and its columns by name."""

    page_end: EntryPageEnd
    columns: Any


class RowSource(msgspec.Struct, frozen=True):
    """A table, with its key and the time of each row's last change."""

    table: Table
    id: Column
    updated_at: Column
    place: Column | None = None
    by_lane: bool = False

    @property
    def key(self) -> list[Column]:
        return [self.id] if self.place is None else [self.id, self.place]

    def key_values(self, id: UUID, place: int) -> tuple[Any, ...]:
        """The values of a key, in the types of its columns."""
        # A cursor holds a UUID, but the lane of a trail row is a number.
        own: Any = id.int & LANE_BITS if self.by_lane else id
        return (own,) if self.place is None else (own, place)


PEOPLE = RowSource(subject, subject.c.subject_id, subject.c.updated_at)
DEVICES = RowSource(device, device.c.device_id, device.c.updated_at)
VERSIONS = RowSource(set_version, set_version.c.set_id, set_version.c.created_at, set_version.c.version)
TRAIL = RowSource(trail, trail.c.lane, trail.c.at, trail.c.position, by_lane=True)


def find_rows(snapshot: Connection, tenant_id: int, source: RowSource, query: RowQuery) -> list[FoundRow]:
    """The rows of one page, in order, and one more where there is a next page."""
    if nothing_can_match(query):
        return []
    statement = in_order(matching(source, query, *source.table.c), source, query.order).limit(query.limit + 1)
    rows = snapshot.execute(statement, values_of(tenant_id, query)).all()
    return [FoundRow(end_of(source, query.order, row), row) for row in rows]


def count_rows(snapshot: Connection, tenant_id: int, source: RowSource, query: RowQuery) -> int:
    """The number of rows on all pages."""
    if nothing_can_match(query):
        return 0
    first_page = msgspec.structs.replace(query, after=None)
    return int(snapshot.execute(matching(source, first_page, func.count()), values_of(tenant_id, first_page)).scalar_one())


def people_of_value(snapshot: Connection, tenant_id: int, value: str) -> list[UUID]:
    """The people whose identifier has this value in any system."""
    return _ids_of_value(snapshot, tenant_id, PEOPLE, value)


def devices_of_value(snapshot: Connection, tenant_id: int, value: str) -> list[UUID]:
    """The devices whose identifier has this value in any system."""
    return _ids_of_value(snapshot, tenant_id, DEVICES, value)


def _ids_of_value(snapshot: Connection, tenant_id: int, source: RowSource, value: str) -> list[UUID]:
    statement = select(source.id).where(source.table.c.tenant_id == tenant_id, source.table.c.value == value)
    return list(snapshot.execute(statement.order_by(source.id).limit(MOST_PEOPLE)).scalars())


def nothing_can_match(query: RowQuery) -> bool:
    return frozenset() in (query.keys, query.subject_ids)


def matching(source: RowSource, query: RowQuery, *columns: Any) -> Select[Any]:
    """The rows that satisfy the conditions, after the last page."""
    return select(*columns).select_from(source.table).where(*conditions(source, query))


def conditions(source: RowSource, query: RowQuery) -> Iterable[Column]:
    yield source.table.c.tenant_id == bindparam("tenant_id")
    if query.keys is not None:
        keys = sorted(source.key_values(*key) for key in query.keys)
        # An index can serve only the ids; the whole keys are then checked on the rows found.
        yield source.id.in_(sorted({key[0] for key in keys}))
        if source.place is not None:
            yield tuple_(*source.key, types=[column.type for column in source.key]).in_(keys)
    if query.subject_ids is not None:
        yield source.table.c.subject_id.in_([UUID(one) for one in sorted(query.subject_ids)])
    if query.has_subject is not None:
        subject_id = source.table.c.subject_id
        yield subject_id.is_not(None) if query.has_subject else subject_id.is_(None)
    yield from date_conditions("updated", prefixes(query.updated), source.updated_at, source.updated_at)
    if query.after is not None:
        yield from after_page_end(source, query.order, query.after)


def after_page_end(source: RowSource, order: RowOrder, end: EntryPageEnd) -> Iterable[Column]:
    """The condition that a row stands after the end of the last page. An index can serve only its first part."""
    columns, values = source.key, list(source.key_values(end.set_id, end.place))
    if order != "id":
        columns, values = [source.updated_at, *columns], [end.ordered_by, *values]
    key, last = tuple_(*columns), tuple_(*values, types=[column.type for column in columns])
    if order == "-updated":
        yield from (columns[0] <= values[0], key < last)
    else:
        yield from (columns[0] >= values[0], key > last)


def in_order(statement: Select[Any], source: RowSource, order: RowOrder) -> Select[Any]:
    key = source.key if order == "id" else [source.updated_at, *source.key]
    return statement.order_by(*(column.desc() if order == "-updated" else column for column in key))


def end_of(source: RowSource, order: RowOrder, row: Any) -> EntryPageEnd:
    """The position of a row in the order."""
    columns = row._mapping
    id, place = columns[source.id], 0 if source.place is None else columns[source.place]
    return EntryPageEnd(EPOCH if order == "id" else columns[source.updated_at], UUID(int=id) if source.by_lane else id, place)


def values_of(tenant_id: int, query: RowQuery) -> dict[str, Any]:
    return {"tenant_id": tenant_id, **edges("updated", query.updated)}
