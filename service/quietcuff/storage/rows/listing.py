"""Pages of sets, newest first. A page follows the key of the one before, so that it stays stable while sets arrive."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import ColumnElement, Connection, Select, and_, select, tuple_

from quietcuff.storage.rows.queries import PageEnd
from quietcuff.storage.schema.codes import SET_STATUS, SETTING
from quietcuff.storage.schema.column_types import Id, Instant
from quietcuff.storage.schema.sittings import reading_set, set_version

_c = reading_set.c
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
    def end(self) -> PageEnd:
        return PageEnd(self.taken_from, self.set_id)


class ListFilter(msgspec.Struct, frozen=True, kw_only=True):
    """Which sets: taken in ``[since, until)``, after the end of an earlier page."""

    tenant_id: int
    subject_id: UUID | None
    since: datetime | None
    until: datetime | None
    after: PageEnd | None


def list_sets(connection: Connection, wanted: ListFilter, limit: int) -> list[ListedSet]:
    """At most ``limit`` sets, voided ones too, by the time they were taken and then by id, newest first."""
    return [_listed(*row) for row in connection.execute(page_query(wanted, limit))]


def page_query(wanted: ListFilter, limit: int) -> Select[Any]:
    """The page's sets are found first, in their index alone; only then is each one's evaluation fetched."""
    page = (
        select(*(_c[name] for name in dict.fromkeys((*KEY, *SHOWN))))
        .where(*conditions_of(wanted))
        .order_by(_c.taken_from.desc(), _c.set_id.desc())
        .limit(limit)
        .subquery("page")
    )
    same_version = and_(*(set_version.c[name] == page.c[name] for name in KEY))
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
    if wanted.after is not None:
        end = tuple_(wanted.after.taken_from, wanted.after.set_id, types=[Instant(), Id()])
        # The bound on the first column alone is what lets the index be entered at the page's end.
        conditions += [_c.taken_from <= wanted.after.taken_from, tuple_(_c.taken_from, _c.set_id) < end]
    return conditions


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
    """A moment with the offset it came with."""
    return moment.astimezone(timezone(timedelta(minutes=minutes)))
