"""Reading sets as rows: where each set stands now, what its mean shows, and what later sets need to know of it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import Connection, bindparam, insert, select, update

from quietcuff.storage.engine.statements import Command, Query, single
from quietcuff.storage.schema.codes import CUFF_SIZE, METHOD, OBSERVATION_STATUS, SET_STATUS, SETTING, STATE
from quietcuff.storage.schema.sittings import reading_set

_c = reading_set.c
EARLIER_SETS = 60


class SetRow(msgspec.Struct, frozen=True, kw_only=True):
    """One set, its codes as words. The fields named ``mean_...``, the pressures and the count are what its mean shows."""

    tenant_id: int
    subject_id: UUID
    set_id: UUID
    taken_from: datetime
    taken_to: datetime
    from_offset_minutes: int
    to_offset_minutes: int
    created_at: datetime
    updated_at: datetime
    touched_at: datetime
    closed_at: datetime | None
    version: int
    status: str
    state: str
    setting: str
    protocol: str
    device_id: UUID | None = None
    observer: str | None = None
    location: str | None = None
    encounter: str | None = None
    based_on: str | None = None
    mean_version: int | None = None
    mean_status: str | None = None
    mean_from_version: int | None = None
    mean_updated_at: datetime | None = None
    mean_taken_from: datetime | None = None
    mean_taken_to: datetime | None = None
    systolic: int | None = None
    diastolic: int | None = None
    counted: int | None = None
    mean_systolic: int | None = None
    mean_diastolic: int | None = None
    hours_24_systolic: int | None = None
    hours_24_diastolic: int | None = None
    mean_device_id: UUID | None = None
    mean_cuff: str | None = None
    mean_method: str | None = None
    mean_has_device: bool | None = None
    mean_is_long: bool | None = None
    sitting: bytes | None = None


def _from_columns(*columns: Any) -> SetRow:
    values = dict(zip(SetRow.__struct_fields__, columns, strict=True))
    values["status"] = SET_STATUS.word(values["status"])
    values["state"] = STATE.word(values["state"])
    values["setting"] = SETTING.word(values["setting"])
    values["mean_status"] = OBSERVATION_STATUS.optional_word(values["mean_status"])
    values["mean_cuff"] = CUFF_SIZE.optional_word(values["mean_cuff"])
    values["mean_method"] = METHOD.optional_word(values["mean_method"])
    return SetRow(**values)


def _to_columns(row: SetRow) -> dict[str, Any]:
    values = msgspec.structs.asdict(row)
    values["status"] = SET_STATUS.number(row.status)
    values["state"] = STATE.number(row.state)
    values["setting"] = SETTING.number(row.setting)
    values["mean_status"] = OBSERVATION_STATUS.optional_number(row.mean_status)
    values["mean_cuff"] = CUFF_SIZE.optional_number(row.mean_cuff)
    values["mean_method"] = METHOD.optional_number(row.mean_method)
    return values


_KEY = ("tenant_id", "subject_id", "set_id")
_COLUMNS = [_c[name] for name in SetRow.__struct_fields__]
_OF_TENANT = _c.tenant_id == bindparam("tenant_id")
FIND = Query(_from_columns, select(*_COLUMNS).where(_OF_TENANT, _c.set_id == bindparam("set_id")))
INSERT = Command(insert(reading_set))
CHANGE = Command(
    update(reading_set).where(
        _c.tenant_id == bindparam("of_tenant"),
        _c.subject_id == bindparam("of_subject"),
        _c.set_id == bindparam("of_set"),
    ),
    columns=[name for name in SetRow.__struct_fields__ if name not in (*_KEY, "created_at", "setting")],
)
IDLE: Query[UUID] = Query(
    single,
    select(_c.set_id)
    .where(_OF_TENANT, _c.closed_at.is_(None), _c.touched_at < bindparam("touched_before"))
    .order_by(_c.touched_at)
    .limit(bindparam("most")),
)
EARLIER: Query[bytes] = Query(
    single,
    select(_c.sitting)
    .where(
        _OF_TENANT,
        _c.subject_id == bindparam("subject_id"),
        _c.taken_from < bindparam("taken_before"),
        _c.set_id != bindparam("set_id"),
        _c.sitting.is_not(None),
    )
    .order_by(_c.taken_from.desc(), _c.set_id.desc())
    .limit(EARLIER_SETS),
)


def subjects_of_sets(connection: Connection, tenant_id: int, set_ids: Sequence[UUID]) -> dict[UUID, UUID]:
    """Whose each of these sets is; those that are not there are left out."""
    if not set_ids:
        return {}
    statement = select(_c.set_id, _c.subject_id).where(_c.tenant_id == tenant_id, _c.set_id.in_(set_ids))
    return {set_id: subject_id for set_id, subject_id in connection.execute(statement).all()}


def find_set(connection: Connection, tenant_id: int, set_id: UUID) -> SetRow | None:
    return FIND.first(connection, {"tenant_id": tenant_id, "set_id": set_id})


def insert_set(connection: Connection, row: SetRow) -> None:
    """Have a new set stored with the group."""
    INSERT.run_later(connection, [_to_columns(row)])


def change_set(connection: Connection, row: SetRow) -> None:
    """Store where a set stands now."""
    key = {"of_tenant": row.tenant_id, "of_subject": row.subject_id, "of_set": row.set_id}
    CHANGE.run(connection, {**_to_columns(row), **key})


def idle_sets(connection: Connection, tenant_id: int, touched_before: datetime, most: int) -> list[UUID]:
    """Open sets that nothing arrived in since, the longest idle first."""
    return IDLE.all(connection, {"tenant_id": tenant_id, "touched_before": touched_before, "most": most})


def earlier_sittings(
    connection: Connection, tenant_id: int, subject_id: UUID, *, taken_before: datetime, other_than: UUID
) -> list[bytes]:
    """What the person's newest closed sets that were taken before a moment left for later ones, newest first."""
    key = {"tenant_id": tenant_id, "subject_id": subject_id, "set_id": other_than, "taken_before": taken_before}
    return EARLIER.all(connection, key)
