"""Readings and the mean as they are recorded: values as exact whole counts, what was decided of each, what it has of its set.

All of it is found once, when a version is made; its rows only convert it.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

import msgspec

from quietcuff.core.model.evaluation import Reason
from quietcuff.core.model.fields import DeviceFlag, Method, Position, Rhythm, Site, optional_hundredths
from quietcuff.core.record.sitting_version import (
    SittingVersion,
    common_cuff,
    common_device,
    common_method,
    device_shown,
    period_shown,
    searchable_size,
)

MINUTE = timedelta(minutes=1)


class RecordedReading(msgspec.Struct, frozen=True, gc=False):
    """One reading: pressures and pulse in hundredths, the name of its cuff's size, and who measured, as system|value."""

    index: int
    taken_at: datetime
    offset_minutes: int
    systolic: int | None
    diastolic: int | None
    mean_arterial: int | None
    pulse: int | None
    site: Site
    position: Position
    method: Method | None
    rhythm: Rhythm
    flags: list[DeviceFlag]
    cuff: str | None
    counts: bool
    reason: Reason | None
    device_id: str | None
    has_device: bool
    performer: str | None
    identifier: str | None


def recorded_readings(sitting: SittingVersion, places: Sequence[int]) -> list[RecordedReading]:
    """The readings at these places as they are recorded."""
    cuff_of_set = searchable_size(sitting.reading_set.cuff)
    return [recorded_reading(sitting, index, cuff_of_set) for index in places]


def recorded_reading(sitting: SittingVersion, index: int, cuff_of_set: str | None) -> RecordedReading:
    """One reading as it is recorded. It has the cuff, the device and the observer of its set, where it has none of its own."""
    said, outcome = sitting.reading_set.readings[index], sitting.evaluation.readings[index]
    device, offset, observer = (
        sitting.device_ids[index],
        said.taken_at.utcoffset(),
        said.observer or sitting.reading_set.observer,
    )
    return RecordedReading(
        index,
        said.taken_at,
        offset // MINUTE if offset else 0,
        optional_hundredths(said.systolic_mmhg),
        optional_hundredths(said.diastolic_mmhg),
        optional_hundredths(said.mean_arterial_mmhg),
        optional_hundredths(said.pulse_per_min),
        said.site,
        said.position,
        said.method,
        said.rhythm,
        said.device_flags,
        searchable_size(said.cuff) if said.cuff else cuff_of_set,
        outcome.counts,
        outcome.reason,
        device,
        device is not None or device_shown(sitting, index) is not None,
        None if observer is None else observer.text,
        said.identifier.text if said.identifier else None,
    )


class RecordedMean(msgspec.Struct, frozen=True, gc=False):
    """The period of the Observation of the result, and what its readings have in common: the id of their device, whether it
    names a device, the name of their cuff's size, and their method."""

    taken_from: datetime
    taken_to: datetime
    device_id: str | None
    has_device: bool
    cuff: str | None
    method: str | None


def recorded_mean(sitting: SittingVersion) -> RecordedMean | None:
    """The Observation of the result as it is recorded; None where there is none."""
    period = period_shown(sitting.reading_set, sitting.evaluation)
    if period is None:
        return None
    ids = {sitting.device_ids[index] for index in sitting.spoken_of}
    return RecordedMean(
        *period,
        # The device of all of its readings, if it is the same one and has an identifier.
        ids.pop() if len(ids) == 1 else None,
        common_device(sitting) is not None,
        searchable_size(common_cuff(sitting)),
        common_method(sitting),
    )
