"""Values from outside the office over a window of days: the newest valid home series and the newest valid recording.

Single home sittings are joined into one series and judged by the home protocol's own rules, as if they had been sent together.
It has at most that protocol's span of days and ends on the newest day with which it is valid.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Literal, cast

import msgspec

from quietcuff.core.labels.judgement import Judgement
from quietcuff.core.labels.parts import Means
from quietcuff.core.model.evaluation import FollowingStep, Result, RuleReference, Series
from quietcuff.core.model.fields import Setting
from quietcuff.core.model.history import HistorySitting
from quietcuff.core.model.readings import Context, Reading, ReadingSet
from quietcuff.core.over_visits.history import remember
from quietcuff.core.over_visits.pooling import CurrentSitting
from quietcuff.core.over_visits.result import Lacking, LeftOut
from quietcuff.core.protocols.home_series import judge_home_series
from quietcuff.core.rulebook.protocols import HomeSeries
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.core.sitting.arms import compare_arms
from quietcuff.core.sitting.severity import see_severe
from quietcuff.core.sitting.sitting import describe_sitting

HOME_PROTOCOL = "home-seven-day"
NOT_ENOUGH = ("home-readings-too-few", "ambulatory-not-valid", "too-few-readings")


class OutsideSeries(msgspec.Struct, frozen=True, kw_only=True):
    """One valid series or recording, its sets and its remembered form. ``reasons`` count against any label of it."""

    result: Result
    series: Series
    sets: list[str]
    made_of: Literal["single-sittings", "whole-series"]
    protocol: RuleReference
    remembered: HistorySitting
    reasons: list[str]

    @property
    def means(self) -> Means:
        """The means of the parts of a recording that have one."""
        series = self.series
        means = {"hours-24": series.hours_24, "day": series.day, "night": series.night}
        return {part: mean for part, mean in means.items() if mean is not None}


class Choice(msgspec.Struct, frozen=True, kw_only=True):
    """The chosen value, else what is lacking; the reason of each set left out; and the step of an unfinished series."""

    value: OutsideSeries | None
    lacking: Lacking | None
    left_out: list[LeftOut]
    step: FollowingStep | None = None


def choose_home(sittings: list[CurrentSitting], rulebook: Rulebook) -> Choice:
    """The newest valid home series; ``sittings`` may be pooled and are in order of time."""
    singles = [sitting for sitting in sittings if sitting.is_single_at_home]
    whole = [value_of_stored(sitting, rulebook) for sitting in sittings if not sitting.is_single_at_home]
    newest = judge_together(up_to(singles, last_day(singles), rulebook), rulebook) if singles else None
    made = newest_series(singles, rulebook)
    values = [value for value in (*whole, made) if value is not None]
    # Where two end at the same time the sets' ids decide, so that the answer is always the same.
    ruling = max(values, key=lambda value: (value.result.taken_to, value.sets), default=None)
    lacking = None if ruling is not None or newest is None else what_is_lacking(newest)
    other = "not-part-of-series" if ruling is not None else "home-readings-too-few"
    return Choice(
        value=ruling,
        lacking=lacking,
        left_out=others(sittings, ruling, other),
        step=None if newest is None or newest.result is not None else newest.step,
    )


def choose_recording(sittings: list[CurrentSitting], rulebook: Rulebook) -> Choice:
    """The newest valid ambulatory recording; ``sittings`` may be pooled and are in order of time."""
    values = [value for sitting in sittings if (value := value_of_stored(sitting, rulebook)) is not None]
    ruling = max(values, key=lambda value: (value.result.taken_to, value.sets), default=None)
    return Choice(value=ruling, lacking=None, left_out=others(sittings, ruling, "newer-recording-rules"))


def others(sittings: list[CurrentSitting], ruling: OutsideSeries | None, because: str) -> list[LeftOut]:
    """The sets that are not part of the chosen value, each with the reason."""
    used = ruling.sets if ruling is not None else []
    return [LeftOut(set=sitting.set_id, because=because) for sitting in sittings if sitting.set_id not in used]


def value_of_stored(sitting: CurrentSitting, rulebook: Rulebook) -> OutsideSeries | None:
    """A whole series or a recording as it was stored, or None where it gave no result."""
    evaluation = sitting.evaluation
    remembered = remember(sitting.reading_set, evaluation, rulebook).sitting
    if evaluation.result is None or evaluation.series is None or remembered is None:
        return None
    return OutsideSeries(
        result=evaluation.result,
        series=evaluation.series,
        sets=[sitting.set_id],
        made_of="whole-series",
        protocol=evaluation.protocol,
        remembered=remembered,
        reasons=[reason for reason in remembered.provisional_because if reason not in ("no-category", "age-not-recorded")],
    )


def newest_series(singles: list[CurrentSitting], rulebook: Rulebook) -> OutsideSeries | None:
    """The newest single home sittings that make a valid series: those up to the newest day, else up to an earlier one."""
    # From the newest day back: an unfinished new week must not hide the valid series before it.
    for day in sorted({sitting.day for sitting in singles}, reverse=True):
        together = up_to(singles, day, rulebook)
        # Judging is costly; counting days and readings first spares it for days that cannot be enough.
        if not may_be_enough(together, rulebook):
            continue
        judged = judge_together(together, rulebook)
        if judged.result is not None and judged.series is not None:
            return value_of_made(together, judged, judged.result, judged.series, rulebook)
    return None


def home_rules(rulebook: Rulebook) -> HomeSeries:
    """The rules of a home series."""
    return cast(HomeSeries, rulebook.protocols[HOME_PROTOCOL].series)


def up_to(singles: list[CurrentSitting], day: date, rulebook: Rulebook) -> list[CurrentSitting]:
    """The single sittings of the protocol's span of days that ends with ``day``."""
    earliest = day - timedelta(days=home_rules(rulebook).span_days - 1)
    return [sitting for sitting in singles if earliest <= sitting.day <= day]


def may_be_enough(together: list[CurrentSitting], rulebook: Rulebook) -> bool:
    """True where there are enough days and readings for a series at all, before any of them is judged."""
    rules = home_rules(rulebook)
    days = {sitting.day for sitting in together}
    readings = sum(len(sitting.reading_set.readings) for sitting in together)
    return len(days) >= rules.minimum_days + rules.first_day_dropped and readings >= rules.minimum_readings


def judge_together(together: list[CurrentSitting], rulebook: Rulebook) -> Judgement:
    """Single home sittings as one closed series, each reading with its own sitting's cuff and device."""
    newest = together[-1].reading_set
    palpated = any(sitting.reading_set.context.pulse_palpated == "irregular" for sitting in together)
    merged = ReadingSet(
        subject=newest.subject,
        setting="home",
        attendance=newest.attendance,
        protocol=HOME_PROTOCOL,
        guidelines=newest.guidelines,
        context=Context(pulse_palpated="irregular" if palpated else "not-recorded"),
        readings=[
            own_equipment(reading, sitting.reading_set) for sitting in together for reading in sitting.reading_set.readings
        ],
        intake=newest.intake,
    )
    described = describe_sitting(merged, None, rulebook)
    return judge_home_series(described, compare_arms(described), home_rules(rulebook), see_severe(described))


def own_equipment(reading: Reading, reading_set: ReadingSet) -> Reading:
    """A reading with the cuff and the device that its set names for all."""
    device, cuff = reading.device or reading_set.device, reading.cuff or reading_set.cuff
    return msgspec.structs.replace(reading, device=device, cuff=cuff)


def value_of_made(
    together: list[CurrentSitting], judged: Judgement, result: Result, series: Series, rulebook: Rulebook
) -> OutsideSeries:
    """A series made of single sittings, remembered in the same form as one that was sent whole."""
    protocol, newest = rulebook.protocols[HOME_PROTOCOL], together[-1].reading_set
    reasons = judged.reservations.reasons
    return OutsideSeries(
        result=result,
        series=series,
        sets=[sitting.set_id for sitting in together],
        made_of="single-sittings",
        protocol=RuleReference(id=protocol.id, version=protocol.version, digest=rulebook.digests[protocol.id]),
        remembered=HistorySitting(
            taken_from=result.taken_from,
            setting="home",
            attendance=newest.attendance,
            position=result.position,
            site=result.site,
            systolic_mmhg=round(result.systolic_mean_mmhg, 2),
            diastolic_mmhg=round(result.diastolic_mean_mmhg, 2),
            readings_counted=result.readings_counted,
            value_rule=protocol.counts,
            days=series.days_used,
            provisional_because=reasons,
        ),
        reasons=reasons,
    )


def last_day(sittings: list[CurrentSitting]) -> date:
    """The newest local day of sittings; there is at least one."""
    return max(sitting.day for sitting in sittings)


def what_is_lacking(newest: Judgement) -> Lacking:
    """The part of a series that the newest single sittings together lack."""
    told = next((each.message for each in newest.selection_findings if each.code == "home-readings-too-few"), None)
    return Lacking(setting="home", because=newest.selection.blocked_by, message=told)


def lacking_in(setting: Setting, stored: list[CurrentSitting], left_out: list[LeftOut]) -> Lacking:
    """The reason why a setting has no pooled value: what blocks its newest active set, else why that set is left out."""
    here = [sitting for sitting in stored if sitting.reading_set.setting == setting]
    if not here:
        return Lacking(setting=setting, because=["none-stored"], message=None)
    newest = next((sitting for sitting in reversed(here) if sitting.status == "active"), here[-1])
    evaluation = newest.evaluation
    if newest.status == "active" and newest.closed and evaluation.blocked_by:
        found = {finding.code: finding.message for finding in reversed(evaluation.findings)}
        told = next((found[code] for code in NOT_ENOUGH if code in found), None)
        return Lacking(setting=setting, because=evaluation.blocked_by, message=told)
    return Lacking(setting=setting, because=[each.because for each in left_out if each.set == newest.set_id], message=None)
