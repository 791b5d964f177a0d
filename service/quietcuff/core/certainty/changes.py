"""Visits since the last change of the usual pressure: the test for a change between visits, and the findings about it.

A change is one step or a steady drift of both pressures, the covariance of visits being known. Visit i gives xᵢ ~ N(μ, Vᵢ).
S is Σ (xᵢ - m)ᵀ Vᵢ⁻¹ (xᵢ - m) around the weighted mean m. A step before visit j gives Tⱼ = S - S before - S after. A straight
line in time gives what it takes off S. Each is chi-square with two degrees of freedom where nothing changed. The largest of all
is compared with a limit that allows for having tested all of them.
Source: [HINK70, DECISION].
"""

from __future__ import annotations

from datetime import date, timedelta
from math import sqrt

import msgspec

from quietcuff.core.certainty.beliefs import Matrix, added, applied, inverse, scaled
from quietcuff.core.certainty.visits import Circumstances, SittingMeasurement, visit_of
from quietcuff.core.findings.findings import find
from quietcuff.core.model.evaluation import Finding
from quietcuff.core.model.fields import mean_half_up
from quietcuff.core.model.readings import Facts
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.core.rulebook.variability import ChangeTest
from quietcuff.core.sitting.person import Person

Sums = tuple[Matrix, tuple[float, float], float]
TWO_SIDED_95 = 1.959963984540054
NOTHING: Sums = ((0.0, 0.0, 0.0), (0.0, 0.0), 0.0)


class Level(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One day's visit: its day as a number, its pressures in mmHg and their covariance."""

    day: int
    systolic: float
    diastolic: float
    covariance: Matrix


def visits_before_change(visits: list[Level], rules: ChangeTest, *, moving: bool) -> int:
    """Number of visits, in order of time, before the last change; 0 without a change.

    The visits after a change are tested again, with the limits for moving values. Their oldest visits are left out too while
    the newest value is outside the interval of them all: a moving pressure is where the newest visits are.
    """
    before = 0
    # After one change the pressure is known to move, so the limits for moving values apply to the rest.
    while cut := find_change(visits[before:], rules, moving=moving or before > 0):
        before += cut
    while before and newest_is_beyond(visits[before:]):
        before += 1
    return before


def newest_is_beyond(visits: list[Level]) -> bool:
    """True where a pressure of the newest visit is outside the 95 % interval of all visits, itself included.

    Never true of one visit.
    """
    precision, part, _ = sums_of(visits)
    covariance, newest = inverse(precision), visits[-1]
    mean = applied(covariance, *part)
    return abs(newest.systolic - mean[0]) > TWO_SIDED_95 * sqrt(covariance[0]) or abs(
        newest.diastolic - mean[1]
    ) > TWO_SIDED_95 * sqrt(covariance[2])


def find_change(visits: list[Level], rules: ChangeTest, *, moving: bool) -> int:
    """Place of the first visit after the clearest change, or 0.

    No change rests on one visit alone, except on the newest, or on a single first visit before all others. Without any one
    other visit the statistic must still reach the lower limit of two visits.

    160/95 against 140/85 by visits of variances 67 and 27.5 and covariance 20 gives 3.36: two visits need 5.99.
    """
    if len(visits) < 2:
        return 0
    limit, carried_from = rules.limit(len(visits), moving=moving), rules.limit(2, moving=True)
    parts = [part_of(visit) for visit in visits]
    # Clearest first; a clear step that one odd visit carries yields to the next one that stands without it.
    steps = sorted(zip(steps_of(parts, rules), range(1, len(visits)), strict=True), reverse=True)
    for statistic, place in steps:
        if statistic >= limit and is_carried(parts, place, carried_from, rules):
            return place
    if len(visits) > 2 and drift_of(visits, rules) >= limit:
        others = (visits[:left] + visits[left + 1 :] for left in range(len(visits) - 1))
        if len(visits) == 3 or all(drift_of(each, rules) >= carried_from for each in others):
            return steps[0][1]
    return 0


def steps_of(parts: list[Sums], rules: ChangeTest) -> list[float]:
    """Statistic of a step before each visit except the first."""
    # Sums are moved from one side to the other visit by visit, so that all places cost one pass.
    before, after = NOTHING, together(parts)
    whole = scatter(after)
    found = []
    for part in parts[:-1]:
        before, after = joined(before, part), joined(after, part, -1)
        apart = scatter(before) + scatter(after)
        found.append(weakened(whole - apart, apart, len(parts), rules))
    return found


def step_between(before: Sums, after: Sums, count: int, rules: ChangeTest) -> float:
    """Statistic of a step between two groups, ``count`` visits together."""
    apart = scatter(before) + scatter(after)
    return weakened(scatter(joined(before, after)) - apart, apart, count, rules)


def is_carried(parts: list[Sums], place: int, limit: float, rules: ChangeTest) -> bool:
    """True where a step is still seen without any one visit that is not alone on its side; the newest always stays."""
    before, after, count = together(parts[:place]), together(parts[place:]), len(parts) - 1
    return (
        place == 1 or all(step_between(joined(before, part, -1), after, count, rules) >= limit for part in parts[:place])
    ) and all(step_between(before, joined(after, part, -1), count, rules) >= limit for part in parts[place:-1])


def drift_of(visits: list[Level], rules: ChangeTest) -> float:
    """The statistic of a straight line in time."""
    first = visits[0].day
    level = moved = turned = (0.0, 0.0, 0.0)
    here = (0.0, 0.0)
    for visit in visits:
        precision, days = inverse(visit.covariance), visit.day - first
        part = applied(precision, visit.systolic, visit.diastolic)
        level, moved = added(level, precision), added(moved, scaled(precision, days))
        turned = added(turned, scaled(precision, days * days))
        here = here[0] + days * part[0], here[1] + days * part[1]
    total = sums_of(visits)
    mean = applied(inverse(level), *total[1])
    expected = applied(moved, *mean)
    slope = here[0] - expected[0], here[1] - expected[1]
    known = added(turned, scaled(sandwiched(moved, inverse(level)), -1))
    step = applied(inverse(known), *slope)
    gained = slope[0] * step[0] + slope[1] * step[1]
    return weakened(gained, scatter(total) - gained, len(visits), rules)


def weakened(statistic: float, left: float, count: int, rules: ChangeTest) -> float:
    """A statistic divided by the ratio of remaining scatter to expected scatter, where there are visits enough."""
    if count < rules.scatter_from_visits:
        return statistic
    # Never multiplied: visits that agree better than expected do not make a change clearer.
    return statistic / max(1.0, left / (2 * (count - 2)))


def sums_of(visits: list[Level]) -> Sums:
    """Precision, precision times value, and value times that, summed over visits."""
    return together([part_of(visit) for visit in visits])


def part_of(visit: Level) -> Sums:
    """What one visit adds to these sums."""
    precision, systolic, diastolic = inverse(visit.covariance), visit.systolic, visit.diastolic
    along, across = applied(precision, systolic, diastolic)
    return precision, (along, across), systolic * along + diastolic * across


def together(parts: list[Sums]) -> Sums:
    """The sums of groups of visits together."""
    total = NOTHING
    for part in parts:
        total = joined(total, part)
    return total


def joined(one: Sums, other: Sums, times: int = 1) -> Sums:
    """The sums of two groups of visits together, or, times -1, of one without the other."""
    (first, both, second), (along, across), square = one
    (more, beside, below), (further, aside), squares = other
    return (
        (first + times * more, both + times * beside, second + times * below),
        (along + times * further, across + times * aside),
        square + times * squares,
    )


def scatter(sums: Sums) -> float:
    """S, around the weighted mean."""
    precision, (along, across), square = sums
    first, both, second = inverse(precision)
    left = square - along * (first * along + both * across) - across * (both * along + second * across)
    return left if left > 0 else 0.0


def sandwiched(outer: Matrix, inner: Matrix) -> Matrix:
    """outer · inner · outer."""
    first, second = applied(inner, outer[0], outer[1]), applied(inner, outer[1], outer[2])
    return (
        outer[0] * first[0] + outer[1] * first[1],
        outer[0] * second[0] + outer[1] * second[1],
        outer[1] * second[0] + outer[2] * second[1],
    )


class PressureChange(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The last change found: the day of the first visit after it, how many visits came before and after, and their means."""

    since: date
    visits_before: int
    visits_after: int
    before: tuple[int, int]
    after: tuple[int, int]

    @property
    def rests_on_newest(self) -> bool:
        """True where the newest visit is the only one after the change."""
        return self.visits_after == 1


class Kept(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The earlier sittings that count beside the newest one, and the change before them, if any."""

    earlier: list[SittingMeasurement]
    change: PressureChange | None


def is_moving(facts: Facts, person: Person, day: date, book: Rulebook) -> bool:
    """True where values are expected to move: in pregnancy, after birth, or soon after a change of treatment."""
    changed, window = facts.treatment_changed_on, timedelta(days=book.variability.visits.window_days)
    return person.expecting or (changed is not None and day - window < changed <= day)


def keep_since_change(
    earlier: list[SittingMeasurement], now: SittingMeasurement, at: Circumstances, book: Rulebook, *, moving: bool
) -> Kept:
    """The earlier sittings since the last change; ``now`` is the newest, the order of the others does not matter."""
    # One visit alone has changed from nothing.
    if not earlier:
        return Kept(earlier=earlier, change=None)
    by_day: dict[date, list[SittingMeasurement]] = {}
    for each in [*earlier, now]:
        # Earlier goes by the instant: an earlier sitting in another time zone can have the later local date.
        by_day.setdefault(min(each.day, now.day), []).append(each)
    days = sorted(by_day)
    visits = [visit_of(by_day[day], at, book.variability) for day in days]
    levels = [
        Level(day=day.toordinal(), systolic=visit.systolic, diastolic=visit.diastolic, covariance=visit.covariance)
        for day, visit in zip(days, visits, strict=True)
    ]
    before = visits_before_change(levels, book.drift, moving=moving)
    if not before:
        return Kept(earlier=earlier, change=None)
    change = PressureChange(
        since=days[before],
        visits_before=before,
        visits_after=len(days) - before,
        before=mean_of(levels[:before]),
        after=mean_of(levels[before:]),
    )
    return Kept(earlier=[each for each in earlier if min(each.day, now.day) >= change.since], change=change)


def mean_of(levels: list[Level]) -> tuple[int, int]:
    """The plain mean of visits, to whole mmHg: a figure to show, from which nothing is computed."""
    systolic = [round(100 * level.systolic) for level in levels]
    diastolic = [round(100 * level.diastolic) for level in levels]
    return mean_half_up(systolic), mean_half_up(diastolic)


def change_findings(change: PressureChange | None, book: Rulebook) -> list[Finding]:
    """Findings about a change: that values changed, or that the newest visit alone differs."""
    if change is None:
        return []
    code = "newest-differs" if change.rests_on_newest else "values-changed"
    count = "1 visit" if change.visits_before == 1 else f"{change.visits_before} visits"
    before, after = (f"{systolic}/{diastolic}" for systolic, diastolic in (change.before, change.after))
    return [find(book, code, count=count, day=change.since.isoformat(), before=before, after=after)]
