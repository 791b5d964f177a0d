"""Search for a measurement that another sender delivered before, by person, device, time and pressures.

A sender's own key recognises what that sender sent before. It does not recognise the same measurement from another sender: a
gateway that posts bytes, a clinic system that reports them as HL7 v2 or FHIR, a program that posts a sitting.
Source: [PHD], the duplicate guard by device, person and the device's time; across formats [DECISION].
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from uuid import UUID

from quietcuff.application.context import UnitOfWork
from quietcuff.core.model.fields import hundredths
from quietcuff.core.model.readings import Device, Identifier, Reading
from quietcuff.storage.engine.ids import device_id
from quietcuff.storage.rows.payloads import MeasuredRow, SourceRow, find_measured, kind_behind
from quietcuff.storage.schema.codes import SITE

Place = tuple[UUID, int]


def find_elsewhere(
    turn: UnitOfWork, person: UUID, reading: Reading, device: Device | None, kind: str, taken: Collection[Place]
) -> SourceRow | None:
    """The same measurement under the key of another sender. Places in ``taken`` belong to other readings of this payload.

    A device takes one measurement at a time. If the device is not named on both sides, only a measurement in another format
    counts as the same: within one format, a sender that keys two readings apart knows best that there were two.
    """
    for found in same_measured(turn, person, reading, device):
        is_of_device = device is not None and device.identifier is not None and found.device_id is not None
        if (found.set_id, found.reading_index) not in taken and (is_of_device or kind_of(turn, person, found) != kind):
            return found.source()
    return None


def reported_sets(
    turn: UnitOfWork, person: UUID, readings: Sequence[Reading], device: Device | None, replaced: UUID | None = None
) -> dict[int, UUID]:
    """Sets that already hold, from a payload, readings that are now posted without an identifier; by place.

    Readings that were voided since do not count.
    """
    found: dict[int, UUID] = {}
    taken: set[Place] = set()
    for place, reading in enumerate(readings):
        if isinstance(reading.identifier, Identifier):
            continue
        for row in same_measured(turn, person, reading, reading.device or device):
            stands = row.source_key is not None and not row.is_voided and row.set_id != replaced
            if stands and (row.set_id, row.reading_index) not in taken:
                taken.add((row.set_id, row.reading_index))
                found[place] = row.set_id
                break
    return found


def same_measured(turn: UnitOfWork, person: UUID, reading: Reading, device: Device | None) -> list[MeasuredRow]:
    """Stored readings with the same person, time and pressures. Device and site must agree if both sides record them."""
    if reading.systolic_mmhg is None or reading.diastolic_mmhg is None:
        return []
    identifier = None if device is None else device.identifier
    own = None if identifier is None else device_id(turn.tenant.secret, identifier)
    site = SITE.number(reading.site)
    rows = find_measured(
        turn.transaction,
        turn.tenant.tenant_id,
        person,
        reading.taken_at,
        (hundredths(reading.systolic_mmhg), hundredths(reading.diastolic_mmhg)),
    )
    return [
        row
        for row in rows
        # 0 is the number of a site that is not recorded.
        if (None in (own, row.device_id) or row.device_id == own) and (0 in (site, row.site) or row.site == site)
    ]


def kind_of(turn: UnitOfWork, person: UUID, found: MeasuredRow) -> str | None:
    """The kind of payload that brought a reading; None if it was posted as JSON."""
    if found.source_key is None:
        return None
    return kind_behind(turn.transaction, turn.tenant.tenant_id, person, found.set_id, found.reading_index)
