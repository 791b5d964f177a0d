"""The people and the devices that Observations point to, as they are stored."""

from __future__ import annotations

from datetime import datetime

import msgspec

from quietcuff.core.errors import NotFound
from quietcuff.core.readings import Facts
from quietcuff.export.devices import DeviceDocument, described_device
from quietcuff.export.frames import meta
from quietcuff.export.places import is_plain_id
from quietcuff.export.records import Publisher
from quietcuff.export.shapes import Device, Identifier, Patient
from quietcuff.export.sittings import Stand
from quietcuff.storage.search import Snapshot
from quietcuff.storage.shown import PartyShown, find_device, find_subject

FACTS = msgspec.json.Decoder(Facts)
DEVICE = msgspec.json.Decoder(DeviceDocument)


def find_patient(snapshot: Snapshot, publisher: Publisher, logical_id: str) -> tuple[Patient, datetime]:
    """A person and when that was last changed: the identifier, and of the facts only sex and birth date.

    Raises:
        NotFound: nobody of that id for this tenant.
    """
    shown = find_subject(snapshot, publisher.tenant.tenant_id, logical_id) if is_plain_id(logical_id) else None
    if shown is None:
        raise NotFound("Patient")
    facts = FACTS.decode(shown.document)
    identifier = Identifier(system=shown.identifier.system, value=shown.identifier.value)
    resource = Patient(
        id=shown.id,
        meta=meta(stand_of(shown)),
        identifier=[identifier],
        gender=facts.sex,
        birth_date=facts.birth_date,
    )
    return resource, shown.updated_at


def find_device_shown(snapshot: Snapshot, publisher: Publisher, logical_id: str) -> tuple[Device, datetime]:
    """A monitor and when its entry was last changed.

    Raises:
        NotFound: no device of that id for this tenant.
    """
    shown = find_device(snapshot, publisher.tenant.tenant_id, logical_id) if is_plain_id(logical_id) else None
    if shown is None:
        raise NotFound("Device")
    document = DEVICE.decode(shown.document)
    return described_device(document, shown.id, shown.identifier, meta(stand_of(shown))), shown.updated_at


def stand_of(shown: PartyShown) -> Stand:
    return Stand(shown.version, "final", shown.updated_at)
