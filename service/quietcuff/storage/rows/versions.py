"""The versions of sets: each holds the set and its evaluation as they were answered, and is never changed."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import Connection, bindparam, insert, select

from quietcuff.storage.engine.statements import Command, Query
from quietcuff.storage.schema.codes import CAUSE, SET_STATUS
from quietcuff.storage.schema.sittings import set_version

_c = set_version.c


class VersionRow(msgspec.Struct, frozen=True, kw_only=True):
    """One version; ``document`` and ``evaluation`` are the JSON that was answered."""

    tenant_id: int
    subject_id: UUID
    set_id: UUID
    version: int
    cause: str
    status: str
    closes_at: datetime | None
    document: bytes
    evaluation: bytes
    rules_digest: str
    changed: str
    author: str | None
    reason: str | None
    created_by: str
    created_at: datetime


class VersionNote(msgspec.Struct, frozen=True):
    """Why there is a version, without what it says."""

    version: int
    cause: str
    created_at: datetime
    by: str
    author: str | None
    reason: str | None
    rules_digest: str


def version_row(*columns: Any) -> VersionRow:
    """A version from its columns, in the order of the fields."""
    values = dict(zip(VersionRow.__struct_fields__, columns, strict=True))
    values["cause"] = CAUSE.word(values["cause"])
    values["status"] = SET_STATUS.word(values["status"])
    return VersionRow(**values)


def _to_columns(row: VersionRow) -> dict[str, Any]:
    values = msgspec.structs.asdict(row)
    values["cause"] = CAUSE.number(row.cause)
    values["status"] = SET_STATUS.number(row.status)
    return values


def _note(version: int, cause: int, *rest: Any) -> VersionNote:
    return VersionNote(version, CAUSE.word(cause), *rest)


_OF_SET = (
    _c.tenant_id == bindparam("tenant_id"),
    _c.subject_id == bindparam("subject_id"),
    _c.set_id == bindparam("set_id"),
)
_COLUMNS = [_c[name] for name in VersionRow.__struct_fields__]
_NOTED = (_c.version, _c.cause, _c.created_at, _c.created_by, _c.author, _c.reason, _c.rules_digest)
FIND = Query(version_row, select(*_COLUMNS).where(*_OF_SET, _c.version == bindparam("version")))
NOTES = Query(_note, select(*_NOTED).where(*_OF_SET).order_by(_c.version))
INSERT = Command(insert(set_version))


def find_version(connection: Connection, tenant_id: int, subject_id: UUID, set_id: UUID, version: int) -> VersionRow | None:
    key = {"tenant_id": tenant_id, "subject_id": subject_id, "set_id": set_id, "version": version}
    return FIND.first(connection, key)


def version_notes(connection: Connection, tenant_id: int, subject_id: UUID, set_id: UUID) -> list[VersionNote]:
    """Every version of a set, oldest first."""
    return NOTES.all(connection, {"tenant_id": tenant_id, "subject_id": subject_id, "set_id": set_id})


def insert_version(connection: Connection, row: VersionRow) -> None:
    """Have a version stored with the group."""
    INSERT.run_later(connection, [_to_columns(row)])
