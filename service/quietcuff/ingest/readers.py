"""How each kind of payload is read, with what the store knows of its device."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from quietcuff.decode.gatt_body import DeviceClock, GattBody, intend
from quietcuff.decode.intended import Intended
from quietcuff.decode.own_json import read
from quietcuff.ingest.desk import Desk
from quietcuff.ingest.equipment import DECODER
from quietcuff.ingest.payloads import PayloadKind, Reader
from quietcuff.storage.devices import find_device
from quietcuff.storage.ids import device_id
from quietcuff.storage.tenants import Tenant


async def read_gatt(desk: Desk, tenant: Tenant, body: bytes) -> Intended:
    """Bluetooth values, as a gateway forwards them.

    Raises:
        NotReadable, NotAcceptable: the body around them cannot be read.
    """
    said = read(body, GattBody)
    return intend(said, await clock_of(desk, tenant, said), desk.clock())


async def clock_of(desk: Desk, tenant: Tenant, body: GattBody) -> DeviceClock:
    """What the registry knows of the device's clock."""
    identifier = body.device.identifier if body.device is not None else None
    if identifier is None:
        return DeviceClock()
    wanted = device_id(tenant.secret, identifier)
    row = await desk.store.read(tenant.tenant_id, lambda snapshot: find_device(snapshot, tenant.tenant_id, wanted))
    if row is None or not row.registered:
        return DeviceClock()
    known = DECODER.decode(row.document)
    zone = None if known.time_zone is None else ZoneInfo(known.time_zone)
    return DeviceClock(zone=zone, drift_seconds=known.clock_drift_seconds)


READERS: dict[PayloadKind, Reader] = {"gatt": read_gatt}
