"""Readers for each kind of payload, with the registry's knowledge of its device or people."""

from __future__ import annotations

import asyncio
from uuid import UUID
from zoneinfo import ZoneInfo

from quietcuff.application.context import AppContext
from quietcuff.application.parties import DEVICE_DECODER
from quietcuff.application.payloads.device_payloads import PayloadKind, Reader
from quietcuff.application.payloads.hl7v2 import read_hl7v2
from quietcuff.core.model.errors import NotFound
from quietcuff.core.model.readings import Identifier
from quietcuff.decode.fhir.bundle import read_payload
from quietcuff.decode.fhir.payload import intend as intend_fhir
from quietcuff.decode.fhir.payload import patients_named
from quietcuff.decode.gatt.body import GattBody, intend
from quietcuff.decode.gatt.times import KnownDevice
from quietcuff.decode.own_json import read
from quietcuff.decode.payload import Intended
from quietcuff.storage.engine.ids import device_id, read_id
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows.devices import find_device
from quietcuff.storage.rows.subjects import find_subject
from quietcuff.storage.rows.tenants import Tenant


async def read_gatt(desk: AppContext, tenant: Tenant, body: bytes) -> Intended:
    """Read Bluetooth values as a gateway forwards them.

    Raises:
        NotReadable, NotAcceptable: the body around them cannot be read.
    """
    said = read(body, GattBody)
    return intend(said, await known_of(desk, tenant, said), desk.clock(), desk.rulebook.limits)


async def known_of(desk: AppContext, tenant: Tenant, body: GattBody) -> KnownDevice:
    """Registered facts about the device."""
    identifier = body.device.identifier if body.device is not None else None
    if identifier is None:
        return KnownDevice()
    wanted = device_id(tenant.secret, identifier)
    row = await desk.store.read(tenant.tenant_id, lambda snapshot: find_device(snapshot, tenant.tenant_id, wanted))
    if row is None or not row.registered:
        return KnownDevice()
    known = DEVICE_DECODER.decode(row.document)
    zone = None if known.time_zone is None else ZoneInfo(known.time_zone)
    users = {user.user_id: user.subject for user in known.users}
    return KnownDevice(zone=zone, drift_seconds=known.clock_drift_seconds, users=users)


async def read_fhir(desk: AppContext, tenant: Tenant, body: bytes) -> Intended:
    """Read an Observation or a Bundle in a thread, because checking a long one would block the event loop.

    Raises:
        NotReadable, NotAcceptable: nothing in it is a blood pressure that can be read.
    """
    payload = await asyncio.to_thread(read_payload, body)
    known = await people_named(desk, tenant, patients_named(payload))
    return await asyncio.to_thread(intend_fhir, payload, known)


async def people_named(desk: AppContext, tenant: Tenant, named: set[str]) -> dict[str, Identifier]:
    """Identifiers of this tenant's people, by the Patient ids that a payload names."""

    def find(snapshot: Transaction) -> dict[str, Identifier]:
        rows = {name: find_subject(snapshot, tenant.tenant_id, UUID(name)) for name in named if is_id(name)}
        return {name: Identifier(system=row.system, value=row.value) for name, row in rows.items() if row is not None}

    return await desk.store.read(tenant.tenant_id, find) if named else {}


def is_id(name: str) -> bool:
    """True if a name has the form of an id of this service."""
    try:
        read_id(name)
    except NotFound:
        return False
    return True


READERS: dict[PayloadKind, Reader] = {"gatt": read_gatt, "fhir": read_fhir, "hl7v2": read_hl7v2}
