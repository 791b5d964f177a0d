"""Versions as they were answered, with what the envelope around them needs."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import Connection, and_, bindparam, select

from quietcuff.storage.engine.statements import Query
from quietcuff.storage.schema.codes import CAUSE, SET_STATUS
from quietcuff.storage.schema.sittings import reading_set, set_version


class AnsweredVersion(msgspec.Struct, frozen=True, kw_only=True):
    """One version of a set; ``set_created_at`` is of the set's first."""

    set_id: UUID
    subject_id: UUID
    version: int
    cause: str
    status: str
    closes_at: datetime | None
    set_created_at: datetime
    created_at: datetime
    document: bytes
    evaluation: bytes


def _from_columns(*columns: Any) -> AnsweredVersion:
    values = dict(zip(AnsweredVersion.__struct_fields__, columns, strict=True))
    values["cause"] = CAUSE.word(values["cause"])
    values["status"] = SET_STATUS.word(values["status"])
    return AnsweredVersion(**values)


_VERSIONS = (
    select(
        reading_set.c.set_id,
        reading_set.c.subject_id,
        set_version.c.version,
        set_version.c.cause,
        set_version.c.status,
        set_version.c.closes_at,
        reading_set.c.created_at,
        set_version.c.created_at,
        set_version.c.document,
        set_version.c.evaluation,
    )
    .join(
        set_version,
        and_(
            set_version.c.tenant_id == reading_set.c.tenant_id,
            set_version.c.subject_id == reading_set.c.subject_id,
            set_version.c.set_id == reading_set.c.set_id,
        ),
    )
    .where(reading_set.c.tenant_id == bindparam("tenant_id"))
)
_OF_SET = _VERSIONS.where(reading_set.c.set_id == bindparam("set_id"))
NEWEST = Query(_from_columns, _OF_SET.where(set_version.c.version == reading_set.c.version))
NUMBERED = Query(_from_columns, _OF_SET.where(set_version.c.version == bindparam("version")))
_OF_SUBJECT = _VERSIONS.where(
    reading_set.c.subject_id == bindparam("subject_id"),
    set_version.c.version == reading_set.c.version,
)
_NEWEST_FIRST = (reading_set.c.taken_from.desc(), reading_set.c.set_id.desc())
OF_SUBJECT = Query(_from_columns, _OF_SUBJECT.order_by(*_NEWEST_FIRST).limit(bindparam("most")))
OF_SUBJECT_TAKEN = Query(
    _from_columns,
    _OF_SUBJECT.where(reading_set.c.taken_from >= bindparam("since"), reading_set.c.taken_from < bindparam("until"))
    .order_by(*_NEWEST_FIRST)
    .limit(bindparam("most")),
)
OF_TENANT = Query(
    _from_columns,
    _VERSIONS.where(set_version.c.version == reading_set.c.version, reading_set.c.set_id > bindparam("after"))
    .order_by(reading_set.c.set_id)
    .limit(bindparam("most")),
)


def newest_answers_after(connection: Connection, tenant_id: int, after: UUID, most: int) -> list[AnsweredVersion]:
    """The newest versions of a tenant's sets in the order of their ids, those after one: page by page, all of them."""
    return OF_TENANT.all(connection, {"tenant_id": tenant_id, "after": after, "most": most})


def newest_answer(connection: Connection, tenant_id: int, set_id: UUID) -> AnsweredVersion | None:
    return NEWEST.first(connection, {"tenant_id": tenant_id, "set_id": set_id})


def numbered_answer(connection: Connection, tenant_id: int, set_id: UUID, version: int) -> AnsweredVersion | None:
    return NUMBERED.first(connection, {"tenant_id": tenant_id, "set_id": set_id, "version": version})


def newest_answers_of_subject(connection: Connection, tenant_id: int, subject_id: UUID, most: int) -> list[AnsweredVersion]:
    """The newest version of each of a person's sets, the latest taken first, at most so many."""
    return OF_SUBJECT.all(connection, {"tenant_id": tenant_id, "subject_id": subject_id, "most": most})


def answers_of_subject_taken(
    connection: Connection, tenant_id: int, subject_id: UUID, since: datetime, until: datetime, most: int
) -> list[AnsweredVersion]:
    """The same, of sets whose first reading was taken in ``[since, until)``."""
    key = {"tenant_id": tenant_id, "subject_id": subject_id, "since": since, "until": until, "most": most}
    return OF_SUBJECT_TAKEN.all(connection, key)
