"""Rows that the storing of a sitting looks up, read for many sittings at once; and the earlier sittings of a person."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from operator import attrgetter
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import Connection, Select, bindparam, column, select, true, union_all

from quietcuff.storage.engine.read_ahead import Key, KeyedQuery
from quietcuff.storage.engine.statements import Clause, single
from quietcuff.storage.rows import claims, devices, payloads, subjects
from quietcuff.storage.rows.subjects import SubjectRow
from quietcuff.storage.schema.base import Instant
from quietcuff.storage.schema.sittings import reading_set

_c = reading_set.c
# A bound, so that a person with thousands of sittings does not make each new one slower.
EARLIER_SETS = 60


class SittingKeys(msgspec.Struct, frozen=True, kw_only=True):
    """The keys of one sitting: its person, its claims, its devices, the times of its readings without an identifier, and the
    moment before which the person's history counts."""

    subject_id: UUID
    claims: list[bytes]
    devices: list[UUID]
    taken_at: list[datetime]
    as_of: datetime | None


def read_ahead(connection: Connection, tenant_id: int, wanted: Sequence[SittingKeys]) -> None:
    """Read what the storing of these sittings looks up, one statement a table, and lock their people."""
    # Every lock comes before every look at what is stored, and all in one order.
    people = _read_with(subjects.LOCK, connection, tenant_id, wanted)
    subjects.DELETED.read_ahead(connection, tenant_id, [key for key, rows in people.items() if not rows])
    # Nothing is stored of a person who has no row.
    measured = {(one.subject_id,) for one in wanted if one.taken_at and people[one.subject_id,]}
    brought = payloads.BROUGHT.read_ahead(connection, tenant_id, measured)
    taken = {(one.subject_id, at) for one in wanted if brought.get((one.subject_id,)) for at in one.taken_at}
    payloads.MEASURED.read_ahead(connection, tenant_id, taken)


def look_ahead(snapshot: Connection, tenant_id: int, wanted: Sequence[SittingKeys]) -> None:
    """Read what these sittings are evaluated with from a snapshot, without a lock."""
    _read_with(subjects.FIND, snapshot, tenant_id, wanted)


def _read_with(
    find: KeyedQuery[SubjectRow], connection: Connection, tenant_id: int, wanted: Sequence[SittingKeys]
) -> dict[Key, list[SubjectRow]]:
    # In the order of the ids, by their numbers: to compare the ids themselves takes a call of a function each.
    ids = sorted({one.subject_id for one in wanted}, key=attrgetter("int"))
    people = find.read_ahead(connection, tenant_id, [(one,) for one in ids])
    claims.FIND.read_ahead(connection, tenant_id, {(digest,) for one in wanted for digest in one.claims})
    devices.FIND.read_ahead(connection, tenant_id, {(device,) for one in wanted for device in one.devices})
    known = [one for one in wanted if people[one.subject_id,]]
    EARLIER.read_ahead(connection, tenant_id, {(one.subject_id, one.as_of) for one in known if one.as_of is not None})
    return people


class EarlierSittings(KeyedQuery[bytes]):
    """The summaries of the newest sets of a person that were taken before a moment, newest first."""

    def __init__(self) -> None:
        summaries = select(_c.sitting).where(_c.tenant_id == bindparam("tenant_id"), _c.sitting.is_not(None))
        key = (_c.subject_id, column("taken_before", Instant()))
        newest_first = (_c.taken_from.desc(), _c.set_id.desc())
        super().__init__(single, summaries, key, lambda clause: clause.order_by(*newest_first).limit(EARLIER_SETS))

    def clause_of_one(self) -> Select[Any]:
        is_wanted = (_c.subject_id == bindparam("subject_id"), _c.taken_from < bindparam("taken_before"))
        return self._ending(self._bare.where(*is_wanted, _c.set_id != bindparam("set_id")))

    def clause_of_many(self, size: int, dialect: str) -> Clause:
        # Each person's newest sets alone are read, however long their record is.
        return self._lateral(size) if dialect == "postgresql" else self._one_by_one(size)

    def _lateral(self, size: int) -> Select[Any]:
        wanted = self.wanted(size)
        of_person = self._bare.where(_c.subject_id == wanted.c.subject_id, _c.taken_from < wanted.c.taken_before)
        earlier = self._ending(of_person.add_columns(_c.taken_from, _c.set_id)).lateral("earlier")
        return (
            select(earlier.c.sitting, *wanted.c)
            .select_from(wanted.join(earlier, true()))
            .order_by(earlier.c.taken_from.desc(), earlier.c.set_id.desc())
        )

    def _one_by_one(self, size: int) -> Select[Any]:
        """The same for SQLite, which has no lateral join: as many selects in one statement."""
        bare = self._bare.add_columns(_c.taken_from, _c.set_id)
        of_each = [
            select(
                self._ending(bare.where(_c.subject_id == person, _c.taken_from < before)).subquery(),
                person.label("subject_id"),
                before.label("taken_before"),
            )
            for person, before in self.asked(size)
        ]
        every = union_all(*of_each).subquery()
        return select(every.c.sitting, every.c.subject_id, every.c.taken_before).order_by(
            every.c.taken_from.desc(), every.c.set_id.desc()
        )


EARLIER = EarlierSittings()


def earlier_sittings(
    connection: Connection, tenant_id: int, subject_id: UUID, *, taken_before: datetime, other_than: UUID
) -> list[bytes]:
    """The summaries of a person's newest closed sets that were taken before a moment, newest first."""
    key = {"tenant_id": tenant_id, "subject_id": subject_id, "set_id": other_than, "taken_before": taken_before}
    return EARLIER.all(connection, key)
