"""The rows that an export reads, page by page along primary keys, so that no page costs more than another.

A page of sittings follows (subject, set). The ids of people are spread evenly, so the last id also tells how far the export has
come.
"""

from __future__ import annotations

from datetime import datetime
from functools import lru_cache
from typing import Any, Generic, NamedTuple, TypeVar
from uuid import UUID

import msgspec
from sqlalchemy import ColumnElement, Connection, FromClause, Integer, Select, Table, and_, bindparam, or_, select

from quietcuff.core.record.sitting_version import ResourceState
from quietcuff.storage.bulk.groups import Members, members_conditions, members_values
from quietcuff.storage.engine.statements import AnyQuery
from quietcuff.storage.rows.changed import changed_rows, few_changed
from quietcuff.storage.rows.devices import DeviceRow
from quietcuff.storage.rows.readings import STAND_COLUMNS, resource_state, stands_of_reading
from quietcuff.storage.rows.subjects import SubjectRow
from quietcuff.storage.rows.versions import VersionRow, first_means, version_row
from quietcuff.storage.schema.base import Id, Instant
from quietcuff.storage.schema.sittings import (
    device,
    device_past,
    of_set,
    reading,
    reading_set,
    set_version,
    subject,
    subject_past,
)

SETS_A_PAGE = 100
# Documents are large: a page ends before it would hold more versions than this, or after its first set.
VERSIONS_A_PAGE = 300
PARTIES_A_PAGE = 1_000
STATEMENTS_KEPT = 64
# Smaller than any real id, so that the first page needs no statement of its own.
NOWHERE = UUID(int=0)

Party = TypeVar("Party")
Key = tuple[UUID, UUID]
Condition = ColumnElement[bool]


class Span(msgspec.Struct, frozen=True, kw_only=True):
    """The range of an export: these members, as everything was at ``at``, and only what changed after ``since``.

    ``all_versions`` is true where the Provenance of earlier versions is wanted too.
    """

    tenant_id: int
    members: Members
    since: datetime | None
    at: datetime
    all_versions: bool


class SetOnPage(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One set: the state of its Observations by place, such as ``r0`` or ``mean``, in the order of its readings, and its
    versions by number.

    ``has_moved`` is true where it changed after the moment of the export; then all its versions are there. ``mean_since`` is
    the first version that has a mean, where all versions are exported.
    """

    subject_id: UUID
    set_id: UUID
    version: int
    has_moved: bool
    mean_from_version: int | None
    mean_since: int | None
    stands: dict[str, ResourceState]
    versions: dict[int, VersionRow]


class SetsPage(msgspec.Struct, frozen=True, kw_only=True):
    """Some sets in order of their keys; ``end`` is the last key, None after the last page."""

    sets: list[SetOnPage]
    end: Key | None


class _Shape(msgspec.Struct, frozen=True, kw_only=True):
    """The conditions of an export. The statements depend on these, not on their values."""

    members: Members
    has_since: bool
    # True where so few rows changed that they are found by the time of their change.
    few: bool = False
    all_versions: bool = False


class PartiesPage(msgspec.Struct, Generic[Party], frozen=True, kw_only=True):
    """Some people or devices in order of their ids; ``end`` is the last id, None after the last page."""

    rows: list[Party]
    end: UUID | None


def _then(table: Table, key: str) -> Select[Any]:
    """The newest former version of a person or a device up to a moment."""
    return (
        select(table)
        .where(
            table.c.tenant_id == bindparam("tenant_id"),
            table.c[key] == bindparam("key", type_=Id),
            table.c.updated_at <= bindparam("at", type_=Instant),
        )
        .order_by(table.c.version.desc())
        .limit(1)
    )


SUBJECT_THEN, DEVICE_THEN = _then(subject_past, "subject_id"), _then(device_past, "device_id")


def read_sets(connection: Connection, span: Span, after: Key | None) -> SetsPage:
    """The next page of sets, with everything that their Observations and Provenance are made from."""
    shape = _shape(connection, span, reading_set)
    values = {**_values(span), **_from(after)}
    keys = _keys(shape).all(connection, {**values, "limit": SETS_A_PAGE})
    rows = keys[: _fitting([row.version for row in keys])]
    if not rows:
        return SetsPage(sets=[], end=None)
    last = rows[-1]
    until = {**values, "last_subject": last.subject_id, "last_set": last.set_id}
    by_id = _places_of_ids(span, len(rows))
    until |= {f"set_{place}": rows[min(place, len(rows) - 1)].set_id for place in range(by_id)}
    # What is read of each set: the states of its Observations, and its versions.
    found: dict[UUID, tuple[dict[str, ResourceState], dict[int, VersionRow]]] = {row.set_id: (row.mean, {}) for row in rows}
    seen = None
    for set_id, places in _stands(shape, by_id).all(connection, until):
        # The readings of a set follow each other, and looking a set up takes longer than adding a reading.
        if set_id is not seen:
            seen, (stands, _) = set_id, found[set_id]
        stands |= places
    for version in _versions(shape, by_id).all(connection, until):
        found[version.set_id][1][version.version] = version
    has_all = span.all_versions and span.since is None
    means = first_means(connection, span.tenant_id, set(found)) if span.all_versions and not has_all else {}
    sets = [
        SetOnPage(
            subject_id=row.subject_id,
            set_id=row.set_id,
            version=row.version,
            has_moved=row.updated_at > span.at,
            mean_from_version=row.mean_from_version,
            mean_since=_first_mean(versions) if has_all else means.get(row.set_id),
            stands=stands,
            versions=versions,
        )
        for row, (stands, versions) in zip(rows, found.values(), strict=True)
    ]
    is_last = len(keys) < SETS_A_PAGE and len(rows) == len(keys)
    return SetsPage(sets=sets, end=None if is_last else (last.subject_id, last.set_id))


def _first_mean(versions: dict[int, VersionRow]) -> int | None:
    """The first version that has a mean, of all versions of a set."""
    return min((number for number, row in versions.items() if "mean" in row.changed.split()), default=None)


def read_subjects(connection: Connection, span: Span, after: UUID | None) -> PartiesPage[SubjectRow]:
    """The next page of people, as they were at the export's moment."""
    query = _subjects(_shape(connection, span, subject))
    rows = query.all(connection, {**_values(span), "after": after or NOWHERE})
    then = [row if row.updated_at <= span.at else _subject_then(connection, span, row) for row in rows]
    return PartiesPage(rows=[row for row in then if row is not None], end=_end([row.subject_id for row in rows]))


def read_devices(connection: Connection, span: Span, after: UUID | None) -> PartiesPage[DeviceRow]:
    """The next page of devices as they were: all of them, or those that the people's readings were taken with."""
    shape = _Shape(members=span.members, has_since=span.since is not None)
    rows = _devices(shape).all(connection, {**_values(span), "after": after or NOWHERE})
    then = [row if row.updated_at <= span.at else _device_then(connection, span, row) for row in rows]
    return PartiesPage(rows=[row for row in then if row is not None], end=_end([row.device_id for row in rows]))


def _end(keys: list[UUID]) -> UUID | None:
    return keys[-1] if len(keys) == PARTIES_A_PAGE else None


def _subject_then(connection: Connection, span: Span, row: SubjectRow) -> SubjectRow | None:
    """A person as known at the export's moment."""
    past = connection.execute(SUBJECT_THEN, {"tenant_id": span.tenant_id, "key": row.subject_id, "at": span.at}).first()
    if past is None:
        return None
    return msgspec.structs.replace(row, version=past.version, facts=past.facts, updated_at=past.updated_at)


def _device_then(connection: Connection, span: Span, row: DeviceRow) -> DeviceRow | None:
    past = connection.execute(DEVICE_THEN, {"tenant_id": span.tenant_id, "key": row.device_id, "at": span.at}).first()
    if past is None:
        return None
    return msgspec.structs.replace(row, version=past.version, document=past.document, updated_at=past.updated_at)


def _shape(connection: Connection, span: Span, table: Table) -> _Shape:
    few = few_changed(connection, table, span.tenant_id, span.since)
    return _Shape(members=span.members, has_since=span.since is not None, few=few, all_versions=span.all_versions)


def _places_of_ids(span: Span, sets: int) -> int:
    """The number of sets that a statement names by their ids; 0 where all between two keys are on the page. A power of two, so
    that there are few statements to prepare."""
    return 0 if span.since is None else 1 << (sets - 1).bit_length()


def _values(span: Span) -> dict[str, Any]:
    since = {} if span.since is None else {"since": span.since}
    return {"tenant_id": span.tenant_id, "at": span.at, **since, **members_values(span.members)}


def _from(after: Key | None) -> dict[str, UUID]:
    subject_id, set_id = after or (NOWHERE, NOWHERE)
    return {"after_subject": subject_id, "after_set": set_id}


def _fitting(versions: list[int]) -> int:
    """The number of sets that fit on a page, given the number of versions of each."""
    total = 0
    for place, number in enumerate(versions):
        total += number
        if total > VERSIONS_A_PAGE and place > 0:
            return place
    return len(versions)


def _id(name: str) -> Any:
    return bindparam(name, type_=Id)


def _moment(name: str) -> Any:
    return bindparam(name, type_=Instant)


def _sets(shape: _Shape, source: FromClause) -> list[Condition]:
    """Conditions on the sets after the last page. An index can serve only the first two."""
    c = source.c
    found = [
        c.tenant_id == bindparam("tenant_id"),
        c.subject_id >= _id("after_subject"),
        or_(c.subject_id > _id("after_subject"), c.set_id > _id("after_set")),
        c.created_at <= _moment("at"),
    ]
    if shape.has_since:
        found.append(c.updated_at > _moment("since"))
    return found + members_conditions(shape.members, c.subject_id)


def _sets_on_page(shape: _Shape, by_id: int) -> list[Condition]:
    """Conditions on the sets of the page: those between two keys, or so many by their ids."""
    c = reading_set.c
    if by_id:
        return [c.tenant_id == bindparam("tenant_id"), c.set_id.in_([_id(f"set_{place}") for place in range(by_id)])]
    up_to = [
        c.subject_id <= _id("last_subject"),
        or_(c.subject_id < _id("last_subject"), c.set_id <= _id("last_set")),
    ]
    return _sets(shape, reading_set) + up_to


def _near(table: Table) -> list[Condition]:
    """The page's bounds on the other side of a join. Without them a planner may read that table from its beginning."""
    return [table.c.subject_id >= _id("after_subject"), table.c.subject_id <= _id("last_subject")]


class _SetKey(NamedTuple):
    """A set of a page: its key, its newest version, and its mean."""

    subject_id: UUID
    set_id: UUID
    version: int
    updated_at: datetime
    mean_from_version: int | None
    mean: dict[str, ResourceState]


def _set_key(subject_id: UUID, set_id: UUID, version: int, updated_at: datetime, shown: int | None, *mean: Any) -> _SetKey:
    return _SetKey(subject_id, set_id, version, updated_at, shown, {} if mean[0] is None else {"mean": resource_state(*mean)})


# The set of a reading, and the states of its Observations.
_PlacesOfReading = tuple[UUID, dict[str, ResourceState]]


def _places_of_reading(set_id: UUID, *columns: Any) -> _PlacesOfReading:
    return set_id, stands_of_reading(*columns)


@lru_cache(maxsize=STATEMENTS_KEPT)
def _keys(shape: _Shape) -> AnyQuery[_SetKey]:
    source: FromClause = changed_rows(reading_set) if shape.few else reading_set
    c = source.c
    columns = (
        *(c.subject_id, c.set_id, c.version, c.updated_at, c.mean_from_version),
        *(c.mean_version, c.mean_status, c.mean_updated_at),
    )
    statement = select(*columns).where(*_sets(shape, source)).order_by(c.subject_id, c.set_id)
    return AnyQuery(_set_key, statement.limit(bindparam("limit", type_=Integer)))


@lru_cache(maxsize=STATEMENTS_KEPT)
def _stands(shape: _Shape, by_id: int) -> AnyQuery[_PlacesOfReading]:
    columns = (reading.c.set_id, reading.c.reading_index, *STAND_COLUMNS)
    joined = select(*columns).select_from(reading_set).join(reading, of_set(reading))
    # Their places stand in the order of the readings.
    order = reading_set.c.subject_id, reading_set.c.set_id, reading.c.reading_index
    return AnyQuery(_places_of_reading, joined.where(*_sets_on_page(shape, by_id), *_near(reading)).order_by(*order))


@lru_cache(maxsize=STATEMENTS_KEPT)
def _versions(shape: _Shape, by_id: int) -> AnyQuery[VersionRow]:
    """The versions that are exported; of a set that has changed since, all of them."""
    v = set_version.c
    needed = [v.version == reading_set.c.version, v.version == reading_set.c.mean_from_version]
    needed.append(reading_set.c.updated_at > _moment("at"))
    if shape.all_versions:
        needed.append(v.created_at > _moment("since") if shape.has_since else v.version > 0)
    columns = [v[name] for name in VersionRow.__struct_fields__]
    joined = select(*columns).select_from(reading_set).join(set_version, of_set(set_version))
    return AnyQuery(version_row, joined.where(*_sets_on_page(shape, by_id), *_near(set_version), or_(*needed)))


@lru_cache(maxsize=STATEMENTS_KEPT)
def _subjects(shape: _Shape) -> AnyQuery[SubjectRow]:
    c = (changed_rows(subject) if shape.few else subject).c
    statement = _parties(select(*(c[name] for name in SubjectRow.__struct_fields__)), c.tenant_id, c.subject_id)
    wanted = _changed(shape, c.updated_at) + members_conditions(shape.members, c.subject_id)
    return AnyQuery(SubjectRow, statement.where(c.created_at <= _moment("at"), *wanted))


@lru_cache(maxsize=STATEMENTS_KEPT)
def _devices(shape: _Shape) -> AnyQuery[DeviceRow]:
    c = device.c
    statement = _parties(select(*(c[name] for name in DeviceRow.__struct_fields__)), c.tenant_id, c.device_id)
    statement = statement.where(*_changed(shape, c.updated_at))
    if shape.members.is_everybody:
        return AnyQuery(DeviceRow, statement)
    used = select(reading.c.device_id).where(
        reading.c.tenant_id == bindparam("tenant_id"), *members_conditions(shape.members, reading.c.subject_id)
    )
    return AnyQuery(DeviceRow, statement.where(c.device_id.in_(used)))


def _parties(statement: Select[Any], tenant_id: Any, key: Any) -> Select[Any]:
    found = and_(tenant_id == bindparam("tenant_id"), key > _id("after"))
    return statement.where(found).order_by(key).limit(PARTIES_A_PAGE)


def _changed(shape: _Shape, updated_at: Any) -> list[Condition]:
    return [updated_at > _moment("since")] if shape.has_since else []
