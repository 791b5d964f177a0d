"""The people and the devices that Observations point to, as they are stored.

Rows of people, devices and versions as the values that the rest of the export takes.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec

from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.errors import NotFound
from quietcuff.core.record.sitting_version import ResourceState
from quietcuff.fhir.model.logical_ids import is_plain_id
from quietcuff.fhir.model.resources import Device, Identifier, Patient
from quietcuff.fhir.resources.device import DeviceDocument, described_device
from quietcuff.fhir.resources.sitting import meta
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.storage.engine.ids import id_text
from quietcuff.storage.rows.devices import DeviceRow, find_device
from quietcuff.storage.rows.subjects import SubjectRow, find_subject
from quietcuff.storage.rows.versions import VersionRow, version_row
from quietcuff.storage.search.observations import Snapshot


class FactsShown(msgspec.Struct, frozen=True, gc=False):
    """The stored facts about a person that a Patient shows; they were checked as they came in."""

    sex: str | None = None
    birth_date: str | None = None


FACTS = DocumentDecoder(FactsShown)
DEVICE = DocumentDecoder(DeviceDocument)


def find_patient(snapshot: Snapshot, publisher: Publisher, logical_id: str) -> tuple[Patient, datetime]:
    """A person and when that was last changed: the identifier, and of the facts only sex and birth date.

    Raises:
        NotFound: nobody of that id for this tenant.
    """
    tenant_id = publisher.tenant.tenant_id
    row = find_subject(snapshot, tenant_id, UUID(logical_id)) if is_plain_id(logical_id) else None
    if row is None:
        raise NotFound("Patient")
    return patient_shown(row), row.updated_at


def patient_shown(row: SubjectRow) -> Patient:
    """A person out of the row."""
    facts = FACTS.decode(row.facts)
    return Patient(
        id=id_text(row.subject_id),
        meta=meta(ResourceState(row.version, "final", row.updated_at)),
        identifier=[Identifier(system=row.system, value=row.value)],
        gender=facts.sex,
        birth_date=facts.birth_date,
    )


def find_device_shown(snapshot: Snapshot, publisher: Publisher, logical_id: str) -> tuple[Device, datetime]:
    """A monitor and when its entry was last changed.

    Raises:
        NotFound: no device of that id for this tenant.
    """
    tenant_id = publisher.tenant.tenant_id
    row = find_device(snapshot, tenant_id, UUID(logical_id)) if is_plain_id(logical_id) else None
    if row is None:
        raise NotFound("Device")
    return device_shown(row), row.updated_at


def device_shown(row: DeviceRow) -> Device:
    """A monitor out of its row."""
    return described_device(
        DEVICE.decode(row.document),
        id_text(row.device_id),
        Identifier(system=row.system, value=row.value),
        meta(ResourceState(row.version, "final", row.updated_at)),
    )


def subject_row(row: Any) -> SubjectRow:
    return SubjectRow(*(row._mapping[name] for name in SubjectRow.__struct_fields__))


def device_row(row: Any) -> DeviceRow:
    return DeviceRow(*(row._mapping[name] for name in DeviceRow.__struct_fields__))


def version_of_row(row: Any) -> VersionRow:
    return version_row(*(row._mapping[name] for name in VersionRow.__struct_fields__))
