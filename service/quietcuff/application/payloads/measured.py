"""Measurements that are stored already, though they came another way: by their person, device, time and pressures.

A sender's own key tells what it sent before. It says nothing of what another sender made of the same measurement: a gateway
that posts bytes, a clinic system that reports them as HL7 v2 or FHIR, a program that posts a sitting.
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
    """The same measurement under the key of another sender; none of those that are ``taken`` by others of this payload.

    One device takes one measurement at a moment. Where it is not named on both sides, only what came in another format is the
    same: a sender that keys two readings of a minute apart in one format knows best what was measured twice.
    """
    for found in same_measured(turn, person, reading, device):
        is_of_device = device is not None and device.identifier is not None and found.device_id is not None
        if (found.set_id, found.reading_index) not in taken and (is_of_device or kind_of(turn, person, found) != kind):
            return found.source()
    return None


def reported_sets(
    turn: UnitOfWork, person: UUID, readings: Sequence[Reading], device: Device | None, replaced: UUID | None = None
) -> dict[int, UUID]:
    """By place, the sets that have readings which are posted without a name of their own, because a payload brought them.

    What was taken back since stands in nobody's way.
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
    """Readings of that person, moment and pressures, whose device and site are the same as far as both are told."""
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
        if (None in (own, row.device_id) or row.device_id == own) and (0 in (site, row.site) or row.site == site)
    ]


def kind_of(turn: UnitOfWork, person: UUID, found: MeasuredRow) -> str | None:
    """The kind of payload that brought a reading; None where it was posted as JSON."""
    if found.source_key is None:
        return None
    return kind_behind(turn.transaction, turn.tenant.tenant_id, person, found.set_id, found.reading_index)
