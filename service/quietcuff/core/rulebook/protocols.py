"""The types of plans that are not one sitting: home series, ambulatory recordings, the test of standing."""

from __future__ import annotations

from typing import Literal

from quietcuff.core.rulebook.base import Edge, RuleStruct


class ClockWindow(RuleStruct, frozen=True, kw_only=True):
    """Hours of the local day: from the first up to, not including, the last; over midnight where the last is the smaller."""

    from_hour: float
    to_hour: float


class HomeSeries(RuleStruct, frozen=True, kw_only=True, tag_field="kind", tag="home"):
    """Sittings at home over days, pooled into one mean. ``minimum_days`` and ``minimum_readings`` are of what is left once the
    first day is dropped; days later than ``span_days`` after the first are not part of the series."""

    planned_days: int
    sittings_a_day: int
    readings_a_sitting: int
    first_day_dropped: bool
    minimum_days: int
    minimum_readings: int
    span_days: int
    morning: ClockWindow
    evening: ClockWindow
    source: list[str]


class DippingClass(RuleStruct, frozen=True, kw_only=True):
    """A class of the fall from day to night, reached at or above (or above) a percentage; the lowest has none."""

    name: Literal["reverse", "reduced", "normal", "extreme"]
    percent: float | None = None
    edge: Literal["at-or-above", "above"] = "at-or-above"


class Recording(RuleStruct, frozen=True, kw_only=True, tag_field="kind", tag="ambulatory"):
    """An ambulatory recording: its windows where no sleep times are given, and when it is valid.

    The mean is of all valid readings or only of those by day. The whole and its dipping are told only where day and night have
    ``minimum_dipping_day`` and ``minimum_dipping_night`` valid readings.
    """

    day: ClockWindow
    night: ClockWindow
    minimum_day: int
    minimum_night: int
    minimum_valid_share: float
    pools: Literal["all", "day"] = "all"
    minimum_dipping_day: int
    minimum_dipping_night: int
    dipping: list[DippingClass]
    source: list[str]


class StandingTest(RuleStruct, frozen=True, kw_only=True):
    """A test of standing up: how many of the last readings before it make the baseline, when to measure, and what is told.

    A fall counts up to ``within_minutes`` after standing, and ``late_seconds`` more for a measurement that took its time.
    """

    baseline_readings: int
    minutes: list[float]
    within_minutes: float
    late_seconds: int
    drop: Edge
    initial_seconds: int
    initial_drop: Edge
    sit_to_stand_drop: Edge
    supine_high: Edge
    supine_high_drop_mmhg: float
    standing_lower_mmhg: float
    danger_drop_mmhg: float
    rise_mmhg: float
    rise_to_mmhg: float
    source: dict[str, list[str]]
