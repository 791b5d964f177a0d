"""What comes out of series, recordings and the test of standing, and a child's percentiles: parts of an evaluation."""

from __future__ import annotations

from typing import Literal

import msgspec

# Whole numbers are written without a point, and stay whole when they are read again.
Number = int | float


class PartMean(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The mean of a part of a series: as reported and classified, and exact; every reading weighs the same."""

    systolic_mmhg: int
    diastolic_mmhg: int
    systolic_mean_mmhg: Number
    diastolic_mean_mmhg: Number
    readings: int


class PartCategory(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What a guideline calls one part of an ambulatory recording; ``decides`` where it bears on the guideline's category."""

    guideline: str
    part: Literal["day", "night", "hours-24"]
    category: str
    label: str
    decides: bool


class Series(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Readings over days at home, or of an ambulatory recording. A part has a mean where it has enough valid readings.

    ``n`` are the readings that count, or would once there are enough; ``valid_share`` is of the attempts recorded; ``windows``
    say what day and night were taken from.
    """

    kind: Literal["home", "ambulatory"]
    days_used: int
    days_dropped: int
    drop_rule: Literal["first-day", "none"]
    morning: PartMean | None = None
    evening: PartMean | None = None
    day: PartMean | None = None
    night: PartMean | None = None
    hours_24: PartMean | None = None
    n: int
    valid_share: Number
    windows: Literal["clock", "sleep-times"]
    dipping_percent: Number | None = None
    dipping: Literal["reverse", "reduced", "normal", "extreme"] | None = None
    parts: list[PartCategory] = []


class Baseline(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The pressure before standing: the mean of its readings, in mmHg."""

    systolic_mmhg: Number
    diastolic_mmhg: Number
    readings: int


class Drop(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Baseline minus one standing reading, in mmHg, so that a fall is positive; ``minutes`` since standing up."""

    minutes: Number
    systolic_mmhg: Number
    diastolic_mmhg: Number


class Orthostatic(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The test of standing up: where it started from, and each standing reading against that, in order of time."""

    baseline: Baseline | None
    drops: list[Drop]
    position_before: Literal["sitting", "supine"] | None


class Percentile(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Where a child's reported pressures stand among children of that sex, age and height, as percentiles and as z, and by
    which references."""

    reference: str
    height_reference: str
    age_years: int
    height_z: Number
    systolic: Number
    systolic_z: Number
    diastolic: Number
    diastolic_z: Number
