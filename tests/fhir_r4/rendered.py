"""Sittings as resources without a database: as they stand when they are stored for the first time."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from uuid import UUID

import msgspec

from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import Device, ReadingSet
from quietcuff.core.record.resource_states import ResourceStates, next_stands
from quietcuff.fhir.model.logical_ids import KINDS_BY_LETTER
from quietcuff.fhir.model.resources import Identifier, Observation
from quietcuff.fhir.resources.device import described_device, service_device
from quietcuff.fhir.resources.provenance import provenance_of
from quietcuff.fhir.resources.readings import BUILDERS
from quietcuff.fhir.resources.result import mean_observation
from quietcuff.fhir.resources.sitting import ResourceState, SittingVersion, frame_of, meta
from quietcuff.storage.engine.ids import device_id
from quietcuff.storage.rows.versions import VersionRow

PUBLIC_URL = "https://bp.example.org"
SET_ID = "019df237-3e80-7cda-ae6c-acc0e2b83dda"
SUBJECT_ID = "cda41017-1d9a-8818-bb1a-da6d8d866445"
STORED_AT = datetime(2026, 5, 4, 7, 3, 31, 120_000, tzinfo=UTC)
SECRET = bytes(32)


def stored(reading_set: ReadingSet, evaluation: Evaluation, *, is_voided: bool = False) -> SittingVersion:
    """A version of a set as the store would hand it out."""
    devices = [reading.device or reading_set.device for reading in reading_set.readings]
    return SittingVersion(
        set_id=SET_ID,
        subject_id=SUBJECT_ID,
        reading_set=reading_set,
        evaluation=evaluation,
        device_ids=[str(device_id(SECRET, device.identifier)) if device and device.identifier else None for device in devices],
        is_voided=is_voided,
    )


def first_stands(sitting: SittingVersion, at: datetime) -> ResourceStates:
    """The states when a sitting is stored for the first time."""
    return next_stands(ResourceStates(), None, None, sitting, version=1, at=at)


def observations(
    sitting: SittingVersion, stands: ResourceStates | None = None, shown: SittingVersion | None = None
) -> list[Observation]:
    """The Observations of a sitting as they stand; the mean from ``shown`` where that is another version."""
    stands = stands or first_stands(sitting, STORED_AT)
    frame = frame_of(sitting, PUBLIC_URL)
    found = [BUILDERS[KINDS_BY_LETTER[name[0]]](sitting, frame, int(name[1:]), stand) for name, stand in stands.places.items()]
    if stands.mean is not None:
        shown = shown or sitting
        mean = mean_observation(shown, frame_of(shown, PUBLIC_URL), stands.mean.stand)
        assert mean is not None
        found.append(mean)
    return found


def resources(sitting: SittingVersion) -> list[dict[str, Any]]:
    """Everything that a sitting's Bundle holds but the Patient, as plain JSON values."""
    version = VersionRow(
        tenant_id=1,
        subject_id=UUID(SUBJECT_ID),
        set_id=UUID(SET_ID),
        version=1,
        cause="created",
        status="active",
        closes_at=None,
        document=b"",
        evaluation=b"",
        rules_digest="",
        changed="",
        author="urn:example:staff|n-17",
        reason=None,
        created_by="key:ab12cd34",
        created_at=STORED_AT,
    )
    devices = [reading.device or sitting.reading_set.device for reading in sitting.reading_set.readings]
    made = [
        *(
            described_device(device, known, given(device), meta(ResourceState(1, "final", STORED_AT)))
            for device, known in zip(devices, sitting.device_ids, strict=True)
            if device is not None and known is not None
        ),
        service_device(sitting.evaluation.engine_version),
        *observations(sitting),
        provenance_of(sitting, version, mean_since=1 if sitting.evaluation.result else None, public_url=PUBLIC_URL),
    ]
    return [msgspec.json.decode(msgspec.json.encode(resource)) for resource in made]


def given(device: Device) -> Identifier | None:
    """The identifier that a device was sent with, as FHIR has it."""
    identifier = device.identifier
    return None if identifier is None else Identifier(system=identifier.system, value=identifier.value)
