"""The keys under which the storing of a sitting looks up rows, and the reading of those rows for many sittings at once."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

import msgspec
from sqlalchemy import Connection

from quietcuff.storage.engine.ahead import KeyedQuery
from quietcuff.storage.rows import claims, devices, earlier_sittings, payloads, retention, subjects
from quietcuff.storage.rows.subjects import SubjectRow


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
    _read_with(subjects.LOCK, connection, tenant_id, wanted)


def look_ahead(snapshot: Connection, tenant_id: int, wanted: Sequence[SittingKeys]) -> None:
    """Read the same from a snapshot, without a lock."""
    _read_with(subjects.FIND, snapshot, tenant_id, wanted)


def _read_with(find: KeyedQuery[SubjectRow], connection: Connection, tenant_id: int, wanted: Sequence[SittingKeys]) -> None:
    people = find.read_ahead(connection, tenant_id, sorted({(one.subject_id,) for one in wanted}))
    claims.FIND.read_ahead(connection, tenant_id, {(digest,) for one in wanted for digest in one.claims})
    devices.FIND.read_ahead(connection, tenant_id, {(device,) for one in wanted for device in one.devices})
    retention.SUBJECT.read_ahead(connection, tenant_id, [key for key, rows in people.items() if not rows])
    # Nothing is stored of a person who has no row.
    known = [one for one in wanted if people[one.subject_id,]]
    payloads.MEASURED.read_ahead(connection, tenant_id, {(one.subject_id, at) for one in known for at in one.taken_at})
    moments = {(one.subject_id, one.as_of) for one in known if one.as_of is not None}
    earlier_sittings.EARLIER.read_ahead(connection, tenant_id, moments)
