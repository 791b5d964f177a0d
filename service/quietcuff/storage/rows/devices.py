"""Devices as rows: registered ones, and ones that were only named in a set."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

import msgspec
from sqlalchemy import Connection, bindparam, insert, select, update

from quietcuff.storage.engine.read_ahead import KeyedQuery
from quietcuff.storage.engine.statements import Command, Query, insert_into
from quietcuff.storage.schema.sittings import device, device_past

_c = device.c


class DeviceRow(msgspec.Struct, frozen=True):
    """One device. ``document`` is JSON: the registry's entry, or the device as a set described it."""

    tenant_id: int
    device_id: UUID
    system: str
    value: str
    registered: bool
    document: bytes
    version: int
    updated_at: datetime


_OF_TENANT = select(*(_c[name] for name in DeviceRow.__struct_fields__)).where(_c.tenant_id == bindparam("tenant_id"))
FIND = KeyedQuery(DeviceRow, _OF_TENANT, [_c.device_id])
LOCK = Query(DeviceRow, _OF_TENANT.where(_c.device_id == bindparam("device_id")).with_for_update())
INSERT_IF_NEW = Command(lambda dialect: insert_into(device, dialect).on_conflict_do_nothing())
# Devices are shared by people whose rows nobody else locks: in one order, two groups that see the same do not wait in a ring.
INSERT_SEEN = Command(
    lambda dialect: insert_into(device, dialect).on_conflict_do_nothing(), sorts_by=("tenant_id", "device_id")
)
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
# A rewrite replaces the text of a version, current or former, and makes no new version.
LOCK_REGISTERED = Query(
    DeviceRow,
    select(*(_c[name] for name in DeviceRow.__struct_fields__))
    .where(_c.tenant_id == bindparam("tenant_id"), _c.registered)
    # Locked in one order, so that two such transactions cannot wait for each other in a ring.
    .order_by(_c.device_id)
    .with_for_update(),
)
_MINE = {name: bindparam(f"of_{name}", type_=_c[name].type) for name in ("tenant_id", "device_id", "version")}
REWRITE = tuple(
    Command(update(table).where(*(table.c[name] == value for name, value in _MINE.items())), columns=("document",))
    for table in (device, device_past)
)


def find_device(connection: Connection, tenant_id: int, device_id: UUID) -> DeviceRow | None:
    return FIND.first(connection, {"tenant_id": tenant_id, "device_id": device_id})


def lock_device(connection: Connection, tenant_id: int, device_id: UUID) -> DeviceRow | None:
    """A device's row, locked until the transaction ends."""
    return LOCK.first(connection, {"tenant_id": tenant_id, "device_id": device_id})


def insert_seen_device(connection: Connection, row: DeviceRow) -> None:
    """Store a device with the group, unless it is stored already."""
    INSERT_SEEN.run_later(connection, [msgspec.structs.asdict(row)])


def insert_device_if_new(connection: Connection, row: DeviceRow) -> bool:
    """Store a device; False where it is stored already."""
    return INSERT_IF_NEW.run(connection, msgspec.structs.asdict(row)) == 1


def change_device(connection: Connection, row: DeviceRow) -> None:
    """Store a device's new document and version; the earlier version stays readable."""
    key = {"of_tenant": row.tenant_id, "of_device": row.device_id}
    KEEP_PAST.run(connection, key)
    CHANGE.run(connection, {**msgspec.structs.asdict(row), **key})


def lock_registered_devices(connection: Connection, tenant_id: int) -> list[DeviceRow]:
    """Every registered device, its row locked until the transaction ends."""
    return LOCK_REGISTERED.all(connection, {"tenant_id": tenant_id})


def rewrite_device(connection: Connection, row: DeviceRow) -> None:
    """Replace the document of one version, current or former, so that nothing of the old text is left."""
    key = {"of_tenant_id": row.tenant_id, "of_device_id": row.device_id, "of_version": row.version}
    for command in REWRITE:
        command.run(connection, {"document": row.document, **key})
