"""The shapes of the report: what ``/v1/quality`` answers. Shares lie between 0 and 1; codes are words joined by hyphens."""

from __future__ import annotations

from datetime import date
from typing import Literal

import msgspec

Kind = Literal["share", "mean", "median", "count"]
Split = Literal["location", "observer", "device", "protocol", "setting"]
MIN_ELIGIBLE = 10
# The figures that are no share, with their unit.
MIDDLES: dict[str, tuple[Kind, str]] = {"readings-a-sitting": ("mean", "1"), "interval": ("median", "s")}


class Expected(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The range of a well-run clinic, between ``low`` and ``high``, either may be open; ``source`` keys say on what ground."""

    low: float | None
    high: float | None
    text: str
    source: list[str]


class Figure(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One figure: of how many eligible, how many, the value with its 95 % interval, and for how many it was not recorded.

    Withheld, with no value, where fewer than ten are eligible. ``count`` is null where the figure is no share.
    """

    code: str
    title: str
    kind: Kind
    unit: str
    eligible: int
    count: int | None
    value: float | None
    low: float | None
    high: float | None
    not_recorded: int
    withheld: bool
    expected: Expected | None


class Worth(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The worth of mending in a year, with the range of the simulation: labels that would be others, or people seen again."""

    unit: Literal["labels", "people", "sittings"]
    a_year: float
    low: float
    high: float


class Thing(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One thing to mend: what stands out, where (codes of observers; none: the whole clinic), its worth, and how to mend it."""

    code: str
    observers: list[str]
    value: float
    low: float
    high: float
    eligible: int
    worth: Worth
    what: str
    how: str
    source: list[str]


class DigitFigures(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Last digits 0 to 9 of one pressure: counts, the test against an equal share of each digit of the scale, the zeros."""

    pressure: Literal["systolic", "diastolic"]
    step_mmhg: int
    readings: int
    off_scale: int
    counts: list[int]
    expected_share: float
    chi_square: float
    degrees: int
    p: float
    cramers_v: float
    zeros: Figure


class HeapFigures(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Readings around a threshold: the 4 mmHg below and from it on, the jump of the log density with its interval, and bins of
    2 mmHg with what a smooth curve expects. ``displaced`` is how many readings seem to have been written below it."""

    pressure: Literal["systolic", "diastolic"]
    threshold_mmhg: int
    below: int
    above: int
    share_below: Figure
    log_ratio: float | None
    low: float | None
    high: float | None
    p_deficit: float | None
    bins_from_mmhg: list[int]
    bins_readings: list[int]
    bins_expected: list[float]
    displaced: float | None


class ShiftCondition(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One condition: how many sittings had it, the published range of its effect in mmHg, and the labels it moves in a year."""

    code: str
    title: str
    sittings: int
    systolic_mmhg: tuple[float, float] | None
    diastolic_mmhg: tuple[float, float] | None
    source: list[str]


class Range(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The mean over the draws of a simulation, and its middle 95 %."""

    mean: float
    low: float
    high: float


class ShiftFigures(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """By how much what was recorded shifts the clinic's mean, and how many labels of the period that moves, each way."""

    sittings: int
    systolic_mmhg: Range
    diastolic_mmhg: Range
    labels_too_high: Range
    labels_too_low: Range
    conditions: list[ShiftCondition]


class Month(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One month on a chart. ``called`` says that the rule calls a change here; months with fewer than ten have no share."""

    month: str
    eligible: int
    count: int | None
    share: float | None
    low: float | None
    high: float | None
    called: Literal["beyond-limits", "run"] | None


class Months(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """A share by month: the centre, how much wider than chance the months vary, and what is called."""

    code: str
    title: str
    centre: float
    sigma_z: float
    months: list[Month]
    text: str


class Place(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One observer, device or room in a funnel: its share, the limits for its size, the shrunken share, p and q."""

    code: str
    eligible: int
    count: int
    share: float
    low_95: float
    high_95: float
    low_998: float
    high_998: float
    shrunken: float
    p: float
    q: float
    stands_out: bool


class Funnel(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Places compared, in the order of their codes and never of their shares."""

    code: str
    title: str
    by: Literal["observer", "device", "location"]
    target: float
    places: list[Place]
    withheld: int


class QualityGroup(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The figures of one part of the data."""

    name: str
    sittings: int
    figures: list[Figure]


class Filters(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The part of the data that the report is of; null for everything."""

    since: date | None = None
    until: date | None = None
    location: str | None = None
    observer: str | None = None
    device: str | None = None
    protocol: str | None = None
    setting: str | None = None
    by: Split | None = None


class Section(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Figures that answer one question."""

    code: str
    title: str
    figures: list[Figure]


class Report(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The whole report. ``summary`` is the first paragraph, a sentence an entry."""

    title: str
    filters: Filters
    first_day: date | None
    last_day: date | None
    sittings: int
    people: int
    readings: int
    guideline: str
    summary: list[str]
    things: list[Thing]
    sections: list[Section]
    digits: list[DigitFigures]
    heaping: list[HeapFigures]
    intervals_seconds: list[int]
    shift: ShiftFigures | None
    months: list[Months]
    funnels: list[Funnel]
    groups: list[QualityGroup]
    cautions: list[str]
