"""What was deleted, by the ids that it had."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import Connection, Integer, Select, Table, bindparam, exists, select, tuple_

from quietcuff.core.model.errors import Deleted, NotFound
from quietcuff.storage.bulk.members import Members, members_conditions, members_values
from quietcuff.storage.engine.statements import Query
from quietcuff.storage.schema.column_types import Id, Instant
from quietcuff.storage.schema.retention import deleted_set, deleted_subject
from quietcuff.storage.schema.sittings import subject

_d, _g = deleted_set.c, deleted_subject.c


class DeletedSet(msgspec.Struct, frozen=True):
    """A set that is gone: how many versions it had, and at which places, such as ``r0`` or ``mean``, Observations."""

    set_id: UUID
    subject_id: UUID
    version: int
    places: str
    deleted_at: datetime


class DeletedSubject(msgspec.Struct, frozen=True):
    """A person who is gone; ``version`` is that of the deletion."""

    subject_id: UUID
    version: int
    deleted_at: datetime


class Between(msgspec.Struct, frozen=True, kw_only=True):
    """Whose deletions, after ``since`` and not after ``at``; the page begins after ``after``, a moment and an id."""

    tenant_id: int
    members: Members
    since: datetime
    at: datetime
    after: tuple[datetime, UUID] | None = None


_SET = select(*(_d[name] for name in DeletedSet.__struct_fields__))
_SUBJECT = select(*(_g[name] for name in DeletedSubject.__struct_fields__))
SET = Query(DeletedSet, _SET.where(_d.tenant_id == bindparam("tenant_id"), _d.set_id == bindparam("set_id")))
SUBJECT = Query(
    DeletedSubject, _SUBJECT.where(_g.tenant_id == bindparam("tenant_id"), _g.subject_id == bindparam("subject_id"))
)


def find_deleted_set(connection: Connection, tenant_id: int, set_id: UUID) -> DeletedSet | None:
    return SET.first(connection, {"tenant_id": tenant_id, "set_id": set_id})


def find_deleted_subject(connection: Connection, tenant_id: int, subject_id: UUID) -> DeletedSubject | None:
    """The last time that a person was deleted; they may have come again since."""
    return SUBJECT.first(connection, {"tenant_id": tenant_id, "subject_id": subject_id})


def missing_set(connection: Connection, tenant_id: int, set_id: UUID) -> NotFound:
    """Why a set is not there, to be raised: it never was, or it was deleted."""
    return (NotFound if find_deleted_set(connection, tenant_id, set_id) is None else Deleted)("reading set")


def missing_subject(connection: Connection, tenant_id: int, subject_id: UUID) -> NotFound:
    """Why a person is not there, to be raised."""
    return (NotFound if find_deleted_subject(connection, tenant_id, subject_id) is None else Deleted)("subject")


def sets_deleted(connection: Connection, between: Between, most: int) -> list[DeletedSet]:
    """A page of the sets that were deleted, in the order in which they were."""
    return [DeletedSet(*row) for row in connection.execute(_page(_SET, deleted_set, "set_id", between, most), _values(between))]


def subjects_deleted(connection: Connection, between: Between, most: int) -> list[DeletedSubject]:
    """A page of the people who were deleted and did not come again, in the order in which they were."""
    is_back = exists().where(subject.c.tenant_id == _g.tenant_id, subject.c.subject_id == _g.subject_id)
    statement = _page(_SUBJECT, deleted_subject, "subject_id", between, most).where(~is_back)
    return [DeletedSubject(*row) for row in connection.execute(statement, _values(between))]


def _page(statement: Select[Any], table: Table, key: str, between: Between, most: int) -> Select[Any]:
    c = table.c
    after = tuple_(bindparam("after_at", type_=Instant), bindparam("after_id", type_=Id))
    return (
        statement.where(
            c.tenant_id == bindparam("tenant_id"),
            c.deleted_at >= bindparam("after_at", type_=Instant),
            c.deleted_at <= bindparam("at", type_=Instant),
            tuple_(c.deleted_at, c[key]) > after,
            *members_conditions(between.members, c.subject_id),
        )
        .order_by(c.deleted_at, c[key])
        .limit(bindparam("most", value=most, type_=Integer))
    )


def _values(between: Between) -> dict[str, Any]:
    # Nothing has the greatest of all ids: what was deleted at the very moment of ``since`` stood in the export before.
    after_at, after_id = between.after or (between.since, UUID(int=2**128 - 1))
    values = {"tenant_id": between.tenant_id, "at": between.at, "after_at": after_at, "after_id": after_id}
    return {**values, **members_values(between.members)}
