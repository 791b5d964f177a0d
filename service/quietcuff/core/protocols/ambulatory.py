"""An ambulatory recording: day and night by sleep times or by the clock, its validity, its means and its dipping.

Every reading weighs the same in a mean. Source: [OBR13, HCAMB] by the protocol.
"""

from __future__ import annotations

import msgspec

from quietcuff.core.findings.findings import find
from quietcuff.core.labels.classification import reserve
from quietcuff.core.labels.judgement import Judgement, guideline_findings, is_withheld
from quietcuff.core.labels.parts import Means, classify_recording, part_categories, part_findings
from quietcuff.core.model.evaluation import Finding, FollowingStep, PartMean, Plan, Result, Series
from quietcuff.core.model.fields import four_decimals_half_even
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
from quietcuff.core.record.note_line import describe_cuff, describe_site
from quietcuff.core.rulebook.protocols import DippingClass, Recording
from quietcuff.core.sitting.arms import Comparison
from quietcuff.core.sitting.attempts import Attempt
from quietcuff.core.sitting.selection import Selection, estimate
from quietcuff.core.sitting.severity import SevereSeen
from quietcuff.core.sitting.sitting import Sitting


class DayAndNight(msgspec.Struct, frozen=True, kw_only=True):
    """The readings by day and by night; with clock windows the hours between belong to neither."""

    day: list[Attempt]
    night: list[Attempt]


def judge_recording(sitting: Sitting, comparison: Comparison, recording: Recording, seen: SevereSeen) -> Judgement:
    """The means of 24 hours, day and night, and the categories of those that are classified."""
    pool = pool_readings(sitting, comparison)
    halves = split(sitting, recording, pool)
    if recording.pools == "day":
        pool = msgspec.structs.replace(pool, kept=halves.day)
    share = valid_share(sitting, pool)
    selection = select_recording(sitting, recording, pool, halves, share)
    result = estimate(selection.counted) if selection.counted else None
    reservations = reserve(sitting, comparison, selection, result, severe=bool(seen.severe))
    means = average_parts(recording, pool, halves)
    classified = {} if result is None or is_withheld(sitting, selection.counted) else means
    series = describe_recording(sitting, recording, pool, means, share)
    return Judgement(
        selection=selection,
        result=result,
        reservations=reservations,
        categories=[
            classify_recording(sitting, guideline, classified, reservations.reasons) for guideline in sitting.guidelines
        ],
        selection_findings=validity_findings(sitting, recording, selection, halves, share),
        label_findings=guideline_findings(sitting)
        + part_findings(sitting, classified)
        + dipping_findings(sitting, series if result is not None else None),
        plan=plan_recording(sitting, comparison, recording, selection),
        step=step_on(sitting, comparison, selection),
        line=None if result is None else describe_result(sitting, comparison, selection, result, series),
        series=msgspec.structs.replace(series, parts=part_categories(sitting.applicable, classified)),
    )


def split(sitting: Sitting, recording: Recording, pool: Pool) -> DayAndNight:
    """Day and night by the person's own sleep times where they are given, else by the clock's windows."""
    sleep = sitting.reading_set.sleep
    if sleep:
        asleep = [any(rest.asleep_at <= a.taken_at < rest.awake_at for rest in sleep) for a in pool.arm]
        return DayAndNight(
            day=[attempt for attempt, rests in zip(pool.arm, asleep, strict=True) if not rests],
            night=[attempt for attempt, rests in zip(pool.arm, asleep, strict=True) if rests],
        )
    return DayAndNight(
        day=[attempt for attempt in pool.arm if in_window(attempt, recording.day)],
        night=[attempt for attempt in pool.arm if in_window(attempt, recording.night)],
    )


def select_recording(sitting: Sitting, recording: Recording, pool: Pool, halves: DayAndNight, share: float) -> Selection:
    """The selection of a recording: once numbers and share of valid readings suffice, every valid reading counts."""
    short_day = max(recording.minimum_day - len(halves.day), 0)
    short_night = max(recording.minimum_night - len(halves.night), 0)
    missing = ["too-few-readings"] if short_day or short_night else []
    missing += ["too-few-valid"] if share < recording.minimum_valid_share else []
    return select_pool(sitting, pool, enough=not missing, missing=missing, remaining=short_day + short_night)


def average_parts(recording: Recording, pool: Pool, halves: DayAndNight) -> Means:
    """The means of the parts that have enough readings; of the whole only where both halves have."""
    day = average(halves.day, recording.minimum_day)
    night = average(halves.night, recording.minimum_night)
    enough = (recording.minimum_dipping_day, recording.minimum_dipping_night)
    # A mean of 24 hours with most of a night missing could be too high.
    whole = len(halves.day) >= enough[0] and len(halves.night) >= enough[1]
    means: dict[str, PartMean | None] = {"hours-24": average(pool.arm) if whole else None, "day": day, "night": night}
    return {part: mean for part, mean in means.items() if mean is not None}


def describe_recording(sitting: Sitting, recording: Recording, pool: Pool, means: Means, share: float) -> Series:
    """The recording in figures."""
    dip = dipping_percent(means) if "hours-24" in means else None
    return Series(
        kind="ambulatory",
        days_used=len({attempt.taken_at.date() for attempt in pool.arm}),
        days_dropped=0,
        drop_rule="none",
        day=means.get("day"),
        night=means.get("night"),
        hours_24=means.get("hours-24"),
        n=len(pool.kept),
        valid_share=share,
        windows="sleep-times" if sitting.reading_set.sleep else "clock",
        dipping_percent=dip,
        dipping=None if dip is None else dipping_class(recording.dipping, dip).name,
    )


def dipping_percent(means: Means) -> float | None:
    """Fall of the systolic mean from day to night, in per cent of the day's, to two decimals; negative for a rise.

    142 by day and 124 by night: 12.68. Source: [OBR13].
    """
    day, night = means.get("day"), means.get("night")
    if day is None or night is None:
        return None
    return four_decimals_half_even(round(100 * (day.systolic_mean_mmhg - night.systolic_mean_mmhg) / day.systolic_mean_mmhg, 2))


def dipping_class(classes: list[DippingClass], percent: float) -> DippingClass:
    """The highest class that a percentage reaches. Source: [OBR13]: 10 and 20 are normal."""
    reached = classes[0]
    for each in classes[1:]:
        if each.percent is not None and (percent > each.percent or (percent == each.percent and each.edge == "at-or-above")):
            reached = each
    return reached


def dipping_findings(sitting: Sitting, series: Series | None) -> list[Finding]:
    """Finding of a fall by night that is not the usual one."""
    if series is None or series.dipping in (None, "normal"):
        return []
    return [find(sitting.rulebook, f"dipping-{series.dipping}", percent=f"{series.dipping_percent:g}")]


def validity_findings(
    sitting: Sitting, recording: Recording, selection: Selection, halves: DayAndNight, share: float
) -> list[Finding]:
    """Findings of a closed recording that is not valid."""
    if selection.state != "not-usable":
        return []
    needed = recording.minimum_day + recording.minimum_night
    usable_here = min(len(halves.day), recording.minimum_day) + min(len(halves.night), recording.minimum_night)
    findings = too_few_finding(sitting, selection, usable_here, needed)
    found = (
        f"{len(halves.day)} by day ({recording.minimum_day}), {len(halves.night)} by night ({recording.minimum_night}), "
        f"{100 * share:.0f} % of attempts valid ({100 * recording.minimum_valid_share:.0f} %)"
    )
    return [*findings, find(sitting.rulebook, "ambulatory-not-valid", list=found)]


def plan_recording(sitting: Sitting, comparison: Comparison, recording: Recording, selection: Selection) -> Plan:
    """Progress of the recording towards being valid, in readings."""
    planned = recording.minimum_day + recording.minimum_night
    return plan_readings(sitting, comparison, selection, planned, "ambulatory-recording")


def step_on(sitting: Sitting, comparison: Comparison, selection: Selection) -> FollowingStep | None:
    """The step to go on with the recording or to repeat it; None where it is valid and the ordinary step applies."""
    return go_on(sitting, comparison, selection, "recording-goes-on", ("repeat-another-day", "repeat-recording"))


def describe_result(sitting: Sitting, comparison: Comparison, selection: Selection, result: Result, series: Series) -> str:
    """The sentence for the note.

    Example: 134/84 over 24 hours, left arm, adult cuff, 60 readings; day 138/87 (40), night 122/75 (14); ambulatory.
    """
    parts = [
        f"{name} {mean.systolic_mmhg}/{mean.diastolic_mmhg} ({mean.readings})"
        for name, mean in (("day", series.day), ("night", series.night))
        if mean is not None
    ]
    parts += [] if series.dipping_percent is None else [f"dip {series.dipping_percent:g} %"]
    whole = "over 24 hours" if series.n > (series.day.readings if series.day is not None else 0) else "by day"
    return (
        f"{result.systolic_mmhg}/{result.diastolic_mmhg} {whole}, {describe_site(comparison, result)}, "
        f"{describe_cuff(sitting, selection)}, {series.n} readings; {', '.join(parts)}; ambulatory."
    )
