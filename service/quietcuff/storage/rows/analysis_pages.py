"""The rows that analysis reads: the newest version of every set that is not voided, and every device.

Sets come person by person. Pages follow the primary key, so that no page costs more than another, and a whole tenant is read in
constant memory.
"""

from __future__ import annotations

from datetime import datetime
from functools import lru_cache
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import Connection, FromClause, and_, bindparam, or_, select

from quietcuff.storage.engine.ids import NOBODY
from quietcuff.storage.engine.statements import Query
from quietcuff.storage.rows.changed import changed_rows, few_changed
from quietcuff.storage.rows.devices import DeviceRow
from quietcuff.storage.schema.base import Id, Instant
from quietcuff.storage.schema.codes import SET_STATUS
from quietcuff.storage.schema.sittings import device, of_set, reading_set, set_version

Key = tuple[UUID, UUID]
START: Key = (NOBODY, NOBODY)
COLUMNS = ("subject_id", "set_id", "version", "taken_from", "from_offset_minutes", "closed_at")


class AnalysedSet(msgspec.Struct, frozen=True):
    """One set in its present state: its keys, the time it was taken, and its documents as answered."""

    subject_id: UUID
    set_id: UUID
    version: int
    taken_from: datetime
    offset_minutes: int
    closed_at: datetime | None
    document: bytes
    evaluation: bytes
    rules_digest: str

    @property
    def key(self) -> Key:
        return self.subject_id, self.set_id


def part_before(key: Key) -> float:
    """The part of a tenant's sets up to a key, from 0 to 1: ids of people are digests, so that they are spread evenly."""
    return key[0].int / (1 << 128)


def analysed_sets(
    connection: Connection, tenant_id: int, after: Key, most: int, since: datetime | None = None
) -> list[AnalysedSet]:
    """The next sets in the order of people and then of sets; only those that changed after ``since`` where it is given."""
    values: dict[str, Any] = {"tenant_id": tenant_id, "subject": after[0], "set": after[1], "most": most}
    few = few_changed(connection, reading_set, tenant_id, since)
    return _sets(has_since=since is not None, few=few).all(connection, values | ({} if since is None else {"since": since}))


@lru_cache(maxsize=3)
def _sets(*, has_since: bool, few: bool) -> Query[AnalysedSet]:
    source: FromClause = changed_rows(reading_set) if few else reading_set
    c, v = source.c, set_version.c
    statement = (
        select(*(c[name] for name in COLUMNS), v.document, v.evaluation, v.rules_digest)
        .select_from(source)
        .join(set_version, and_(of_set(set_version, source), v.version == c.version))
        .where(
            c.tenant_id == bindparam("tenant_id"),
            c.subject_id >= bindparam("subject", type_=Id),
            or_(c.subject_id > bindparam("subject", type_=Id), c.set_id > bindparam("set", type_=Id)),
            c.status == SET_STATUS.number("active"),
        )
        # Person by person, so that whoever reads can finish one person before the next begins.
        .order_by(c.subject_id, c.set_id)
        .limit(bindparam("most"))
    )
    return Query(AnalysedSet, statement.where(c.updated_at > bindparam("since", type_=Instant)) if has_since else statement)


_DEVICES = Query(
    DeviceRow,
    select(*(device.c[name] for name in DeviceRow.__struct_fields__))
    .where(device.c.tenant_id == bindparam("tenant_id"), device.c.device_id > bindparam("after", type_=Id))
    .order_by(device.c.device_id)
    .limit(bindparam("most")),
)


def analysed_devices(connection: Connection, tenant_id: int, after: UUID, most: int) -> list[DeviceRow]:
    """The next devices in the order of their ids."""
    return _DEVICES.all(connection, {"tenant_id": tenant_id, "after": after, "most": most})
