"""Search for a measurement that another sender delivered before, by person, device, time and pressures.

A sender's own key recognises what that sender sent before. It does not recognise the same measurement from another sender: a
gateway that posts bytes, a clinic system that reports them as HL7 v2 or FHIR, a program that posts a sitting.
Source: [PHD], the duplicate guard by device, person and the device's time; across formats [DECISION].
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from uuid import UUID

from quietcuff.application.context import UnitOfWork
from quietcuff.application.payloads.joined import Joined
from quietcuff.application.payloads.said_before import says_the_same, was_said_before
from quietcuff.core.model.fields import hundredths
from quietcuff.core.model.readings import Device, Identifier, Reading
from quietcuff.storage.engine.ids import device_id
from quietcuff.storage.rows.payloads import (
    MeasuredRow,
    SourceRow,
    find_measured,
    find_measured_at,
    has_brought_readings,
    kind_behind,
)
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
    if not has_brought_readings(turn.transaction, turn.tenant.tenant_id, person):
        return found
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


def find_to_correct(
    turn: UnitOfWork, person: UUID, reading: Reading, device: Device | None, joined: Joined
) -> tuple[SourceRow | None, UUID | None]:
    """The reading of another sender that a correction under an unknown key is of; else the set of one that may be meant.

    It is plainly meant where it is the only one of that moment with the same device, or with the same pressures and of
    another format. What was voided is meant only where nothing else was measured then.
    """
    taken = joined.places()
    rows = find_measured_at(turn.transaction, turn.tenant.tenant_id, person, reading.taken_at)
    rows = [row for row in agreeing(turn, rows, reading, device) if (row.set_id, row.reading_index) not in taken]
    rows = [row for row in rows if not row.is_voided] or rows
    own = own_device(turn, device)
    of_device = [row for row in rows if own is not None and row.device_id == own]
    alike = [row for row in rows if says_the_same(reading, row.source()) and kind_of(turn, person, row) != joined.kind]
    for plain in (of_device, alike):
        if len(plain) == 1:
            return plain[0].source(), None
    return None, rows[0].set_id if rows else None


def find_corrected(turn: UnitOfWork, person: UUID, reading: Reading, device: Device | None, joined: Joined) -> SourceRow | None:
    """The same measurement from another sender, which had these pressures before it was corrected."""
    own = own_device(turn, device)
    rows = find_measured_at(turn.transaction, turn.tenant.tenant_id, person, reading.taken_at)
    for row in agreeing(turn, rows, reading, device):
        is_of_device = own is not None and row.device_id == own
        is_others = is_of_device or kind_of(turn, person, row) != joined.kind
        is_free = (row.set_id, row.reading_index) not in joined.met
        if is_free and is_others and was_said_before(turn, reading, row.source(), joined):
            return row.source()
    return None


def same_measured(turn: UnitOfWork, person: UUID, reading: Reading, device: Device | None) -> list[MeasuredRow]:
    """Stored readings with the same person, time and pressures. Device and site must agree if both sides record them."""
    if reading.systolic_mmhg is None or reading.diastolic_mmhg is None:
        return []
    pressures = hundredths(reading.systolic_mmhg), hundredths(reading.diastolic_mmhg)
    rows = find_measured(turn.transaction, turn.tenant.tenant_id, person, reading.taken_at, pressures)
    return agreeing(turn, rows, reading, device)


def agreeing(turn: UnitOfWork, rows: Sequence[MeasuredRow], reading: Reading, device: Device | None) -> list[MeasuredRow]:
    """Those rows whose device and site are those of a reading, as far as both sides record them."""
    own, site = own_device(turn, device), SITE.number(reading.site)
    return [
        row
        for row in rows
        # 0 is the number of a site that is not recorded.
        if (None in (own, row.device_id) or row.device_id == own) and (0 in (site, row.site) or row.site == site)
    ]


def own_device(turn: UnitOfWork, device: Device | None) -> UUID | None:
    """The id of a device that is named."""
    identifier = None if device is None else device.identifier
    return None if identifier is None else device_id(turn.tenant.secret, identifier)


def kind_of(turn: UnitOfWork, person: UUID, found: MeasuredRow) -> str | None:
    """The kind of payload that brought a reading; None if it was posted as JSON."""
    if found.source_key is None:
        return None
    return kind_behind(turn.transaction, turn.tenant.tenant_id, person, found.set_id, found.reading_index)
