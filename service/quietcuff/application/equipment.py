"""The devices that a set names, as the registry knows them; those it never saw are noted down as seen."""

from __future__ import annotations

from uuid import UUID

import msgspec

from quietcuff.application.context import Turn
from quietcuff.application.known import Registry
from quietcuff.core.model.readings import Device, Identifier, ReadingSet
from quietcuff.core.model.registry import RegisteredDevice
from quietcuff.storage.engine.ids import device_id
from quietcuff.storage.rows.devices import DeviceRow, find_device, insert_device_if_new

ENCODER = msgspec.json.Encoder()
DECODER = msgspec.json.Decoder(RegisteredDevice)


class Equipment(msgspec.Struct, frozen=True, kw_only=True):
    """What the registry says of each device that a set names, and the devices that no row is there of."""

    registry: Registry
    unseen: list[Device]


def look_up(turn: Turn, reading_set: ReadingSet) -> Equipment:
    """The registry's documents of the devices that a set names, each device once, the set's own first."""
    registry: dict[Identifier, RegisteredDevice | None] = {}
    unseen = []
    for device in (reading_set.device, *(reading.device for reading in reading_set.readings)):
        if device is None or device.identifier is None or device.identifier in registry:
            continue
        row = find_device(turn.transaction, turn.tenant.tenant_id, device_id(turn.tenant.secret, device.identifier))
        registry[device.identifier] = DECODER.decode(row.document) if row is not None and row.registered else None
        if row is None:
            unseen.append(device)
    return Equipment(registry=registry, unseen=unseen)


def note_seen(turn: Turn, equipment: Equipment) -> None:
    """Keep a row of each device that there was none of, as the set describes it."""
    for device in equipment.unseen:
        identifier = device.identifier
        if identifier is not None:
            row = DeviceRow(
                tenant_id=turn.tenant.tenant_id,
                device_id=device_id(turn.tenant.secret, identifier),
                system=identifier.system,
                value=identifier.value,
                registered=False,
                document=ENCODER.encode(device),
                version=1,
                updated_at=turn.now,
            )
            insert_device_if_new(turn.transaction, row)


def own_device_id(turn: Turn, reading_set: ReadingSet) -> UUID | None:
    """The id of the set's own device, where it has an identifier."""
    device = reading_set.device
    if device is None or device.identifier is None:
        return None
    return device_id(turn.tenant.secret, device.identifier)
