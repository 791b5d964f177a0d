"""Content of the picture of a person's pressures over time: results, readings not counted, limits and treated periods.

Nothing is decided here. Results, intervals and reasons come from the stored evaluations, limits from the rule files.
"""

from __future__ import annotations

from collections import Counter
from datetime import date, datetime

import msgspec

from quietcuff.analytics.limits import GuidelineLimits, SettingLimits, limits_elsewhere, limits_of
from quietcuff.analytics.trend_severity import severe_of_reading, severe_of_result
from quietcuff.core.model.evaluation import Evaluation, Interval
from quietcuff.core.model.fields import Setting
from quietcuff.core.model.readings import Facts, Reading
from quietcuff.core.over_visits.pooling import CurrentSitting
from quietcuff.core.rulebook.rulebook import Rulebook

MOST_NOT_COUNTED = 2000
TOLD_OF_NEWEST = ("values-changed", "newest-differs", "newest-outside-interval")


class ResultPoint(msgspec.Struct, frozen=True, kw_only=True):
    """Result of a closed sitting, at the local time of its last reading; for an ambulatory recording its daytime mean.

    ``severe`` names the severe pressures. ``told`` holds the messages of its findings about a change and about its interval.
    """

    at: datetime
    setting: Setting
    systolic_mmhg: float
    diastolic_mmhg: float
    interval_95: Interval | None
    severe: tuple[str, ...] = ()
    told: tuple[str, ...] = ()

    @property
    def is_outside(self) -> bool:
        """True if the result is outside its own interval."""
        both = self.interval_95
        if both is None:
            return False
        values = ((self.systolic_mmhg, both.systolic_mmhg), (self.diastolic_mmhg, both.diastolic_mmhg))
        return any(not low <= value <= high for value, (low, high) in values)


class NotCounted(msgspec.Struct, frozen=True, kw_only=True):
    """A reading of a closed sitting that did not count."""

    at: datetime
    systolic_mmhg: float
    diastolic_mmhg: float
    severe: tuple[str, ...] = ()


class Treated(msgspec.Struct, frozen=True, kw_only=True):
    """Days on treatment, both ends included; ``until`` is None if no later sitting says otherwise."""

    since: date
    until: date | None


class Trend(msgspec.Struct, frozen=True, kw_only=True):
    """Everything that is drawn, in the order of time. ``limits`` are for values of ``setting``, ``elsewhere`` holds those of
    other settings. ``left_out`` counts what is not drawn, by code. ``is_cut`` is True if there were more sittings."""

    results: list[ResultPoint]
    not_counted: list[NotCounted]
    limits: list[GuidelineLimits]
    without_limits: list[GuidelineLimits]
    setting: Setting
    elsewhere: list[SettingLimits]
    treated: list[Treated]
    changed_on: list[date]
    left_out: dict[str, int]
    is_cut: bool
    caution: str


def make_trend(
    stored: list[CurrentSitting], facts: Facts, book: Rulebook, guideline: str | None = None, *, is_cut: bool = False
) -> Trend:
    """The trend of a person's sittings, given in any order. ``guideline`` replaces the guidelines of the latest result."""
    stored = sorted(stored, key=lambda sitting: (last_moment(sitting), sitting.set_id))
    active = [sitting for sitting in stored if sitting.status == "active"]
    # A standing test measures something else on purpose; its readings beside seated results would look like a fall.
    shown = [sitting for sitting in active if sitting.closed and sitting.evaluation.orthostatic is None]
    with_result = [(sitting, point) for sitting in shown if (point := result_point(sitting, book)) is not None]
    latest = with_result[-1] if with_result else None
    limits, without = limits_of(latest[0], book, guideline) if latest is not None else ([], [])
    not_counted, left_out = readings_not_counted(shown, book)
    left_out.update(whole_sets_left_out(stored))
    return Trend(
        results=[point for _, point in with_result],
        not_counted=not_counted,
        limits=limits,
        without_limits=without,
        setting=latest[1].setting if latest is not None else "office",
        elsewhere=limits_elsewhere([sitting for sitting, _ in with_result], book, guideline),
        treated=treated_periods(active),
        changed_on=changes_of_treatment(active, facts),
        left_out={code: count for code, count in left_out.items() if count},
        is_cut=is_cut,
        caution=book.wording.caution["not-a-device"],
    )


def last_moment(sitting: CurrentSitting) -> datetime:
    """Time of the last reading."""
    return max(reading.taken_at for reading in sitting.reading_set.readings)


def local(moment: datetime) -> datetime:
    """Local clock time of a moment."""
    return moment.replace(tzinfo=None)


def result_point(sitting: CurrentSitting, book: Rulebook) -> ResultPoint | None:
    """The result as a point; None if there is no result."""
    result, series = sitting.evaluation.result, sitting.evaluation.series
    if result is None:
        return None
    shown = series.day if series is not None and series.day is not None else result
    return ResultPoint(
        at=local(result.taken_to),
        setting=sitting.reading_set.setting,
        systolic_mmhg=shown.systolic_mmhg,
        diastolic_mmhg=shown.diastolic_mmhg,
        interval_95=interval_of(sitting.evaluation),
        severe=severe_of_result(sitting, shown.systolic_mmhg, shown.diastolic_mmhg, book),
        told=tuple(finding.message for finding in sitting.evaluation.findings if finding.code in TOLD_OF_NEWEST),
    )


def interval_of(evaluation: Evaluation) -> Interval | None:
    """Interval of the usual pressure, which is the same for all guidelines."""
    return evaluation.certainty[0].interval_95 if evaluation.certainty else None


def readings_not_counted(shown: list[CurrentSitting], book: Rulebook) -> tuple[list[NotCounted], Counter[str]]:
    """Readings that did not count, in the order of time, and the number that cannot be drawn, by code."""
    found: list[NotCounted] = []
    left_out: Counter[str] = Counter()
    for sitting in shown:
        for outcome in sitting.evaluation.readings:
            reading = sitting.reading_set.readings[outcome.index]
            code = why_not_drawn(reading, outcome.reason)
            if code is not None:
                left_out[code] += 1
            elif not outcome.counts and reading.systolic_mmhg is not None and reading.diastolic_mmhg is not None:
                found.append(
                    NotCounted(
                        at=local(reading.taken_at),
                        systolic_mmhg=reading.systolic_mmhg,
                        diastolic_mmhg=reading.diastolic_mmhg,
                        severe=severe_of_reading(sitting, outcome.index, book),
                    )
                )
    found.sort(key=lambda each: each.at)
    # The newest are kept: a recording of years would make a picture too large to send and too dense to read.
    left_out["older-not-counted"] = max(0, len(found) - MOST_NOT_COUNTED)
    return found[-MOST_NOT_COUNTED:], left_out


def why_not_drawn(reading: Reading, reason: str | None) -> str | None:
    """Reason for not drawing a reading: voided, failed, or implausible. None if it is drawn."""
    if reading.voided or reason == "voided":
        return "voided"
    if reading.systolic_mmhg is None or reading.diastolic_mmhg is None:
        return "failed"
    return "implausible" if reason == "implausible" else None


def whole_sets_left_out(stored: list[CurrentSitting]) -> dict[str, int]:
    """Number of sets that are not drawn at all, by code."""
    active = [sitting for sitting in stored if sitting.status == "active"]
    return {
        "voided-set": len(stored) - len(active),
        "open-set": sum(not sitting.closed for sitting in active),
        "test-of-standing": sum(sitting.closed and sitting.evaluation.orthostatic is not None for sitting in active),
    }


def treated_periods(active: list[CurrentSitting]) -> list[Treated]:
    """Treated periods: from the first sitting with treatment, or the change that it names before, to the last one before a
    sitting without.

    Sittings that do not record treatment neither end nor extend a period. ``active`` is in the order of time.
    """
    periods: list[Treated] = []
    since: date | None = None
    last_yes: date | None = None
    last_no: date | None = None
    for sitting in active:
        subject, day = sitting.reading_set.subject, last_moment(sitting).date()
        changed = subject.treatment_changed_on
        if subject.antihypertensive_treatment == "yes":
            if since is None:
                # A change from before the last sitting without treatment belongs to an earlier period.
                began_before = changed is not None and changed <= day and (last_no is None or changed > last_no)
                since = changed if began_before and changed is not None else day
            last_yes = day
        elif subject.antihypertensive_treatment == "no":
            if since is not None and last_yes is not None:
                stopped = changed if changed is not None and last_yes < changed <= day else last_yes
                periods.append(Treated(since=since, until=stopped))
            since, last_no = None, day
    return [*periods, Treated(since=since, until=None)] if since is not None else periods


def changes_of_treatment(active: list[CurrentSitting], facts: Facts) -> list[date]:
    """Days on which treatment changed, from the sets and the registry."""
    said = {sitting.reading_set.subject.treatment_changed_on for sitting in active} | {facts.treatment_changed_on}
    return sorted(day for day in said if day is not None)
