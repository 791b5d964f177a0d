"""The control measure of quality programmes: the lowest values of the most recent day, beside the clinical mean."""

from __future__ import annotations

from datetime import date

import msgspec

from quietcuff.core.model.readings import Reading
from quietcuff.core.rulebook.rulebook import Edge


class ControlMeasure(msgspec.Struct, frozen=True, kw_only=True):
    """The lowest systolic and the lowest diastolic of ``day``, maybe of different readings. Not a clinical value."""

    day: date
    systolic_mmhg: float
    diastolic_mmhg: float
    below_140_90: bool
    differs_because: list[str]


def measure_control(readings: list[Reading], limit: Edge, clinical: tuple[int, int] | None) -> ControlMeasure | None:
    """The measure over the readings that a programme would see; None without any.

    Strictly below 140 and below 90. ``clinical`` is the reported mean that it is compared with. Source: [CMS165]; 150/85 and
    142/88 of one day give 142/85, not controlled.
    """
    if not readings:
        return None
    day = max(reading.taken_at.date() for reading in readings)
    today = [reading for reading in readings if reading.taken_at.date() == day]
    systolic = min(reading.systolic_mmhg for reading in today if reading.systolic_mmhg is not None)
    diastolic = min(reading.diastolic_mmhg for reading in today if reading.diastolic_mmhg is not None)
    below = systolic < limit.systolic_mmhg and diastolic < limit.diastolic_mmhg
    return ControlMeasure(
        day=day,
        systolic_mmhg=systolic,
        diastolic_mmhg=diastolic,
        below_140_90=below,
        differs_because=difference_from((systolic, diastolic), clinical, limit, below=below),
    )


def difference_from(lowest: tuple[float, float], clinical: tuple[int, int] | None, limit: Edge, *, below: bool) -> list[str]:
    """Codes of the differences from the clinical mean: the lowest of the day, and controlled by that alone."""
    if clinical is None or lowest == clinical:
        return [] if clinical is not None else ["no-clinical-mean"]
    controlled = clinical[0] < limit.systolic_mmhg and clinical[1] < limit.diastolic_mmhg
    return ["lowest-of-day"] + (["controlled-only-by-lowest"] if below and not controlled else [])
