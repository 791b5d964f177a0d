"""What moved in each version of a set, without what the versions say."""

from __future__ import annotations

from uuid import UUID

import msgspec
from sqlalchemy import Connection, bindparam, select

from quietcuff.storage.engine.statements import Query
from quietcuff.storage.schema.sittings import set_version

_c = set_version.c


class VersionMoves(msgspec.Struct, frozen=True):
    """The places whose Observation is new or moved in one version, and whether the set was closed in it."""

    version: int
    places: frozenset[str]
    is_closed: bool


def _moves(version: int, changed: str, closes_at: object) -> VersionMoves:
    return VersionMoves(version, frozenset(changed.split()), closes_at is None)


MOVES = Query(
    _moves,
    select(_c.version, _c.changed, _c.closes_at)
    .where(
        _c.tenant_id == bindparam("tenant_id"),
        _c.subject_id == bindparam("subject_id"),
        _c.set_id == bindparam("set_id"),
    )
    .order_by(_c.version),
)


def moves_of_set(connection: Connection, tenant_id: int, subject_id: UUID, set_id: UUID) -> list[VersionMoves]:
    """Every version of a set, oldest first."""
    return MOVES.all(connection, {"tenant_id": tenant_id, "subject_id": subject_id, "set_id": set_id})
