"""Subjects as rows, and their last deletion. Whoever changes anything about a person locks the person's row first."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

import msgspec
from sqlalchemy import Connection, bindparam, insert, select, update

from quietcuff.storage.engine.read_ahead import KeyedQuery
from quietcuff.storage.engine.statements import Command, Insert, Query, Values, insert_into
from quietcuff.storage.schema.retention import deleted_subject
from quietcuff.storage.schema.sittings import subject, subject_past

_c, _d = subject.c, deleted_subject.c


class SubjectRow(msgspec.Struct, frozen=True):
    """One person; ``facts`` is JSON."""

    tenant_id: int
    subject_id: UUID
    system: str
    value: str
    facts: bytes
    version: int
    created_at: datetime
    updated_at: datetime


class DeletedSubject(msgspec.Struct, frozen=True):
    """A deleted person. ``version`` is the version of the deletion."""

    subject_id: UUID
    version: int
    deleted_at: datetime


_OF_TENANT = select(*(_c[name] for name in SubjectRow.__struct_fields__)).where(_c.tenant_id == bindparam("tenant_id"))
_FIND = _OF_TENANT.where(_c.subject_id == bindparam("subject_id"))
FIND = KeyedQuery(SubjectRow, _OF_TENANT, [_c.subject_id])
# Several people are locked in the order of their ids, so that two transactions do not wait for each other.
LOCK = KeyedQuery(
    SubjectRow, _OF_TENANT, [_c.subject_id], lambda clause: clause.order_by(_c.subject_id).with_for_update(of=subject)
)
DELETED = KeyedQuery(
    DeletedSubject,
    select(*(_d[name] for name in DeletedSubject.__struct_fields__)).where(_d.tenant_id == bindparam("tenant_id")),
    [_d.subject_id],
)
LOCK_IF_FREE = Query(SubjectRow, _FIND.with_for_update(skip_locked=True))
INSERT = Insert(subject)
INSERT_IF_NEW = Command(lambda dialect: insert_into(subject, dialect).on_conflict_do_nothing())
_KEPT = ("tenant_id", "subject_id", "version", "system", "value", "facts", "updated_at")
KEEP_PAST = Command(
    insert(subject_past).from_select(
        _KEPT,
        select(*(_c[name] for name in _KEPT)).where(
            _c.tenant_id == bindparam("of_tenant"), _c.subject_id == bindparam("of_subject")
        ),
    ),
)
CHANGE = Command(
    update(subject).where(_c.tenant_id == bindparam("of_tenant"), _c.subject_id == bindparam("of_subject")),
    columns=("facts", "version", "updated_at"),
)


def find_subject(connection: Connection, tenant_id: int, subject_id: UUID) -> SubjectRow | None:
    return FIND.first(connection, _key(tenant_id, subject_id))


def lock_subject(connection: Connection, tenant_id: int, subject_id: UUID) -> SubjectRow | None:
    """A person's row, locked until the transaction ends."""
    return LOCK.first(connection, _key(tenant_id, subject_id))


def lock_subject_if_free(connection: Connection, tenant_id: int, subject_id: UUID) -> SubjectRow | None:
    """A person's row, locked; None where somebody else holds it now."""
    return LOCK_IF_FREE.first(connection, _key(tenant_id, subject_id))


def insert_subject(connection: Connection, row: SubjectRow) -> None:
    """Store a person with the group. Where another process has stored them meanwhile, the database refuses, and the work is
    done again."""
    INSERT.add(connection, [msgspec.structs.astuple(row)])


def insert_subject_if_new(connection: Connection, row: SubjectRow) -> bool:
    """Store a person; False where another process has stored them meanwhile."""
    return INSERT_IF_NEW.run(connection, msgspec.structs.asdict(row)) == 1


def change_subject(connection: Connection, row: SubjectRow) -> None:
    """Store a person's new facts and version; the earlier version stays readable."""
    key = {"of_tenant": row.tenant_id, "of_subject": row.subject_id}
    KEEP_PAST.run(connection, key)
    CHANGE.run(connection, {**msgspec.structs.asdict(row), **key})


def _key(tenant_id: int, subject_id: UUID) -> Values:
    return {"tenant_id": tenant_id, "subject_id": subject_id}


def find_deleted_subject(connection: Connection, tenant_id: int, subject_id: UUID) -> DeletedSubject | None:
    """The last deletion of a person, who may have been stored again since."""
    return DELETED.first(connection, {"tenant_id": tenant_id, "subject_id": subject_id})
