"""Visits since the last change of the usual pressure, and the findings about that change."""

from __future__ import annotations

from datetime import date, timedelta

import msgspec

from quietcuff.core.certainty.change_test import Level, visits_before_change
from quietcuff.core.certainty.visits import Circumstances, SittingMeasurement, visit_of
from quietcuff.core.findings.findings import find
from quietcuff.core.model.evaluation import Finding, Interval
from quietcuff.core.model.fields import mean_half_up
from quietcuff.core.model.readings import Facts
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.core.sitting.person import Person


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


def outside_findings(
    interval: Interval, newest: tuple[float, float], earlier_visits: int, prior: str, book: Rulebook
) -> list[Finding]:
    """Finding where the newest value is outside the interval, with the other things that the interval rests on."""
    ends = (interval.systolic_mmhg, interval.diastolic_mmhg)
    outside = [
        name
        for name, value, (low, high) in zip(("systolic", "diastolic"), newest, ends, strict=True)
        if not low <= value <= high
    ]
    if not outside:
        return []
    grounds = []
    if earlier_visits:
        grounds.append("1 earlier visit" if earlier_visits == 1 else f"{earlier_visits} earlier visits")
    if prior != "none":
        grounds.append("what is known of people before measuring")
    # Neither visits nor a prior moved the interval, so only the correction for chosen readings can have.
    if not grounds:
        grounds.append("a correction for how the readings were chosen")
    return [find(book, "newest-outside-interval", pressure=" and ".join(outside), grounds=" and ".join(grounds))]
