"""Reading sets as rows: their present state and mean, and pages of them.

Pages of sets are newest first. A page follows the key of the page before, so that it stays stable while sets arrive.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import date, datetime, timedelta, timezone
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import ColumnElement, Connection, Select, and_, bindparam, func, literal, select, tuple_, update

from quietcuff.storage.engine.statements import Command, Insert, Query, single
from quietcuff.storage.rows.paging import DEFAULT_LIMIT, cursor_text, read_cursor
from quietcuff.storage.schema.base import EPOCH, MICROSECOND, Id, Instant, microseconds
from quietcuff.storage.schema.codes import CUFF_SIZE, METHOD, OBSERVATION_STATUS, SET_STATUS, SETTING, STATE
from quietcuff.storage.schema.sittings import reading_set, set_version
from quietcuff.storage.search.texts import FirstBar, holds

_c = reading_set.c


class SetRow(msgspec.Struct, frozen=True, gc=False):
    """One set in the order of the table's columns, its codes as words. The fields ``mean_...``, the pressures and the count
    describe its mean."""

    tenant_id: int
    subject_id: UUID
    set_id: UUID
    taken_from: datetime
    taken_to: datetime
    from_offset_minutes: int
    to_offset_minutes: int
    created_at: datetime
    updated_at: datetime
    touched_at: datetime
    closed_at: datetime | None
    version: int
    status: str
    state: str
    setting: str
    protocol: str
    device_id: UUID | None = None
    observer: str | None = None
    location: str | None = None
    encounter: str | None = None
    based_on: str | None = None
    mean_version: int | None = None
    mean_status: str | None = None
    mean_from_version: int | None = None
    mean_updated_at: datetime | None = None
    mean_taken_from: datetime | None = None
    mean_taken_to: datetime | None = None
    systolic: int | None = None
    diastolic: int | None = None
    counted: int | None = None
    mean_systolic: int | None = None
    mean_diastolic: int | None = None
    hours_24_systolic: int | None = None
    hours_24_diastolic: int | None = None
    mean_device_id: UUID | None = None
    mean_cuff: str | None = None
    mean_method: str | None = None
    mean_has_device: bool | None = None
    mean_is_long: bool | None = None
    labels: str | None = None
    findings: str | None = None
    sitting: bytes | None = None


def _from_columns(*columns: Any) -> SetRow:
    values = dict(zip(SetRow.__struct_fields__, columns, strict=True))
    values["status"] = SET_STATUS.word(values["status"])
    values["state"] = STATE.word(values["state"])
    values["setting"] = SETTING.word(values["setting"])
    values["mean_status"] = OBSERVATION_STATUS.optional_word(values["mean_status"])
    values["mean_cuff"] = CUFF_SIZE.optional_word(values["mean_cuff"])
    values["mean_method"] = METHOD.optional_word(values["mean_method"])
    return SetRow(**values)


def _to_columns(row: SetRow) -> dict[str, Any]:
    return dict(zip(SetRow.__struct_fields__, insert_values(row), strict=True))


# What is a word in a row and a number in its column, by place.
_CODES: list[tuple[int, Callable[[Any], int | None]]] = [
    (SetRow.__struct_fields__.index(name), number)
    for name, number in (
        ("status", SET_STATUS.number),
        ("state", STATE.number),
        ("setting", SETTING.number),
        ("mean_status", OBSERVATION_STATUS.optional_number),
        ("mean_cuff", CUFF_SIZE.optional_number),
        ("mean_method", METHOD.optional_number),
    )
]
_KEY = ("tenant_id", "subject_id", "set_id")
_COLUMNS = [_c[name] for name in SetRow.__struct_fields__]
_OF_TENANT = _c.tenant_id == bindparam("tenant_id")
FIND = Query(_from_columns, select(*_COLUMNS).where(_OF_TENANT, _c.set_id == bindparam("set_id")))
INSERT = Insert(reading_set)
CHANGE = Command(
    update(reading_set).where(
        _c.tenant_id == bindparam("of_tenant"),
        _c.subject_id == bindparam("of_subject"),
        _c.set_id == bindparam("of_set"),
    ),
    columns=[name for name in SetRow.__struct_fields__ if name not in (*_KEY, "created_at", "setting")],
)
IDLE: Query[UUID] = Query(
    single,
    select(_c.set_id)
    .where(_OF_TENANT, _c.closed_at.is_(None), _c.touched_at < bindparam("touched_before"))
    .order_by(_c.touched_at)
    .limit(bindparam("most")),
)


def subjects_of_sets(connection: Connection, tenant_id: int, set_ids: Sequence[UUID]) -> dict[UUID, UUID]:
    """The subject of each of these sets; sets that do not exist are left out."""
    if not set_ids:
        return {}
    statement = select(_c.set_id, _c.subject_id).where(_c.tenant_id == tenant_id, _c.set_id.in_(set_ids))
    return {set_id: subject_id for set_id, subject_id in connection.execute(statement).all()}


def find_set(connection: Connection, tenant_id: int, set_id: UUID) -> SetRow | None:
    return FIND.first(connection, {"tenant_id": tenant_id, "set_id": set_id})


def insert_set(connection: Connection, row: SetRow) -> None:
    """Store a new set with the group."""
    INSERT.add(connection, [insert_values(row)])


def insert_values(row: SetRow) -> list[Any]:
    """The values of a new row in the order of the table's columns."""
    values = list(msgspec.structs.astuple(row))
    for place, number in _CODES:
        values[place] = number(values[place])
    return values


def change_set(connection: Connection, row: SetRow) -> None:
    """Store a set's present state."""
    key = {"of_tenant": row.tenant_id, "of_subject": row.subject_id, "of_set": row.set_id}
    CHANGE.run(connection, {**_to_columns(row), **key})


def idle_sets(connection: Connection, tenant_id: int, touched_before: datetime, most: int) -> list[UUID]:
    """Open sets that received nothing since a moment, the longest idle first."""
    return IDLE.all(connection, {"tenant_id": tenant_id, "touched_before": touched_before, "most": most})


class SetMarks(msgspec.Struct, frozen=True, kw_only=True):
    """Further conditions on sets; None where it was not asked. ``observer`` and ``location`` are ``system|value``, or a
    value in whatever system; ``label`` is ``guideline:category``, or a category of whatever guideline."""

    observer: str | None = None
    location: str | None = None
    protocol: str | None = None
    setting: str | None = None
    state: str | None = None
    finding: str | None = None
    label: str | None = None


class SetQuery(msgspec.Struct, frozen=True, kw_only=True):
    """A query for sets: of one subject or all, taken in ``[since, until)``, newest first.

    A plain day means its first moment in the tenant's time zone. ``cursor`` is the end of an earlier page.
    """

    subject_id: str | None = None
    since: datetime | date | None = None
    until: datetime | date | None = None
    marks: SetMarks = SetMarks()
    limit: int = DEFAULT_LIMIT
    cursor: str | None = None


class SetPageEnd(msgspec.Struct, frozen=True):
    """The last set of a page; the next page starts after it."""

    taken_from: datetime
    set_id: UUID


def cursor_of(end: SetPageEnd) -> str:
    """A page's end as a cursor."""
    return cursor_text(microseconds(end.taken_from).to_bytes(8, "big", signed=True) + end.set_id.bytes)


def page_end_of(cursor: str) -> SetPageEnd:
    """The end of a page that a cursor encodes.

    Raises:
        NotAcceptable: it is none of ours.
    """
    return read_cursor(cursor, _page_end)


def _page_end(key: bytes) -> SetPageEnd:
    taken_from = EPOCH + int.from_bytes(key[:8], "big", signed=True) * MICROSECOND
    return SetPageEnd(taken_from, UUID(bytes=key[8:]))


KEY = ("tenant_id", "subject_id", "set_id", "version")
SHOWN = (
    "set_id",
    "subject_id",
    "version",
    "status",
    "setting",
    "taken_from",
    "from_offset_minutes",
    "taken_to",
    "to_offset_minutes",
)


class ListedSet(msgspec.Struct, frozen=True):
    """One set of a page, with its newest evaluation as it was answered."""

    set_id: UUID
    subject_id: UUID
    version: int
    status: str
    setting: str
    taken_from: datetime
    taken_to: datetime
    evaluation: bytes

    @property
    def end(self) -> SetPageEnd:
        return SetPageEnd(self.taken_from, self.set_id)


class ListFilter(msgspec.Struct, frozen=True, kw_only=True):
    """The conditions of a list: sets taken in ``[since, until)``, after the end of an earlier page."""

    tenant_id: int
    subject_id: UUID | None
    since: datetime | None
    until: datetime | None
    after: SetPageEnd | None
    marks: SetMarks = SetMarks()


def list_sets(connection: Connection, wanted: ListFilter, limit: int) -> list[ListedSet]:
    """At most ``limit`` sets, voided ones too, ordered by the time they were taken and then by id, newest first."""
    return [_listed(*row) for row in connection.execute(page_query(wanted, limit))]


def page_query(wanted: ListFilter, limit: int) -> Select[Any]:
    """The statement of a page. It first finds the sets in their index alone, and only then fetches their evaluations."""
    page = (
        select(*(_c[name] for name in dict.fromkeys((*KEY, *SHOWN))))
        .where(*conditions_of(wanted))
        .order_by(_c.taken_from.desc(), _c.set_id.desc())
        .limit(limit)
        .subquery("page")
    )
    same_version = and_(*(set_version.c[name] == page.c[name] for name in KEY))
    if wanted.subject_id is not None:
        # Told here too, so that a database of partitions looks into the person's alone.
        same_version &= set_version.c.subject_id == wanted.subject_id
    return (
        select(*(page.c[name] for name in SHOWN), set_version.c.evaluation)
        .join_from(page, set_version, same_version)
        .order_by(page.c.taken_from.desc(), page.c.set_id.desc())
    )


def conditions_of(wanted: ListFilter) -> list[ColumnElement[bool]]:
    conditions = [_c.tenant_id == wanted.tenant_id]
    if wanted.subject_id is not None:
        conditions.append(_c.subject_id == wanted.subject_id)
    if wanted.since is not None:
        conditions.append(_c.taken_from >= wanted.since)
    if wanted.until is not None:
        conditions.append(_c.taken_from < wanted.until)
    conditions += conditions_of_marks(wanted.marks)
    if wanted.after is not None:
        end = tuple_(wanted.after.taken_from, wanted.after.set_id, types=[Instant(), Id()])
        # With a bound on the first column alone, the index can be entered at the page's end.
        conditions += [_c.taken_from <= wanted.after.taken_from, tuple_(_c.taken_from, _c.set_id) < end]
    return conditions


def conditions_of_marks(marks: SetMarks) -> Iterator[ColumnElement[bool]]:
    """The conditions on the newest version of a set."""
    for column, identifier in ((_c.observer, marks.observer), (_c.location, marks.location)):
        if identifier is not None:
            yield column == identifier if "|" in identifier else func.substr(column, FirstBar(column) + 1) == identifier
            yield column.is_not(None)
    if marks.protocol is not None:
        yield _c.protocol == marks.protocol
    if marks.setting is not None:
        yield _c.setting == SETTING.number(marks.setting)
    if marks.state is not None:
        yield _c.state == STATE.number(marks.state)
    if marks.finding is not None:
        yield holds(_c.findings, literal(f" {marks.finding} "))
    if marks.label is not None:
        yield holds(_c.labels, literal(f"{' ' if ':' in marks.label else ':'}{marks.label} "))


def _listed(
    set_id: UUID,
    subject_id: UUID,
    version: int,
    status: int,
    setting: int,
    taken_from: datetime,
    from_offset: int,
    taken_to: datetime,
    to_offset: int,
    evaluation: bytes,
) -> ListedSet:
    return ListedSet(
        set_id,
        subject_id,
        version,
        SET_STATUS.word(status),
        SETTING.word(setting),
        in_offset(taken_from, from_offset),
        in_offset(taken_to, to_offset),
        evaluation,
    )


def in_offset(moment: datetime, minutes: int) -> datetime:
    """A moment in the UTC offset that it came with."""
    return moment.astimezone(timezone(timedelta(minutes=minutes)))
