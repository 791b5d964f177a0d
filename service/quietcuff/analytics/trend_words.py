"""What a picture of pressures over time says in words. It names nobody."""

from __future__ import annotations

from datetime import date

from quietcuff.analytics.limits import GuidelineLimits
from quietcuff.analytics.spacing import MONTHS
from quietcuff.analytics.trend import Trend

TITLE = "Blood pressure over time"
NO_BREAK = "\u00a0"
SETTINGS = {"office": "office", "home": "home", "ambulatory": "ambulatory, daytime mean"}
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
    """From when to when results are."""
    first, last = trend.results[0].at.date(), trend.results[-1].at.date()
    return day_words(first) if first == last else f"{day_words(first)} to {day_words(last)}"


def subtitle(trend: Trend) -> str:
    """How many results there are, and of when."""
    if trend.results:
        return f"{counted(len(trend.results), 'result of a closed sitting', 'results of closed sittings')}, {span_words(trend)}"
    if trend.not_counted:
        return f"No result; {counted(len(trend.not_counted), 'reading that did not count', 'readings that did not count')}"
    return "No result"


def limits_words(trend: Trend) -> str | None:
    """Whose limits are drawn, and of which values."""
    if not trend.limits:
        return None
    told = "; ".join(
        f"{letter}{each.title.replace(' ', NO_BREAK, 1)}"
        for letter, each in zip(letters(trend.limits), trend.limits, strict=True)
    )
    shown = "hypertension limits" if len(trend.limits) > 2 else "limits"
    values = "daytime" if trend.setting == "ambulatory" else trend.setting
    return f"Lines: {shown} for {values} values, as at the latest result. {told}."


def letters(limits: list[GuidelineLimits]) -> list[str]:
    """A letter and a space for each guideline; nothing where there is only one."""
    return [""] if len(limits) == 1 else [f"{chr(ord('A') + place)}{NO_BREAK}" for place in range(len(limits))]


def notes(trend: Trend) -> list[str]:
    """What is not drawn, in sentences."""
    told = []
    if not (trend.results or trend.not_counted or trend.left_out):
        told.append("There is no sitting to draw from.")
    if trend.left_out:
        told.append(f"Not drawn: {', '.join(counted(number, *LEFT_OUT[code]) for code, number in trend.left_out.items())}.")
    if trend.without_limits:
        told.append(f"No limits for this person and these values: {'; '.join(trend.without_limits)}.")
    if trend.is_cut:
        told.append("There are more sittings: only the newest are shown.")
    return told


def range_words(values: list[float]) -> str:
    """From the lowest to the highest; one value by itself."""
    low, high = min(values), max(values)
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def description(trend: Trend) -> str:
    """The picture in one sentence, for those who do not see it."""
    if not trend.results:
        return f"{subtitle(trend)} to draw." if not trend.not_counted else f"{subtitle(trend)}."
    systolic = range_words([point.systolic_mmhg for point in trend.results])
    diastolic = range_words([point.diastolic_mmhg for point in trend.results])
    latest = trend.results[-1]
    parts = [
        f"{subtitle(trend)}: systolic {systolic}, diastolic {diastolic} mmHg",
        f"the latest {latest.systolic_mmhg:g}/{latest.diastolic_mmhg:g} ({latest.setting})",
    ]
    if trend.limits:
        parts.append(f"with the limits of {' and '.join(each.title for each in trend.limits)}")
    if trend.treated:
        parts.append("with the time on treatment shaded")
    return f"{', '.join(parts)}."
