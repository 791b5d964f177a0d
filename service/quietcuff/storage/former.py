"""The versions of sets up to a moment: what a set was when somebody began to read."""

from __future__ import annotations

from datetime import datetime
from functools import lru_cache
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import Connection, Select, bindparam, null, select

from quietcuff.storage.column_types import Instant
from quietcuff.storage.search_statements import of_set
from quietcuff.storage.tables import reading_set, set_version


class FormerVersion(msgspec.Struct, frozen=True):
    """One version: when it was made, which places moved with it, and where wanted what it says."""

    created_at: datetime
    changed: str
    document: bytes | None
    evaluation: bytes | None


@lru_cache(maxsize=2)
def former_statement(with_documents: bool) -> Select[Any]:
    c = set_version.c
    said = [c.document, c.evaluation] if with_documents else [null(), null()]
    return (
        select(c.set_id, c.created_at, c.changed, *said)
        .join_from(reading_set, set_version, of_set(set_version))
        .where(
            reading_set.c.tenant_id == bindparam("tenant_id"),
            reading_set.c.set_id.in_(bindparam("set_ids", expanding=True)),
            c.created_at <= bindparam("until", type_=Instant),
        )
        .order_by(c.set_id, c.version)
    )


def versions_until(
    snapshot: Connection, tenant_id: int, set_ids: set[UUID], until: datetime, *, with_documents: bool
) -> dict[UUID, list[FormerVersion]]:
    """By set, its versions up to a moment, oldest first."""
    found: dict[UUID, list[FormerVersion]] = {}
    values = {"tenant_id": tenant_id, "set_ids": sorted(set_ids), "until": until}
    for set_id, *columns in snapshot.execute(former_statement(with_documents), values):
        found.setdefault(set_id, []).append(FormerVersion(*columns))
    return found
