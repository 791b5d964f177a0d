"""Placement without overlaps: labels beside limits, words in rows, days under an axis."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date, timedelta

STEPS = (
    *(("day", days) for days in (1, 2, 7, 14)),
    *(("month", months) for months in (1, 2, 3, 6)),
    *(("year", years) for years in (1, 2, 5, 10, 20, 50, 100)),
)


def push_apart(wanted: list[float], size: float, low: float, high: float) -> list[float]:
    """Centres of bars of equal size, within ``[low, high]``, without overlap and as close as possible to the wanted centres.

    ``wanted`` is in ascending order. Bars that meet move as one: 10, 11 and 40 with size 4 give 8.5, 12.5 and 40.
    """
    groups: list[tuple[float, list[float]]] = []
    for middle in wanted:
        bottom, members = middle - size / 2, [middle]
        while True:
            bottom = max(low, min(bottom, high - size * len(members)))
            if not groups or groups[-1][0] + size * len(groups[-1][1]) <= bottom:
                break
            members = groups.pop()[1] + members
            bottom = sum(each - size * place for place, each in enumerate(members)) / len(members) - size / 2
        groups.append((bottom, members))
    return [bottom + size * (place + 0.5) for bottom, members in groups for place in range(len(members))]


def place_in_rows(
    wanted: list[tuple[float, float]], low: float, high: float, rows: int, gap: float
) -> list[tuple[int, float] | None]:
    """Row and centre for each word ``(centre, width)``, within ``[low, high]``; None for a word that fits in no row."""
    taken: list[list[tuple[float, float]]] = [[] for _ in range(rows)]
    found: list[tuple[int, float] | None] = []
    for wanted_middle, width in wanted:
        middle = max(low + width / 2, min(wanted_middle, high - width / 2))
        start, end = middle - width / 2 - gap, middle + width / 2 + gap
        free = (row for row in range(rows) if all(end <= left or right <= start for left, right in taken[row]))
        row = next(free, None)
        if row is not None:
            taken[row].append((start + gap, end - gap))
        found.append(None if row is None else (row, middle))
    return found


def day_ticks(first: date, last: date, most: int, write: Callable[[str, date], str]) -> list[tuple[float, str]]:
    """At most ``most`` days at regular calendar steps, each as a day number and its label. The year is added where it changes.
    ``write`` writes a day, or the month or the year that it begins.

    The number of a single day is that of its noon; the number of a month or year is that of its beginning.
    """
    days: list[date] = []
    unit = "day"
    # From the finest step on: the first that gives few enough days shows the most of them.
    for unit, step in STEPS:
        days = list(days_of(unit, step, first, last))
        if len(days) <= most:
            break
    told: list[tuple[float, str]] = []
    year: int | None = None
    for day in days:
        own = write(unit, day)
        number = day.toordinal() + (0.5 if unit == "day" else 0.0)
        told.append((number, own if unit == "year" or day.year == year else f"{own}\n{day.year}"))
        year = day.year
    return told


def days_of(unit: str, step: int, first: date, last: date) -> Iterator[date]:
    """The days on which a step falls: every so many days (weeks begin on Monday), or the first days of months or years."""
    if unit == "day":
        # Day 1 of the calendar is a Monday, so that steps of 7 and 14 days fall on Mondays.
        start = first + timedelta(days=(1 - first.toordinal()) % step)
        yield from (start + timedelta(days=step * count) for count in range((last - start).days // step + 1))
        return
    months = step if unit == "month" else 12 * step
    number = -(-(12 * first.year + first.month - (first.day == 1)) // months) * months
    while 12 * first.year <= number and number // 12 <= last.year:
        day = date(number // 12, number % 12 + 1, 1)
        if day > last:
            return
        if day >= first:
            yield day
        number += months
