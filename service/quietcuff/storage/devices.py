"""Devices as rows: those that were registered, and those that were only seen in a set."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

import msgspec
from sqlalchemy import Connection, bindparam, insert, select, update

from quietcuff.storage.sql import Command, Query, insert_into
from quietcuff.storage.tables import device, device_past

_c = device.c


class DeviceRow(msgspec.Struct, frozen=True):
    """One device; ``document`` is JSON: the registry's, or the device as a set described it."""

    tenant_id: int
    device_id: UUID
    system: str
    value: str
    registered: bool
    document: bytes
    version: int
    updated_at: datetime


_FIND = select(*(_c[name] for name in DeviceRow.__struct_fields__)).where(
    _c.tenant_id == bindparam("tenant_id"), _c.device_id == bindparam("device_id")
)
FIND = Query(DeviceRow, _FIND)
LOCK = Query(DeviceRow, _FIND.with_for_update())
INSERT_IF_NEW = Command(lambda dialect: insert_into(device, dialect).on_conflict_do_nothing())
_KEPT = ("tenant_id", "device_id", "version", "system", "value", "document", "updated_at")
KEEP_PAST = Command(
    insert(device_past).from_select(
        _KEPT,
        select(*(_c[name] for name in _KEPT)).where(
            _c.tenant_id == bindparam("of_tenant"), _c.device_id == bindparam("of_device")
        ),
    ),
)
CHANGE = Command(
    update(device).where(_c.tenant_id == bindparam("of_tenant"), _c.device_id == bindparam("of_device")),
    columns=("registered", "document", "version", "updated_at"),
)


def find_device(connection: Connection, tenant_id: int, device_id: UUID) -> DeviceRow | None:
    return FIND.first(connection, {"tenant_id": tenant_id, "device_id": device_id})


def lock_device(connection: Connection, tenant_id: int, device_id: UUID) -> DeviceRow | None:
    """The device's row, held until the transaction ends."""
    return LOCK.first(connection, {"tenant_id": tenant_id, "device_id": device_id})


def insert_device_if_new(connection: Connection, row: DeviceRow) -> bool:
    """Store a device; False where it is there already."""
    return INSERT_IF_NEW.run(connection, msgspec.structs.asdict(row)) == 1


def change_device(connection: Connection, row: DeviceRow) -> None:
    """Store a device's new document and version; the version before stays readable."""
    key = {"of_tenant": row.tenant_id, "of_device": row.device_id}
    KEEP_PAST.run(connection, key)
    CHANGE.run(connection, {**msgspec.structs.asdict(row), **key})
