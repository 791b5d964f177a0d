"""Standing up: a lying or seated baseline, the falls of the standing readings from it, and their findings.

Source: [SHAW17, FREE11] for 20/10 within three minutes; the protocol's own for the rest.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Literal

import msgspec

from quietcuff.core.findings.findings import find
from quietcuff.core.model.evaluation import Baseline, Drop, Finding, Orthostatic
from quietcuff.core.model.fields import four_decimals_half_even
from quietcuff.core.rulebook.protocols import StandingTest
from quietcuff.core.rulebook.rulebook import Edge
from quietcuff.core.sitting.arms import Comparison
from quietcuff.core.sitting.attempts import Attempt
from quietcuff.core.sitting.person import low_systolic
from quietcuff.core.sitting.selection import choose_method, estimate
from quietcuff.core.sitting.sitting import Sitting


class Fall(msgspec.Struct, frozen=True, kw_only=True):
    """One standing reading against the baseline, in mmHg; ``in_time`` where it is early enough to count."""

    attempt: Attempt
    stood: timedelta
    minutes: float
    in_time: bool
    systolic_mmhg: float
    diastolic_mmhg: float

    def reaches(self, edge: Edge) -> bool:
        """True where either pressure falls by at least as much."""
        return self.systolic_mmhg >= edge.systolic_mmhg or self.diastolic_mmhg >= edge.diastolic_mmhg


class Trial(msgspec.Struct, frozen=True, kw_only=True):
    """The valid readings of one arm and method: the baseline, what went before it, the standing readings and their falls."""

    here: list[Attempt]
    arm: list[Attempt]
    method: str
    baseline: list[Attempt]
    standing: list[Attempt]
    falls: list[Fall]
    is_timed: bool

    @property
    def in_time(self) -> list[Fall]:
        """The falls that count."""
        return [fall for fall in self.falls if fall.in_time]


def describe_trial(sitting: Sitting, comparison: Comparison, test: StandingTest) -> Trial:
    """The trial, with the last readings in one position before the first standing one as its baseline.

    Readings in other positions before it do not count.
    """
    here = [attempt for attempt in sitting.valid if attempt.site == comparison.result_site]
    method = choose_method(sitting, here)
    arm = [attempt for attempt in here if attempt.method == method and attempt.reading.position != "not-recorded"]
    before: list[Attempt] = []
    for attempt in arm:
        if attempt.reading.position == "standing":
            break
        before.append(attempt)
    baseline = [attempt for attempt in before if attempt.reading.position == before[-1].reading.position]
    baseline = baseline[-test.baseline_readings :]
    standing = [attempt for attempt in arm[len(before) :] if attempt.reading.position == "standing"] if baseline else []
    return Trial(
        here=here,
        arm=arm,
        method=method,
        baseline=baseline,
        standing=standing,
        falls=[measure_fall(attempt, baseline, test) for attempt in standing],
        is_timed=all(stood_at(attempt) is not None for attempt in standing),
    )


def stood_at(attempt: Attempt) -> datetime | None:
    """The moment of standing up, where it is recorded and not after the reading."""
    moment = attempt.reading.stood_at
    return moment if moment is not None and moment <= attempt.taken_at else None


def measure_fall(attempt: Attempt, baseline: list[Attempt], test: StandingTest) -> Fall:
    """The baseline's mean minus a standing reading.

    Without the moment of standing, the time since then is the longest that it can have been.
    """
    # The longest possible time is the careful one: a late reading is never taken for one in time.
    since = stood_at(attempt) or baseline[-1].taken_at
    stood = attempt.taken_at - since
    latest = timedelta(minutes=test.within_minutes, seconds=test.late_seconds)
    count = len(baseline)
    return Fall(
        attempt=attempt,
        stood=stood,
        minutes=four_decimals_half_even(round(stood / timedelta(minutes=1), 1)),
        in_time=stood <= latest,
        systolic_mmhg=four_decimals_half_even(
            (sum(each.systolic for each in baseline) - count * attempt.systolic) / (100 * count)
        ),
        diastolic_mmhg=four_decimals_half_even(
            (sum(each.diastolic for each in baseline) - count * attempt.diastolic) / (100 * count)
        ),
    )


def endangered(sitting: Sitting, baseline: Baseline | None) -> list[Attempt]:
    """Standing readings that are low, or so far below the baseline that the person must sit or lie down first."""
    test = sitting.protocol.standing
    if test is None:
        return []
    limit = low_systolic(sitting.person, sitting.limits)
    if baseline is not None:
        limit = max(limit, baseline.systolic_mmhg - test.danger_drop_mmhg + 0.005)
    return [
        attempt
        for attempt in sitting.attempts
        if attempt.sound and attempt.reading.position == "standing" and attempt.systolic < 100 * limit
    ]


def report_trial(trial: Trial) -> Orthostatic:
    """The test in the form of the answer."""
    result = estimate(trial.baseline) if trial.baseline else None
    return Orthostatic(
        baseline=None
        if result is None
        else Baseline(
            systolic_mmhg=result.systolic_mean_mmhg,
            diastolic_mmhg=result.diastolic_mean_mmhg,
            readings=result.readings_counted,
        ),
        drops=[
            Drop(minutes=fall.minutes, systolic_mmhg=fall.systolic_mmhg, diastolic_mmhg=fall.diastolic_mmhg)
            for fall in trial.falls
        ],
        position_before=position_before(trial),
    )


def position_before(trial: Trial) -> Literal["sitting", "supine"] | None:
    """Seated or lying; None without a baseline."""
    if not trial.baseline:
        return None
    return "supine" if trial.baseline[0].reading.position == "supine" else "sitting"


def moments_left(test: StandingTest, trial: Trial) -> list[float]:
    """The planned minutes after standing at which a reading is still due.

    A reading within half a minute of a moment is that moment's reading.
    """
    if not trial.falls:
        return test.minutes
    latest = trial.falls[-1].minutes
    return [moment for moment in test.minutes if moment > latest + 0.5]


def trial_findings(sitting: Sitting, trial: Trial) -> list[Finding]:
    """Findings where the moment of standing up is not known."""
    return [] if trial.is_timed else [find(sitting.rulebook, "stood-at-not-recorded")]


def fall_findings(sitting: Sitting, test: StandingTest, trial: Trial) -> list[Finding]:
    """Findings of the falls, each once, at the reading that shows it most."""
    told = falls_in_time(test, trial) + early_and_late(test, trial) + rises(test, trial)
    return [
        find(
            sitting.rulebook,
            code,
            fall.attempt.index,
            systolic=f"{abs(fall.systolic_mmhg):g}",
            diastolic=f"{fall.diastolic_mmhg:g}",
            minutes=f"{fall.minutes:g}",
        )
        for code, fall in told
    ]


def falls_in_time(test: StandingTest, trial: Trial) -> list[tuple[str, Fall]]:
    """Falls within three minutes. Source: [SHAW17, FREE11, NICE]."""
    if not trial.in_time:
        return []
    greatest = max(trial.in_time, key=lambda fall: (fall.systolic_mmhg, fall.diastolic_mmhg))
    reaching = [fall for fall in trial.in_time if fall.reaches(test.drop)]
    told: list[tuple[str, Fall]] = []
    if reaching:
        told.append(("orthostatic-drop", max(reaching, key=lambda fall: (fall.systolic_mmhg, fall.diastolic_mmhg))))
        if is_supine_high(test, trial):
            code = "supine-high-30-rule" if greatest.systolic_mmhg < test.supine_high_drop_mmhg else "supine-high-30-reached"
            told.append((code, greatest))
    if position_before(trial) == "sitting" and any(fall.reaches(test.sit_to_stand_drop) for fall in trial.in_time):
        told.append(("sit-to-stand-15-7", next(fall for fall in trial.in_time if fall.reaches(test.sit_to_stand_drop))))
    if greatest.systolic_mmhg >= test.standing_lower_mmhg:
        told.append(("standing-lower", greatest))
    return told


def is_supine_high(test: StandingTest, trial: Trial) -> bool:
    """True where the lying baseline is itself high. Source: [FREE11]."""
    result = estimate(trial.baseline)
    return position_before(trial) == "supine" and (
        result.systolic_mmhg >= test.supine_high.systolic_mmhg or result.diastolic_mmhg >= test.supine_high.diastolic_mmhg
    )


def early_and_late(test: StandingTest, trial: Trial) -> list[tuple[str, Fall]]:
    """Falls in the first seconds, and falls that come only after three minutes. Source: [FREE11]."""
    told: list[tuple[str, Fall]] = []
    early = [fall for fall in trial.falls if fall.stood <= timedelta(seconds=test.initial_seconds)]
    sudden = test.initial_drop
    told += [
        ("initial-standing-drop", fall)
        for fall in early
        if fall.systolic_mmhg > sudden.systolic_mmhg or fall.diastolic_mmhg > sudden.diastolic_mmhg
    ][:1]
    late = [fall for fall in trial.falls if not fall.in_time and fall.reaches(test.drop)]
    return told + [("delayed-standing-drop", fall) for fall in late][:1]


def rises(test: StandingTest, trial: Trial) -> list[tuple[str, Fall]]:
    """A rise on standing, and whether it ends high. Source: [JORD22]."""
    rising = [fall for fall in trial.in_time if -fall.systolic_mmhg >= test.rise_mmhg]
    if not rising:
        return []
    highest = min(rising, key=lambda fall: fall.systolic_mmhg)
    ends_high = highest.attempt.systolic >= 100 * test.rise_to_mmhg
    return [("standing-rise-to-high" if ends_high else "standing-rise", highest)]
