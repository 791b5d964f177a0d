"""Texts of a picture of pressures over time. They name nobody."""

from __future__ import annotations

from datetime import date

from quietcuff.analytics.layout import MONTHS
from quietcuff.analytics.limits import GuidelineLimits
from quietcuff.analytics.trend import Trend

TITLE = "Blood pressure over time"
NO_BREAK = "\u00a0"
SETTINGS = {"office": "office", "home": "home", "ambulatory": "ambulatory, daytime mean"}
VALUES = {"office": "office", "home": "home", "ambulatory": "daytime"}
OUTSIDE = "lies outside the interval"
RESTS_ON = "which rests on more than that sitting: on earlier ones, or on what is known of people before measuring"
LEFT_OUT = {
    "voided": ("voided reading", "voided readings"),
    "voided-set": ("voided sitting", "voided sittings"),
    "open-set": ("sitting that is still open", "sittings that are still open"),
    "test-of-standing": ("test of standing", "tests of standing"),
    "failed": ("failed attempt", "failed attempts"),
    "implausible": ("implausible reading", "implausible readings"),
    "older-not-counted": ("older reading that did not count", "older readings that did not count"),
}


def counted(number: int, one: str, many: str) -> str:
    """A number with its noun."""
    return f"{number} {one if number == 1 else many}"


def day_words(day: date) -> str:
    """A day as people write it: 4 May 2026."""
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def span_words(trend: Trend) -> str:
    """The days from the first to the last result."""
    first, last = trend.results[0].at.date(), trend.results[-1].at.date()
    return day_words(first) if first == last else f"{day_words(first)} to {day_words(last)}"


def subtitle(trend: Trend) -> str:
    """Number of results and their days."""
    if trend.results:
        return f"{counted(len(trend.results), 'result of a closed sitting', 'results of closed sittings')}, {span_words(trend)}"
    if trend.not_counted:
        return f"No result; {counted(len(trend.not_counted), 'reading that did not count', 'readings that did not count')}"
    return "No result"


def limits_words(trend: Trend) -> str | None:
    """Sentences about the limits drawn: guidelines, settings and values."""
    titles = {each.guideline: each.title for each in all_limits(trend)}
    if not titles:
        return None
    letters = letters_of(trend)
    told = "; ".join(f"{letters[name]}{title.replace(' ', NO_BREAK, 1)}" for name, title in titles.items())
    sentences = []
    if trend.limits:
        shown = "hypertension limits" if len(trend.limits) > 2 else "limits"
        sentences.append(f"Lines: {shown} for {VALUES[trend.setting]} values, as at the latest result.")
    others = [VALUES[each.setting] for each in trend.elsewhere if each.limits]
    if others:
        start = "Marked" if trend.limits else "Lines marked"
        sentences.append(f"{start} {' and '.join(others)}: hypertension limits for those values.")
    return f"{' '.join(sentences)} {told}."


def all_limits(trend: Trend) -> list[GuidelineLimits]:
    """Limits of every setting drawn, those of the latest result first."""
    return [*trend.limits, *(limits for each in trend.elsewhere for limits in each.limits)]


def letters_of(trend: Trend) -> dict[str, str]:
    """A letter and a space for each guideline; empty if there is only one."""
    names = list(dict.fromkeys(each.guideline for each in all_limits(trend)))
    if len(names) == 1:
        return {names[0]: ""}
    return {name: f"{chr(ord('A') + place)}{NO_BREAK}" for place, name in enumerate(names)}


def severe_words(trend: Trend) -> str | None:
    """Number of severe results and the latest of them; without any, the number of severe readings that did not count."""
    severe = [point for point in trend.results if point.severe]
    readings = sum(bool(reading.severe) for reading in trend.not_counted)
    if not severe:
        return f"Severe: {counted(readings, 'reading', 'readings')} that did not count." if readings else None
    latest = severe[-1]
    value = f"{latest.systolic_mmhg:g}/{latest.diastolic_mmhg:g}"
    return (
        f"Severe, in itself or in a reading of its sitting: {counted(len(severe), 'result', 'results')}, "
        f"the latest {value} on {day_words(latest.at.date())}."
    )


def newest_words(trend: Trend) -> list[str]:
    """Sentences about the newest result of each setting: a change before it, and the reason if it is outside its interval."""
    told = []
    newest = {point.setting: point for point in trend.results}
    for setting, point in newest.items():
        start = f"Latest {VALUES[setting]} result: " if len(newest) > 1 else "Latest result: "
        told += [f"{start}{each}" for each in point.told]
        # The evaluation may have said so itself; it is not said twice.
        if point.is_outside and not any(OUTSIDE in each for each in point.told):
            told.append(f"{start}it {OUTSIDE} of the usual pressure, {RESTS_ON}.")
    earlier = sum(point.is_outside for point in trend.results if point is not newest[point.setting])
    if earlier:
        told.append(f"Outside its own interval, {RESTS_ON}: {counted(earlier, 'earlier result', 'earlier results')}.")
    return told


def notes(trend: Trend) -> list[str]:
    """Notes below the picture: severe values, values outside their interval, and what is not drawn."""
    told = []
    if not (trend.results or trend.not_counted or trend.left_out):
        told.append("There is no sitting to draw from.")
    severe = severe_words(trend)
    told += ([severe] if severe else []) + newest_words(trend)
    if trend.left_out:
        told.append(f"Not drawn: {', '.join(counted(number, *LEFT_OUT[code]) for code, number in trend.left_out.items())}.")
    if trend.without_limits:
        told.append(f"No limits for this person and these values: {'; '.join(trend.without_limits)}.")
    told += [
        f"No limits for {VALUES[each.setting]} values: {'; '.join(each.without)}." for each in trend.elsewhere if each.without
    ]
    if trend.is_cut:
        told.append("There are more sittings: only the newest are shown.")
    return told


def range_words(values: list[float]) -> str:
    """From the lowest to the highest value; a single value by itself."""
    low, high = min(values), max(values)
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def description(trend: Trend) -> str:
    """The picture in words, for people who cannot see it."""
    severe = severe_words(trend)
    if not trend.results:
        start = f"{subtitle(trend)}." if trend.not_counted else f"{subtitle(trend)} to draw."
        return f"{start} {severe}" if severe else start
    systolic = range_words([point.systolic_mmhg for point in trend.results])
    diastolic = range_words([point.diastolic_mmhg for point in trend.results])
    latest = trend.results[-1]
    parts = [
        f"{subtitle(trend)}: systolic {systolic}, diastolic {diastolic} mmHg",
        f"the latest {latest.systolic_mmhg:g}/{latest.diastolic_mmhg:g} ({latest.setting})",
    ]
    if trend.limits:
        parts.append(
            f"with the limits of {' and '.join(each.title for each in trend.limits)} for {VALUES[trend.setting]} values"
        )
    others = [VALUES[each.setting] for each in trend.elsewhere if each.limits]
    if others:
        parts.append(f"with hypertension limits of their own for {' and '.join(others)} values")
    if trend.treated:
        parts.append("with the time on treatment shaded")
    return " ".join([f"{', '.join(parts)}.", *([severe] if severe else []), *newest_words(trend)])
