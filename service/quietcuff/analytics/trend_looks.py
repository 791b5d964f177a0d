"""Shapes, colours and sizes of a picture of pressures over time, and the days that it spans.

Shape separates systolic from diastolic, filling separates the settings, and a ring marks severe values; colour only repeats
this. The colours of the settings can be told apart by colour-blind people: M. Okabe and K. Ito (2008), from memory. They differ
in brightness too. Severe is dark red.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any, Literal

import msgspec

from quietcuff.analytics.matplotlib_svg import POINTS_PER_MM
from quietcuff.analytics.trend import ResultPoint, Trend

Pressure = Literal["systolic", "diastolic"]
PRESSURES: tuple[Pressure, Pressure] = ("systolic", "diastolic")
MARKERS = {"systolic": "^", "diastolic": "v"}
COLOURS = {"office": "#0072B2", "home": "#D55E00", "ambulatory": "#009E73"}
TINTS = {"office": "#8CC0DE", "home": "#EFB78E", "ambulatory": "#86D0BB"}
FILLING = {"office": "full", "home": "none", "ambulatory": "left"}
SEVERE, SEVERE_TINT = "#A4001D", "#D98A95"
INK, SOFT, FAINT, GRID, SHADE = "#222222", "#6a6a6a", "#b4b4b4", "#ececec", "#e4edf4"

WIDTH = 148 * POINTS_PER_MM
MARGIN, ROW = 12.0, 10.5
TITLE_SIZE, SUBTITLE_SIZE, SIZE, SMALL = 10.0, 8.0, 7.0, 6.5


class MarkSizes(msgspec.Struct, frozen=True):
    """Size of marks by the number of results (points)."""

    most: int
    mark: float
    bar: float
    is_joined: bool


CROWDS = (
    MarkSizes(24, 5.5, 1.4, True),
    MarkSizes(80, 4.2, 0.9, True),
    MarkSizes(200, 3.2, 0.6, False),
    MarkSizes(10**9, 2.4, 0.4, False),
)


class PanelFrame(msgspec.Struct, frozen=True):
    """Position of the panels on the sheet, and the days they span as day numbers."""

    left: float
    width: float
    bottoms: dict[Pressure, float]
    first: float
    last: float

    def across(self, day: float) -> float:
        """Horizontal place of a day number on the sheet."""
        return self.left + (day - self.first) / (self.last - self.first) * self.width


def day_number(moment: datetime) -> float:
    """Days since the calendar's first day, with fractions."""
    return moment.toordinal() + (moment - moment.replace(hour=0, minute=0, second=0, microsecond=0)) / timedelta(days=1)


def days_shown(trend: Trend) -> tuple[float, float]:
    """First and last day number of the picture, with room at both ends."""
    moments = [point.at for point in trend.results] + [reading.at for reading in trend.not_counted]
    numbers = [day_number(moment) for moment in moments] or [0.0, 1.0]
    # At least two days, so that a single result does not stand on an axis without length.
    room = max(0.04 * (max(numbers) - min(numbers)), 2.0)
    return min(numbers) - room, max(numbers) + room


def mark_looks(setting: str, size: float, *, severe: bool = False) -> dict[str, Any]:
    """Mark of a result: office filled, home hollow, ambulatory half filled; severe in its own colour."""
    filling, colour = FILLING[setting], SEVERE if severe else COLOURS[setting]
    return {
        "linestyle": "none",
        "markersize": size,
        "markeredgewidth": 0.18 * size,
        "markeredgecolor": colour,
        "markerfacecolor": "white" if filling == "none" else colour,
        "markerfacecoloralt": "white",
        "fillstyle": "left" if filling == "left" else "full",
    }


def ring_looks(size: float) -> dict[str, Any]:
    """The ring around a severe value, the same for every colour and shape."""
    return {
        "linestyle": "none",
        "marker": "o",
        "markersize": 2.1 * size,
        "markeredgewidth": 0.9,
        "markeredgecolor": SEVERE,
        "markerfacecolor": "none",
    }


def crowd_of(trend: Trend) -> MarkSizes:
    """Mark sizes for the number of results."""
    return next(crowd for crowd in CROWDS if len(trend.results) <= crowd.most)


def value_of(each: Any, pressure: Pressure) -> float:
    """One pressure of a point, in mmHg."""
    return float(each.systolic_mmhg if pressure == "systolic" else each.diastolic_mmhg)


def interval_of(point: ResultPoint, pressure: Pressure) -> tuple[float, float] | None:
    """Interval of one pressure, or None."""
    both = point.interval_95
    return None if both is None else (both.systolic_mmhg if pressure == "systolic" else both.diastolic_mmhg)


def periods_shown(frame: PanelFrame, trend: Trend) -> list[tuple[float, float]]:
    """Treated days within the picture, as day numbers."""
    found = []
    for period in trend.treated:
        end = frame.last if period.until is None else min(frame.last, period.until.toordinal() + 1.0)
        start = max(frame.first, float(period.since.toordinal()))
        if start < end:
            found.append((start, end))
    return found


def changes_shown(frame: PanelFrame, trend: Trend) -> list[float]:
    """Changes of treatment within the picture, as day numbers."""
    return [float(day.toordinal()) for day in trend.changed_on if frame.first <= day.toordinal() <= frame.last]
