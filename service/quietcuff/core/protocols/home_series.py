"""A home series: sittings over days, the first day dropped, one mean of what is left. Source: the protocol's own."""

from __future__ import annotations

from datetime import timedelta

import msgspec

from quietcuff.core.findings.findings import find
from quietcuff.core.labels.classification import classify_each, reserve
from quietcuff.core.labels.judgement import Judgement, is_withheld, label_findings
from quietcuff.core.model.evaluation import Finding, FollowingStep, Plan, Result, Series
from quietcuff.core.protocols.series import (
    Pool,
    average,
    go_on,
    in_window,
    plan_readings,
    pool_readings,
    select_pool,
    too_few_finding,
    valid_share,
)
from quietcuff.core.record.note_line import POSITIONS, describe_cuff, describe_site
from quietcuff.core.rulebook.protocols import HomeSeries
from quietcuff.core.sitting.arms import Comparison
from quietcuff.core.sitting.attempts import Attempt, days_of
from quietcuff.core.sitting.selection import Selection, estimate
from quietcuff.core.sitting.severity import SevereSeen
from quietcuff.core.sitting.sitting import Sitting


def judge_home_series(sitting: Sitting, comparison: Comparison, series: HomeSeries, seen: SevereSeen) -> Judgement:
    """The mean of the days that are left; no result while there are too few days or readings."""
    pool = drop_days(sitting, series, pool_readings(sitting, comparison))
    selection = select_days(sitting, series, pool)
    result = estimate(selection.counted) if selection.counted else None
    reservations = reserve(sitting, comparison, selection, result, severe=bool(seen.severe))
    withheld = is_withheld(sitting, selection.counted)
    described = describe_days(sitting, pool, series)
    return Judgement(
        selection=selection,
        result=result,
        reservations=reservations,
        categories=classify_each(sitting, result, reservations.reasons, confirmed=seen.confirmed, withheld=withheld),
        selection_findings=day_findings(sitting, series, pool, selection),
        label_findings=label_findings(sitting, selection, result),
        plan=plan_days(sitting, comparison, series, selection),
        step=step_on(sitting, comparison, selection),
        line=None if result is None else describe_result(sitting, comparison, selection, result, described),
        series=described,
    )


def drop_days(sitting: Sitting, series: HomeSeries, pool: Pool) -> Pool:
    """The pool without its first day, where the protocol drops it, and without days after the series' span."""
    # The span counts from the first day with any reading, whether or not that day is then dropped.
    last = sitting.day + timedelta(days=series.span_days - 1)
    kept = [
        attempt
        for attempt in pool.arm
        if attempt.taken_at.date() <= last and not (series.first_day_dropped and attempt.taken_at.date() == sitting.day)
    ]
    return msgspec.structs.replace(pool, kept=kept)


def dropped_first(sitting: Sitting, pool: Pool) -> list[Attempt]:
    """The readings of the first day that are not kept."""
    return [attempt for attempt in pool.arm if attempt.taken_at.date() == sitting.day and attempt not in pool.kept]


def readings_left(series: HomeSeries) -> int:
    """Number of readings that the whole plan would leave."""
    return (series.planned_days - series.first_day_dropped) * series.sittings_a_day * series.readings_a_sitting


def select_days(sitting: Sitting, series: HomeSeries, pool: Pool) -> Selection:
    """The selection of a series: while open it goes on until its plan is fulfilled; once closed the minimum decides."""
    count, days = len(pool.kept), days_of(pool.kept)
    closed, planned = sitting.reading_set.closed, readings_left(series)
    missing = ["too-few-readings"] if count < series.minimum_readings else []
    missing += ["too-few-days"] if days < series.minimum_days else []
    enough = not missing if closed else count >= planned
    return select_pool(sitting, pool, enough=enough, missing=missing, remaining=planned - count)


def describe_days(sitting: Sitting, pool: Pool, series: HomeSeries) -> Series:
    """The days, and the means of mornings and evenings."""
    return Series(
        kind="home",
        days_used=days_of(pool.kept),
        days_dropped=days_of(pool.arm) - days_of(pool.kept),
        drop_rule="first-day" if series.first_day_dropped else "none",
        morning=average([attempt for attempt in pool.kept if in_window(attempt, series.morning)]),
        evening=average([attempt for attempt in pool.kept if in_window(attempt, series.evening)]),
        n=len(pool.kept),
        valid_share=valid_share(sitting, pool),
        windows="clock",
    )


def day_findings(sitting: Sitting, series: HomeSeries, pool: Pool, selection: Selection) -> list[Finding]:
    """Findings of too few readings or days, of the dropped first day and its effect, and of days that are too late."""
    book = sitting.rulebook
    count, days = len(pool.kept), days_of(pool.kept)
    findings = too_few_finding(sitting, selection, count, series.minimum_readings)
    if selection.state == "not-usable":
        found = f"{count} readings on {days} days, {series.minimum_readings} on {series.minimum_days} are needed"
        findings.append(find(book, "home-readings-too-few", list=found))
    first = dropped_first(sitting, pool)
    if first and pool.kept:
        with_all = average(pool.arm)
        mean = f"{with_all.systolic_mmhg}/{with_all.diastolic_mmhg}" if with_all is not None else ""
        findings.append(find(book, "first-day-dropped", count=len(first), mean=mean))
    if len(pool.arm) > len(pool.kept) + len(first):
        findings.append(find(book, "days-after-series", days=series.span_days))
    return findings


def plan_days(sitting: Sitting, comparison: Comparison, series: HomeSeries, selection: Selection) -> Plan:
    """Progress of the series, in readings."""
    planned = series.planned_days * series.sittings_a_day * series.readings_a_sitting
    return plan_readings(sitting, comparison, selection, planned, "home-series")


def step_on(sitting: Sitting, comparison: Comparison, selection: Selection) -> FollowingStep | None:
    """The step to go on with the series while there is not enough; None where the ordinary step applies."""
    return go_on(sitting, comparison, selection, "home-series", ("measure-out-of-office", "home-series"))


def describe_result(sitting: Sitting, comparison: Comparison, selection: Selection, result: Result, series: Series) -> str:
    """The sentence for the note.

    Example: 136/85, left arm, seated, adult cuff, mean of 24 readings on 6 days, the first day left out; home series.
    """
    dropped = ", the first day left out" if series.days_dropped and series.drop_rule == "first-day" else ""
    return (
        f"{result.systolic_mmhg}/{result.diastolic_mmhg}, {describe_site(comparison, result)}, {POSITIONS[result.position]}, "
        f"{describe_cuff(sitting, selection)}, mean of {series.n} readings on {series.days_used} days{dropped}; home series."
    )
