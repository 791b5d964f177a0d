"""Drawing of pressures over time: two panels over one axis of days, readable in five seconds and printable at A5 width."""

from __future__ import annotations

from datetime import date
from math import ceil, floor
from typing import Any

import msgspec

from quietcuff.analytics import trend_text as text
from quietcuff.analytics.layout import day_ticks, place_in_rows, push_apart
from quietcuff.analytics.limits import GuidelineLimits, Limit
from quietcuff.analytics.matplotlib_svg import Axes, DrawingSheet, width_of, wrapped
from quietcuff.analytics.trend import ResultPoint, Trend
from quietcuff.analytics.trend_key import draw_key, key_of, rows_of_key
from quietcuff.analytics.trend_looks import (
    COLOURS,
    FAINT,
    GRID,
    INK,
    MARGIN,
    MARKERS,
    PRESSURES,
    ROW,
    SEVERE,
    SEVERE_TINT,
    SHADE,
    SIZE,
    SMALL,
    SOFT,
    SUBTITLE_SIZE,
    TINTS,
    TITLE_SIZE,
    WIDTH,
    MarkSizes,
    PanelFrame,
    Pressure,
    changes_shown,
    crowd_of,
    day_number,
    days_shown,
    interval_of,
    mark_looks,
    periods_shown,
    ring_looks,
    value_of,
)
from quietcuff.analytics.trend_words import PictureWords
from quietcuff.core.model.fields import Setting

LEFT, RIGHT_WITH_LIMITS, RIGHT = 44.0, 108.0, 18.0
PANEL_HEIGHT = {"systolic": 150.0, "diastolic": 104.0}
EMPTY_RANGE = {"systolic": (80.0, 180.0), "diastolic": (40.0, 120.0)}
LEAST_RANGE = 40.0
BETWEEN, TICKS = 10.0, 26.0
WORD_ROWS, TICK_ROOM = 2, 36.0
NAME_INDENT = 39.0


def draw_trend(trend: Trend, words: PictureWords) -> DrawingSheet:
    """Draw the picture. Its height depends on its legend and notes."""
    key = key_of(trend, words)
    rows = rows_of_key(key)
    lines = [line for note in foot_of(trend, words) for line in wrapped(note, SMALL, WIDTH - 2 * MARGIN)]
    word_rows = WORD_ROWS if trend.treated or trend.changed_on else 0
    foot = MARGIN + ROW * (len(lines) + len(rows)) + 4
    bottoms: dict[Pressure, float] = {"diastolic": foot + TICKS}
    bottoms["systolic"] = bottoms["diastolic"] + PANEL_HEIGHT["diastolic"] + BETWEEN
    top = bottoms["systolic"] + PANEL_HEIGHT["systolic"] + 8 * word_rows + 8
    sheet = DrawingSheet(WIDTH, top + 36)
    sheet.write(MARGIN, top + 20, words.say("title"), TITLE_SIZE, bold=True, color=INK)
    sheet.write(MARGIN, top + 7, text.subtitle(trend, words), SUBTITLE_SIZE, color=INK)
    right = RIGHT_WITH_LIMITS if text.all_limits(trend) else RIGHT
    frame = PanelFrame(LEFT, WIDTH - LEFT - right, bottoms, *days_shown(trend))
    for pressure in PRESSURES:
        draw_panel(sheet, frame, trend, pressure, words)
    draw_treatment_words(sheet, frame, trend, words)
    draw_days(sheet, frame, trend, words)
    if not trend.results and not trend.not_counted:
        middle = bottoms["systolic"] + PANEL_HEIGHT["systolic"] / 2
        sheet.write(frame.left + frame.width / 2, middle, words.say("nothing-to-draw"), TITLE_SIZE, ha="center", color=INK)
    draw_key(sheet, rows, foot - ROW)
    for place, line in enumerate(reversed(lines)):
        sheet.write(MARGIN, MARGIN - 3 + ROW * place, line, SMALL, color=INK)
    return sheet


def foot_of(trend: Trend, words: PictureWords) -> list[str]:
    """Sentences below the picture, the caution last."""
    limits = text.limits_words(trend, words)
    return [*([limits] if limits else []), *text.notes(trend, words), words.sentence(trend.caution)]


def draw_panel(sheet: DrawingSheet, frame: PanelFrame, trend: Trend, pressure: Pressure, words: PictureWords) -> None:
    """Draw one pressure: shading, limits, readings that did not count, and results."""
    bottom, height = frame.bottoms[pressure], PANEL_HEIGHT[pressure]
    axes = sheet.panel(frame.left, bottom, frame.width, height)
    axes.set_gid(f"panel-{pressure}")
    axes.set_xlim(frame.first, frame.last)
    low, high = range_of(trend, pressure)
    axes.set_ylim(low, high)
    for side in axes.spines.values():
        side.set_visible(False)
    axes.spines["left"].set(visible=True, color=SOFT, linewidth=0.6)
    sheet.write(
        MARGIN,
        bottom + height / 2,
        words.say(f"{pressure}-axis"),
        SUBTITLE_SIZE,
        rotation=90,
        ha="left",
        va="center",
        color=INK,
    )
    draw_treatment(axes, frame, trend)
    step = 10 if high - low <= 60 else 20 if high - low <= 160 else 50
    for mmhg in range(ceil(low / step) * step, floor(high) + 1, step):
        across = bottom + (mmhg - low) / (high - low) * height
        axes.axhline(mmhg, color=GRID, linewidth=0.5, zorder=1)
        if bottom + 2 <= across <= bottom + height:
            sheet.write(frame.left - 4, across, f"{mmhg}", SIZE, ha="right", va="center_baseline", color=INK)
    draw_limits(sheet, axes, frame, trend, pressure, words)
    draw_not_counted(axes, trend, pressure)
    for setting in COLOURS:
        points = [point for point in trend.results if point.setting == setting]
        if points:
            draw_results(axes, points, setting, pressure, crowd_of(trend))


def draw_not_counted(axes: Axes, trend: Trend, pressure: Pressure) -> None:
    """Draw the readings that did not count: small and grey, severe ones ringed and in their own colour."""
    looks: dict[str, Any] = {"marker": MARKERS[pressure], "linestyle": "none", "markeredgewidth": 0}
    size = 0.8 * crowd_of(trend).mark
    plain = [each for each in trend.not_counted if pressure not in each.severe]
    severe = [each for each in trend.not_counted if pressure in each.severe]
    for readings, colour, name in ((plain, FAINT, "not-counted"), (severe, SEVERE, "severe-not-counted")):
        if readings:
            xs, ys = [day_number(each.at) for each in readings], [value_of(each, pressure) for each in readings]
            axes.plot(xs, ys, color=colour, markersize=size, zorder=3, gid=f"{name}-{pressure}", **looks)
            if readings is severe:
                axes.plot(xs, ys, zorder=3, **ring_looks(size))


def draw_results(axes: Axes, points: list[ResultPoint], setting: str, pressure: Pressure, crowd: MarkSizes) -> None:
    """Draw the results of one setting with their intervals."""
    xs, ys = [day_number(point.at) for point in points], [value_of(point, pressure) for point in points]
    known = [
        (x, interval, SEVERE_TINT if pressure in point.severe else TINTS[setting])
        for x, point in zip(xs, points, strict=True)
        if (interval := interval_of(point, pressure))
    ]
    if known:
        lows, highs = [interval[0] for _, interval, _ in known], [interval[1] for _, interval, _ in known]
        colours = [colour for _, _, colour in known]
        bars = axes.vlines([x for x, _, _ in known], lows, highs, colors=colours, linewidth=crowd.bar, zorder=4)
        bars.set_gid(f"intervals-{pressure}-{setting}")
    if crowd.is_joined:
        axes.plot(xs, ys, color=TINTS[setting], linewidth=0.6, zorder=4)
    # Severe ones last, so that they lie above all others where results crowd.
    for severe in (False, True):
        chosen = [place for place, point in enumerate(points) if (pressure in point.severe) == severe]
        if chosen:
            chosen_xs, chosen_ys = [xs[place] for place in chosen], [ys[place] for place in chosen]
            looks = mark_looks(setting, crowd.mark, severe=severe)
            name = f"{'severe' if severe else 'results'}-{pressure}-{setting}"
            axes.plot(chosen_xs, chosen_ys, marker=MARKERS[pressure], zorder=6, gid=name, **looks)
            if severe:
                axes.plot(chosen_xs, chosen_ys, zorder=6.5, gid=f"rings-{pressure}-{setting}", **ring_looks(crowd.mark))


def range_of(trend: Trend, pressure: Pressure) -> tuple[float, float]:
    """Ends of the pressure axis: everything drawn, with some room."""
    values = [value_of(each, pressure) for each in (*trend.results, *trend.not_counted)]
    if not values:
        return EMPTY_RANGE[pressure]
    values += [end for point in trend.results for end in interval_of(point, pressure) or ()]
    values += [mmhg for mmhg, _ in limits_drawn(trend, pressure)]
    # To whole tens, so that small changes of the values do not move the whole axis.
    low, high = 10.0 * floor((min(values) - 4) / 10), 10.0 * ceil((max(values) + 4) / 10)
    room = max(0.0, (LEAST_RANGE - (high - low)) / 2)
    return low - room, high + room


class Named(msgspec.Struct, frozen=True):
    """One limit with the code of its label, the letter of its guideline, and its setting unless that is the latest result's."""

    code: str
    letter: str
    limit: Limit
    setting: Setting | None


def limits_drawn(trend: Trend, pressure: Pressure) -> list[tuple[float, list[Named]]]:
    """Limits in mmHg in ascending order, with their labels. With more than two guidelines, and for other settings, only the
    limits of hypertension are drawn."""
    found: dict[float, list[Named]] = {}
    letters = text.letters_of(trend)
    tables: list[tuple[Setting | None, GuidelineLimits]] = [(None, each) for each in trend.limits]
    tables += [(each.setting, limits) for each in trend.elsewhere for limits in each.limits]
    for setting, guideline in tables:
        for limit in guideline.limits:
            mmhg = limit.systolic_mmhg if pressure == "systolic" else limit.diastolic_mmhg
            if mmhg is not None and (limit.is_hypertension or len(trend.limits) <= 2):
                code = f"category-{limit.category}" if setting is None else f"value-{setting}"
                found.setdefault(mmhg, []).append(Named(code, letters[guideline.guideline], limit, setting))
    return sorted(found.items())


def label_lines(named: list[Named], words: PictureWords) -> list[str]:
    """Label lines beside one limit: one for each category or setting, with the letters of its guidelines."""
    by_word: dict[str, str] = {}
    for each in named:
        word = words.say(each.code)
        by_word[word] = by_word.get(word, "") + each.letter
    home, daytime = words.say("value-home"), words.say("value-ambulatory")
    # Home and daytime limits are often the same; on one line they leave room for others.
    if home in by_word and by_word[home] == by_word.get(daytime):
        both = f"{home}, {daytime} {by_word[home]}".rstrip()
        if width_of(both, SMALL) <= RIGHT_WITH_LIMITS - NAME_INDENT - 2:
            del by_word[daytime]
            return [both if word == home else f"{word} {letter}".rstrip() for word, letter in by_word.items()]
    return [f"{word} {letter}".rstrip() for word, letter in by_word.items()]


def line_looks(named: list[Named]) -> dict[str, Any]:
    """Line style of a limit: solid where hypertension begins for the latest result's setting, dashed for its other limits,
    dash-dotted in the setting's colour for other settings."""
    here = [each.limit for each in named if each.setting is None]
    if here:
        is_main = any(limit.is_hypertension for limit in here)
        return {"color": INK, "linewidth": 0.9} if is_main else {"color": SOFT, "linewidth": 0.6, "dashes": (4, 3)}
    settings = list(dict.fromkeys(each.setting for each in named if each.setting is not None))
    return {"color": COLOURS[settings[0]] if len(settings) == 1 else SOFT, "linewidth": 0.8, "dashes": (6, 2, 1, 2)}


def draw_limits(
    sheet: DrawingSheet, axes: Axes, frame: PanelFrame, trend: Trend, pressure: Pressure, words: PictureWords
) -> None:
    """Draw a line for each limit with its label at the right edge. Labels that would overlap are moved apart and connected to
    their lines."""
    bottom, height = frame.bottoms[pressure], PANEL_HEIGHT[pressure]
    low, high = axes.get_ylim()
    drawn = limits_drawn(trend, pressure)
    places = [bottom + (mmhg - low) / (high - low) * height for mmhg, _ in drawn]
    told = [label_lines(named, words) for _, named in drawn]
    wanted = [place for place, lines in zip(places, told, strict=True) for _ in lines]
    middles = iter(push_apart(wanted, SMALL + 2, bottom - 2, bottom + height + 2))
    edge = frame.left + frame.width
    for (mmhg, named), place, lines in zip(drawn, places, told, strict=True):
        axes.axhline(mmhg, zorder=4.5, gid=f"limit-{pressure}-{mmhg:g}", **line_looks(named))
        heights = [next(middles) for _ in lines]
        middle = sum(heights) / len(heights)
        sheet.stroke([edge + 1, edge + 9], [place, middle], color=SOFT, linewidth=0.4)
        number = words.number(f"{'>' if any(each.limit.above for each in named) else ''}{mmhg:.1f}".removesuffix(".0"))
        sheet.write(edge + 36, middle, number, SMALL, ha="right", va="center_baseline", color=INK)
        for line, at in zip(reversed(lines), heights, strict=True):
            sheet.write(edge + NAME_INDENT, at, line, SMALL, va="center_baseline", color=INK)


def draw_treatment(axes: Axes, frame: PanelFrame, trend: Trend) -> None:
    """Shade the time on treatment, and draw a line at each change."""
    for start, end in periods_shown(frame, trend):
        axes.axvspan(start, end, color=SHADE, linewidth=0, zorder=0)
    for day in changes_shown(frame, trend):
        axes.axvline(day, color=SOFT, linewidth=0.7, dashes=(1, 1.5), zorder=1.5)


def draw_treatment_words(sheet: DrawingSheet, frame: PanelFrame, trend: Trend, words: PictureWords) -> None:
    """Write a word above each treated period and change if there is room; the legend explains them in any case."""
    named = [(words.say("on-treatment"), (start + end) / 2) for start, end in periods_shown(frame, trend)]
    named += [(words.say("changed"), day) for day in changes_shown(frame, trend)]
    wanted = [(frame.across(day), width_of(word, SMALL)) for word, day in named]
    top = frame.bottoms["systolic"] + PANEL_HEIGHT["systolic"]
    places = place_in_rows(wanted, frame.left, frame.left + frame.width, WORD_ROWS, gap=3)
    for (word, _), place in zip(named, places, strict=True):
        if place is not None:
            sheet.write(place[1], top + 3 + 8 * place[0], word, SMALL, ha="center", color=INK)


def draw_days(sheet: DrawingSheet, frame: PanelFrame, trend: Trend, words: PictureWords) -> None:
    """Write days below the lower panel, few enough not to touch."""
    if not trend.results and not trend.not_counted:
        return
    base = frame.bottoms["diastolic"]
    sheet.stroke([frame.left, frame.left + frame.width], [base, base], color=SOFT, linewidth=0.6)
    first, last = date.fromordinal(ceil(frame.first)), date.fromordinal(floor(frame.last))
    for day, told in day_ticks(first, last, int(frame.width // TICK_ROOM), words.tick):
        across = frame.across(day)
        sheet.stroke([across, across], [base, base - 2.5], color=SOFT, linewidth=0.6)
        for row, line in enumerate(told.split("\n")):
            # The last label is kept on the page, though its mark stands at the very edge.
            middle = min(across, WIDTH - 6 - width_of(line, SIZE) / 2)
            sheet.write(middle, base - 10.5 - 8.5 * row, line, SIZE, ha="center", color=INK)
