"""Check that the stored rows fit together.

The tables that every request writes have no foreign keys, so this check takes their place. A tenant is read in slices of the
ids of its people, so that no statement runs long, however much there is.
"""

from __future__ import annotations

import time
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import Connection, and_, bindparam, exists, func, select

from quietcuff.storage.engine.ids import DIGEST_BYTES
from quietcuff.storage.engine.statements import Query, single
from quietcuff.storage.schema.retention import deleted_set
from quietcuff.storage.schema.sittings import claim, of_set, reading, reading_set, set_version, subject

SLICES = 256
LONGEST_SNAPSHOT_SECONDS = 0.1
# Slices that take less than this are joined, so that a small tenant is looked through in a few statements.
SHORT_SECONDS = 0.005

_s, _v, _c, _p, _d = reading_set.c, set_version.c, claim.c, subject.c, deleted_set.c


class MissingCounterpart(msgspec.Struct, frozen=True, kw_only=True):
    """A row whose counterpart is missing: the kind of fault, and the set."""

    what: str
    set_id: UUID


def _in_slice(table: Any) -> Any:
    """The rows of a slice, bounded by the leading column of their key: a person's id, or for claims the digest."""
    column, kind = (table.c.key_digest, "digest") if table is claim else (table.c.subject_id, "id")
    return and_(
        table.c.tenant_id == bindparam("tenant_id"),
        column >= bindparam(f"first_{kind}", type_=column.type),
        column <= bindparam(f"last_{kind}", type_=column.type),
    )


def _sets(where: Any) -> Query[UUID]:
    return Query(single, select(_s.set_id).where(_in_slice(reading_set), where).order_by(_s.set_id))


def _rows_without(table: Any, counterpart: Any) -> Query[UUID]:
    return Query(single, select(table.c.set_id).distinct().where(_in_slice(table), ~counterpart).order_by(table.c.set_id))


_versions = select(func.count()).select_from(set_version).where(of_set(set_version), _v.version <= _s.version).scalar_subquery()
CHECKS: dict[str, Query[UUID]] = {
    "versions are missing": _sets(_versions != _s.version),
    "no reading": _sets(~exists().where(of_set(reading))),
    "no person": _sets(~exists().where(_p.tenant_id == _s.tenant_id, _p.subject_id == _s.subject_id)),
    "a version that no set has": _rows_without(set_version, exists().where(of_set(set_version), _v.version <= _s.version)),
    "a reading that no set has": _rows_without(reading, exists().where(of_set(reading))),
    "deleted, and there all the same": _sets(exists().where(_d.tenant_id == _s.tenant_id, _d.set_id == _s.set_id)),
    "a claim that stands for no version": _rows_without(
        claim, exists().where(of_set(claim, set_version), _c.version == _v.version)
    ),
}
COUNT: Query[int] = Query(single, select(func.count()).where(_in_slice(reading_set)).select_from(reading_set))


def look_through(connection: Connection, tenant_id: int, number: int, many: int = 1) -> tuple[int, list[MissingCounterpart]]:
    """Check slices of a tenant, of 0 to 255, as one: the number of their sets, and all faults found."""
    width, last = 2**128 // SLICES, number + many - 1
    bounds = {
        "tenant_id": tenant_id,
        "first_id": UUID(int=number * width),
        "last_id": UUID(int=(last + 1) * width - 1),
        "first_digest": bytes([number]),
        "last_digest": bytes([last]) + b"\xff" * (DIGEST_BYTES - 1),
    }
    flaws = [
        MissingCounterpart(what=what, set_id=set_id)
        for what, query in CHECKS.items()
        for set_id in query.all(connection, bounds)
    ]
    return COUNT.all(connection, bounds)[0], flaws


def look_on(connection: Connection, tenant_id: int, number: int) -> tuple[int, list[MissingCounterpart], int]:
    """Look through one slice, and on while that takes no time; the sets, the inconsistencies, and the slice to go on from."""
    flaws: list[MissingCounterpart] = []
    sets, many, began = 0, 1, time.monotonic()
    until = began + LONGEST_SNAPSHOT_SECONDS
    while True:
        counted, found = look_through(connection, tenant_id, number, many)
        sets, flaws, number = sets + counted, flaws + found, number + many
        ended = time.monotonic()
        if number == SLICES or ended >= until:
            return sets, flaws, number
        # People's ids are spread evenly, so that twice as many slices take about twice as long.
        many = min(2 * many if ended - began < SHORT_SECONDS else max(1, many // 2), SLICES - number)
        began = ended
