"""A whole sitting as one Bundle of type collection: whom, with what, every reading, the mean, and how it came about."""

from __future__ import annotations

from uuid import UUID

import msgspec

from quietcuff.core.model.errors import NotFound
from quietcuff.fhir.model.logical_ids import is_plain_id
from quietcuff.fhir.model.resources import Bundle, Device, Entry, Resource
from quietcuff.fhir.read.parties import find_device_shown, find_patient
from quietcuff.fhir.resources.device import service_device
from quietcuff.fhir.resources.provenance import provenance_of, set_identifier
from quietcuff.fhir.resources.sitting import SittingVersion, instant
from quietcuff.fhir.versions.stored_sets import Publisher, SetExport
from quietcuff.storage.rows.reading_sets import SetRow, find_set
from quietcuff.storage.rows.retention import missing_set
from quietcuff.storage.rows.versions import VersionRow, VersionShown, VersionsShown, find_version, first_means
from quietcuff.storage.search.observations import Snapshot, find_observations
from quietcuff.storage.search.query import KINDS, ObservationEntry, ObservationQuery

ENCODER = msgspec.json.Encoder()
# More than a set of the most readings can have.
ALL_ENTRIES = 1_000


def sitting_bundle(snapshot: Snapshot, publisher: Publisher, set_id: str) -> bytes:
    """The Patient, the devices, the service, every Observation as it stands, and the Provenance of the newest version.

    Raises:
        NotFound: no set of that id for this tenant.
        Deleted: there was one.
    """
    tenant_id = publisher.tenant.tenant_id
    if not is_plain_id(set_id):
        raise NotFound("reading set")
    row = find_set(snapshot, tenant_id, UUID(set_id))
    if row is None:
        raise missing_set(snapshot, tenant_id, UUID(set_id))
    resources = sitting_resources(snapshot, publisher, row)
    bundle = Bundle(
        id=set_id,
        identifier=set_identifier(publisher.public_url, set_id),
        type="collection",
        timestamp=instant(row.updated_at),
        entry=[
            Entry(full_url=publisher.address(type(resource).__name__, resource.id), resource=resource) for resource in resources
        ],
    )
    return ENCODER.encode(bundle)


def sitting_resources(snapshot: Snapshot, publisher: Publisher, row: SetRow) -> list[Resource]:
    """Everything of a sitting, so that no reference leads out of it."""
    subject_id, set_id = str(row.subject_id), str(row.set_id)
    newest = version_of(snapshot, row, row.version)
    mean = None if row.mean_from_version is None else shown_documents(version_of(snapshot, row, row.mean_from_version))
    versions = VersionsShown(newest=shown_documents(newest), mean=mean)
    export = SetExport(publisher, subject_id, set_id)
    sitting = export.sitting(versions.newest)
    mean_since = first_means(snapshot, row.tenant_id, {row.set_id})
    return [
        find_patient(snapshot, publisher, subject_id)[0],
        *devices_of(snapshot, publisher, sitting),
        service_device(sitting.evaluation.engine_version),
        *(export.observation(entry, versions) for entry in entries_of(snapshot, row)),
        provenance_of(sitting, newest, mean_since=mean_since.get(row.set_id), public_url=publisher.public_url),
    ]


def version_of(snapshot: Snapshot, row: SetRow, number: int) -> VersionRow:
    """One version of a set.

    Raises:
        NotFound: there is no such version.
    """
    found = find_version(snapshot, row.tenant_id, row.subject_id, row.set_id, number)
    if found is None:
        raise NotFound("version")
    return found


def shown_documents(row: VersionRow) -> VersionShown:
    return VersionShown(row.version, row.document, row.evaluation)


def devices_of(snapshot: Snapshot, publisher: Publisher, sitting: SittingVersion) -> list[Device]:
    """The devices that have an identifier, each once, in the order of the readings."""
    ids = [device_id for device_id in dict.fromkeys(sitting.device_ids) if device_id is not None]
    return [find_device_shown(snapshot, publisher, device_id)[0] for device_id in ids]


def entries_of(snapshot: Snapshot, row: SetRow) -> list[ObservationEntry]:
    """The entries of a set: for each reading itself, its pulse and its flags, then the mean."""
    query = ObservationQuery(
        subject_ids=frozenset((str(row.subject_id),)), set_id=str(row.set_id), order="date", limit=ALL_ENTRIES
    )
    entries = find_observations(snapshot, row.tenant_id, query)
    return sorted(entries, key=lambda entry: (entry.kind == "mean", entry.index, KINDS.index(entry.kind)))
