"""The versions of sets: what a set was when somebody began to read."""

from __future__ import annotations

from datetime import datetime
from functools import lru_cache
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import Connection, Integer, Select, bindparam, null, select

from quietcuff.storage.schema.column_types import Instant
from quietcuff.storage.schema.sittings import reading_set, set_version
from quietcuff.storage.search.statements import of_set


class FormerVersion(msgspec.Struct, frozen=True):
    """One version: when it was made, which places moved with it, and where wanted what it says."""

    set_id: UUID
    version: int
    created_at: datetime
    changed: str
    document: bytes | None
    evaluation: bytes | None


@lru_cache(maxsize=2)
def former_statement(with_documents: bool) -> Select[Any]:
    c = set_version.c
    said = [c.document, c.evaluation] if with_documents else [null(), null()]
    return (
        select(c.set_id, c.version, c.created_at, c.changed, *said)
        .join_from(reading_set, set_version, of_set(set_version))
        .where(
            reading_set.c.tenant_id == bindparam("tenant_id"),
            reading_set.c.set_id.in_(bindparam("set_ids", expanding=True)),
        )
        .order_by(c.set_id, c.version)
    )


def versions_of(
    snapshot: Connection, tenant_id: int, set_ids: set[UUID], *, with_documents: bool
) -> dict[UUID, list[FormerVersion]]:
    """By set, its versions, oldest first."""
    found: dict[UUID, list[FormerVersion]] = {}
    values = {"tenant_id": tenant_id, "set_ids": sorted(set_ids)}
    for row in snapshot.execute(former_statement(with_documents), values):
        found.setdefault(row.set_id, []).append(FormerVersion(*row))
    return found


RECENT = (
    select(set_version.c.set_id, set_version.c.version, set_version.c.created_at, set_version.c.changed, null(), null())
    .where(
        set_version.c.tenant_id == bindparam("tenant_id"),
        set_version.c.created_at > bindparam("since", type_=Instant),
        set_version.c.version > 1,
    )
    .order_by(set_version.c.created_at.desc())
    .limit(bindparam("limit", type_=Integer))
)


def recent_changes(snapshot: Connection, tenant_id: int, since: datetime, most: int) -> list[FormerVersion]:
    """The versions that changed a set since a moment, the newest first."""
    return [FormerVersion(*row) for row in snapshot.execute(RECENT, {"tenant_id": tenant_id, "since": since, "limit": most})]
