"""Legend of a picture of pressures over time, with entries only for what the picture holds."""

from __future__ import annotations

from typing import Any, Literal

import msgspec

from quietcuff.analytics.matplotlib_svg import DrawingSheet, width_of
from quietcuff.analytics.trend import Trend
from quietcuff.analytics.trend_looks import (
    FAINT,
    INK,
    MARGIN,
    MARKERS,
    PRESSURES,
    ROW,
    SEVERE,
    SHADE,
    SIZE,
    SOFT,
    TINTS,
    WIDTH,
    PanelFrame,
    changes_shown,
    days_shown,
    mark_looks,
    periods_shown,
    ring_looks,
)
from quietcuff.analytics.trend_words import PictureWords


class KeyEntry(msgspec.Struct, frozen=True):
    """One legend entry: marks or a shape, and its text."""

    kind: Literal["mark", "bar", "shade", "change", "severe"]
    text: str
    looks: list[tuple[str, dict[str, Any]]]

    @property
    def symbol_width(self) -> float:
        """Width of the symbol (points)."""
        return 8.0 * max(1, len(self.looks)) + {"shade": 4, "severe": 5}.get(self.kind, 2)

    @property
    def width(self) -> float:
        """Width of the whole entry (points)."""
        return self.symbol_width + width_of(self.text, SIZE) + 11


def key_of(trend: Trend, words: PictureWords) -> list[KeyEntry]:
    """Legend entries for what the picture holds."""
    plain = {"linestyle": "none", "markersize": 5.5, "markeredgewidth": 0}
    found = []
    if trend.results or trend.not_counted:
        found += [
            KeyEntry("mark", words.say(pressure), [(MARKERS[pressure], {**plain, "color": INK})]) for pressure in PRESSURES
        ]
    for setting in dict.fromkeys(point.setting for point in trend.results):
        looks = mark_looks(setting, 5.5)
        found.append(KeyEntry("mark", words.say(setting), [(MARKERS[pressure], looks) for pressure in PRESSURES]))
    if any(point.severe for point in trend.results) or any(reading.severe for reading in trend.not_counted):
        looks = {**plain, "color": SEVERE}
        found.append(KeyEntry("severe", words.say("severe"), [(MARKERS["systolic"], looks)]))
    if any(point.interval_95 is not None for point in trend.results):
        found.append(KeyEntry("bar", words.say("interval"), []))
    if trend.not_counted:
        looks = {**plain, "color": FAINT}
        found.append(KeyEntry("mark", words.say("not-counted"), [(MARKERS["systolic"], looks)]))
    first, last = days_shown(trend)
    frame = PanelFrame(0, 1, {}, first, last)
    if periods_shown(frame, trend):
        found.append(KeyEntry("shade", words.say("on-treatment"), []))
    if changes_shown(frame, trend):
        found.append(KeyEntry("change", words.say("treatment-changed"), []))
    return found


def rows_of_key(key: list[KeyEntry]) -> list[list[KeyEntry]]:
    """Legend entries in rows no wider than the picture."""
    rows: list[list[KeyEntry]] = []
    for entry in key:
        if rows and sum(each.width for each in rows[-1]) + entry.width <= WIDTH - 2 * MARGIN:
            rows[-1].append(entry)
        else:
            rows.append([entry])
    return rows


def draw_key(sheet: DrawingSheet, rows: list[list[KeyEntry]], top: float) -> None:
    """Draw the legend, from the baseline of its top row down."""
    for row, entries in enumerate(rows):
        x, y = MARGIN, top - ROW * row
        for entry in entries:
            draw_symbol(sheet, entry, x, y + 2.5)
            sheet.write(x + entry.symbol_width, y, entry.text, SIZE, color=INK)
            x += entry.width


def draw_symbol(sheet: DrawingSheet, entry: KeyEntry, x: float, y: float) -> None:
    """Draw the symbol of a legend entry."""
    for place, (marker, looks) in enumerate(entry.looks):
        sheet.stroke([x + 4 + 8 * place], [y], marker=marker, **looks)
    if entry.kind == "severe":
        sheet.stroke([x + 4], [y], **ring_looks(4.2))
    elif entry.kind == "bar":
        sheet.stroke([x + 4, x + 4], [y - 4, y + 4], color=TINTS["office"], linewidth=1.4)
    elif entry.kind == "shade":
        sheet.block(x, y - 3, 8, 6.5, facecolor=SHADE, edgecolor=SOFT, linewidth=0.4)
    elif entry.kind == "change":
        sheet.stroke([x + 4, x + 4], [y - 4, y + 4], color=SOFT, linewidth=0.7, dashes=(1, 1.5))
