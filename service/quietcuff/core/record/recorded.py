"""Readings and the mean as they are recorded: values as exact whole counts, what was decided of each, what it has of its set.

All of it is found once, when a version is made; its rows only convert it.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

import msgspec

from quietcuff.core.model.evaluation import Reason
from quietcuff.core.model.fields import DeviceFlag, Method, Position, Rhythm, Site
from quietcuff.core.record.sitting_version import (
    SittingVersion,
    common_cuff,
    common_device,
    common_method,
    is_described,
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


class OfSet(msgspec.Struct, frozen=True, gc=False):
    """What a reading has of its set where it has none of its own: the size of the cuff, whether a device is known, the
    observer."""

    cuff: str | None
    has_device: bool
    observer: str | None


def recorded_readings(sitting: SittingVersion, places: Sequence[int]) -> list[RecordedReading]:
    """The readings at these places as they are recorded."""
    given = sitting.reading_set
    of_set = OfSet(
        searchable_size(given.cuff),
        given.device is not None and is_described(given.device),
        None if given.observer is None else given.observer.text,
    )
    return [recorded_reading(sitting, index, of_set) for index in places]


def recorded_reading(sitting: SittingVersion, index: int, of_set: OfSet) -> RecordedReading:
    """One reading as it is recorded."""
    said, outcome = sitting.reading_set.readings[index], sitting.evaluation.readings[index]
    device_id, offset = sitting.device_ids[index], said.taken_at.utcoffset()
    systolic, diastolic = said.systolic_mmhg, said.diastolic_mmhg
    mean_arterial, pulse = said.mean_arterial_mmhg, said.pulse_per_min
    return RecordedReading(
        index,
        said.taken_at,
        offset // MINUTE if offset else 0,
        # Written out: a call for each would be sixteen for a sitting of four readings.
        None if systolic is None else round(systolic * 100),
        None if diastolic is None else round(diastolic * 100),
        None if mean_arterial is None else round(mean_arterial * 100),
        None if pulse is None else round(pulse * 100),
        said.site,
        said.position,
        said.method,
        said.rhythm,
        said.device_flags,
        searchable_size(said.cuff) if said.cuff else of_set.cuff,
        outcome.counts,
        outcome.reason,
        device_id,
        device_id is not None or (is_described(said.device) if said.device else of_set.has_device),
        said.observer.text if said.observer else of_set.observer,
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
    spoken_of = sitting.spoken_of
    ids = set(map(sitting.device_ids.__getitem__, spoken_of))
    return RecordedMean(
        *period,
        # The device of all of its readings, if it is the same one and has an identifier.
        ids.pop() if len(ids) == 1 else None,
        common_device(sitting, spoken_of) is not None,
        searchable_size(common_cuff(sitting, spoken_of)),
        common_method(sitting, spoken_of),
    )
