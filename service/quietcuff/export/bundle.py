"""A whole sitting as one Bundle of type collection: whom, with what, every reading, the mean, and how it came about."""

from __future__ import annotations

import msgspec

from quietcuff.core.errors import NotFound
from quietcuff.export.devices import service_device
from quietcuff.export.parties import find_device_shown, find_patient
from quietcuff.export.places import is_plain_id
from quietcuff.export.provenance import provenance_of
from quietcuff.export.records import Publisher, SetExport
from quietcuff.export.shapes import Bundle, Device, Entry, Identifier, Resource
from quietcuff.export.sittings import StoredSitting, instant
from quietcuff.storage.entries import KINDS, ObservationEntry, ObservationQuery
from quietcuff.storage.search import Snapshot, find_observations
from quietcuff.storage.shown import SetShown, find_set, read_versions_shown

ENCODER = msgspec.json.Encoder()
# More than a set of the most readings can have.
ALL_ENTRIES = 1_000


def sitting_bundle(snapshot: Snapshot, publisher: Publisher, set_id: str) -> bytes:
    """The Patient, the devices, the service, every Observation as it stands, and the Provenance of the newest version.

    Raises:
        NotFound: no set of that id for this tenant.
    """
    shown = find_set(snapshot, publisher.tenant.tenant_id, set_id) if is_plain_id(set_id) else None
    if shown is None:
        raise NotFound("reading set")
    resources = sitting_resources(snapshot, publisher, shown)
    bundle = Bundle(
        id=set_id,
        identifier=Identifier(system=f"{publisher.public_url}/id/reading-set", value=set_id),
        type="collection",
        timestamp=instant(shown.updated_at),
        entry=[
            Entry(full_url=publisher.address(type(resource).__name__, resource.id), resource=resource) for resource in resources
        ],
    )
    return ENCODER.encode(bundle)


def sitting_resources(snapshot: Snapshot, publisher: Publisher, shown: SetShown) -> list[Resource]:
    """Everything of a sitting, so that no reference leads out of it."""
    tenant_id = publisher.tenant.tenant_id
    versions = read_versions_shown(snapshot, tenant_id, {(shown.subject_id, shown.set_id)})[shown.set_id]
    export = SetExport(publisher, shown.subject_id, shown.set_id)
    sitting = export.sitting(versions.newest)
    return [
        find_patient(snapshot, publisher, shown.subject_id)[0],
        *devices_of(snapshot, publisher, sitting),
        service_device(sitting.evaluation.engine_version),
        *(export.observation(entry, versions) for entry in entries_of(snapshot, tenant_id, shown)),
        provenance_of(sitting, versions.newest, mean_from_version=shown.mean_from_version),
    ]


def devices_of(snapshot: Snapshot, publisher: Publisher, sitting: StoredSitting) -> list[Device]:
    """The devices that have an identifier, each once, in the order of the readings."""
    ids = [device_id for device_id in dict.fromkeys(sitting.device_ids) if device_id is not None]
    return [find_device_shown(snapshot, publisher, device_id)[0] for device_id in ids]


def entries_of(snapshot: Snapshot, tenant_id: int, shown: SetShown) -> list[ObservationEntry]:
    """What there is of a set: for each reading itself, its pulse and its flags, then the mean."""
    query = ObservationQuery(subject_ids=frozenset((shown.subject_id,)), set_id=shown.set_id, order="date", limit=ALL_ENTRIES)
    entries = find_observations(snapshot, tenant_id, query)
    return sorted(entries, key=lambda entry: (entry.key.kind == "mean", entry.key.index, KINDS.index(entry.key.kind)))
