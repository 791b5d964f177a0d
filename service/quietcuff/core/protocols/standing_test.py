"""The test of standing up, judged: its completion, category and next step. Standing readings enter no mean."""

from __future__ import annotations

from datetime import timedelta

import msgspec

from quietcuff.core.advice.next_step import make_step, right_cuff, usable
from quietcuff.core.findings.findings import rest_too_short
from quietcuff.core.findings.standing_up import (
    Fall,
    Trial,
    describe_trial,
    endangered,
    fall_findings,
    moments_left,
    position_before,
    report_trial,
    stood_at,
    trial_findings,
)
from quietcuff.core.labels.classification import label_placing, no_category, place, reserve
from quietcuff.core.labels.judgement import Judgement, guideline_findings, is_withheld
from quietcuff.core.model.evaluation import Category, FollowingStep, Plan, ReadingOutcome, Reason, Result, State
from quietcuff.core.model.fields import Method, Site
from quietcuff.core.protocols.series import plan_readings
from quietcuff.core.rulebook.protocols import StandingTest
from quietcuff.core.rulebook.rulebook import Guideline
from quietcuff.core.sitting.arms import Comparison
from quietcuff.core.sitting.selection import Due, Selection, blocked_by, estimate, outcomes_of
from quietcuff.core.sitting.severity import SevereSeen
from quietcuff.core.sitting.sitting import Sitting


def judge_standing(sitting: Sitting, comparison: Comparison, test: StandingTest, seen: SevereSeen) -> Judgement:
    """The falls on standing, and their category. The result is the baseline's mean."""
    trial = describe_trial(sitting, comparison, test)
    selection = select_trial(sitting, test, trial)
    result = estimate(selection.counted) if selection.counted else None
    reservations = reserve(sitting, comparison, selection, result, severe=bool(seen.severe))
    falls = trial.in_time if result is not None and not is_withheld(sitting, selection.counted) else []
    return Judgement(
        selection=selection,
        result=result,
        reservations=reservations,
        categories=[classify_falls(sitting, guideline, falls, reservations.reasons) for guideline in sitting.guidelines],
        selection_findings=trial_findings(sitting, trial),
        label_findings=guideline_findings(sitting) + fall_findings(sitting, test, trial),
        plan=plan_trial(sitting, comparison, test, selection),
        step=step_on(sitting, comparison, test, trial, selection),
        line=None if result is None else describe_result(result, trial),
        orthostatic=report_trial(trial),
    )


def select_trial(sitting: Sitting, test: StandingTest, trial: Trial) -> Selection:
    """The selection of a test: the baseline counts once there is a standing reading in time.

    While the set is open every planned moment is waited for.
    """
    closed = sitting.reading_set.closed
    waiting = [] if closed else moments_left(test, trial)
    enough = bool(trial.baseline and trial.in_time) and not waiting
    state: State = "complete" if enough else ("not-usable" if closed else "in-progress")
    due: Due | None = None if state != "in-progress" else ("one-more" if trial.baseline else "first-reading")
    missing = [] if trial.baseline else ["baseline-missing"]
    missing += [] if trial.in_time else ["standing-missing"]
    return Selection(
        state=state,
        arm=trial.baseline,
        counted=trial.baseline if enough else [],
        outcomes=explain_trial(sitting, trial, state),
        blocked_by=(missing if trial.here else blocked_by(sitting, [])) if state == "not-usable" else [],
        due=due,
        other_arm=None,
        remaining=0 if closed else len(waiting) + baseline_left(test, trial),
        method=trial.method,
        overlay_changed=False,
    )


def baseline_left(test: StandingTest, trial: Trial) -> int:
    """Number of baseline readings still to take: none once the person has stood up after one."""
    return 0 if trial.standing else test.baseline_readings - len(trial.baseline)


def explain_trial(sitting: Sitting, trial: Trial, state: State) -> list[ReadingOutcome]:
    """Each reading in the order sent: the baseline counts; standing readings and other positions never do."""
    same = trial.baseline[0].reading.position if trial.baseline else None
    reasons: dict[int, Reason | None] = {
        attempt.index: "earlier-than-last-two" if attempt.reading.position == same else "other-position"
        for attempt in trial.arm
    }
    reasons |= {attempt.index: None if state == "complete" else "too-few" for attempt in trial.baseline}
    return outcomes_of(sitting, trial.here, state, reasons)


def classify_falls(sitting: Sitting, guideline: Guideline, falls: list[Fall], provisional_because: list[str]) -> Category:
    """The category of the greatest fall in time; null without one."""
    if not falls or guideline not in sitting.applicable or sitting.reading_set.context.care != "ordinary":
        return no_category(guideline, sitting.rulebook.digests[guideline.id])
    placings = [place(guideline, fall.systolic_mmhg, fall.diastolic_mmhg) for fall in falls]
    placing = max(placings, key=lambda placing: (placing.rank, placing.systolic_rank))
    return label_placing(guideline, placing, sitting.person, sitting.rulebook, provisional_because, confirmed=True)


def plan_trial(sitting: Sitting, comparison: Comparison, test: StandingTest, selection: Selection) -> Plan:
    """Progress of the test: the baseline's readings and the planned moments after standing."""
    return plan_readings(sitting, comparison, selection, test.baseline_readings + len(test.minutes), "standing-test")


def step_on(sitting: Sitting, comparison: Comparison, test: StandingTest, trial: Trial, selection: Selection) -> FollowingStep:
    """The next step of a test: lie or sit, then stand and measure at the planned moments; once closed, by the falls."""
    site = usable(sitting, comparison.result_site)
    if selection.state == "not-usable":
        return make_step(sitting, "repeat-another-day", "measure-again", site=site)
    if sitting.reading_set.closed:
        drops = any(fall.reaches(test.drop) for fall in trial.in_time)
        return make_step(sitting, "none", "standing-drop" if drops else "none")
    # The person's safety before the plan: nobody stands on for a reading that is due.
    if endangered(sitting, report_trial(trial).baseline) or sitting.reading_set.context.acute_symptoms == "yes":
        return recovery_step(sitting, site)
    cuff = right_cuff(sitting)
    by_ear = sitting.irregular and sitting.reading_set.context.auscultation_possible == "yes"
    method: Method | None = "auscultatory" if by_ear else None
    if len(trial.baseline) < test.baseline_readings and not trial.standing:
        rested = sitting.reading_set.context.rest_minutes is not None and not rest_too_short(sitting)
        wording = "standing-baseline-rested" if rested else "standing-baseline"
        return make_step(sitting, "take-reading", wording, site=site, cuff=cuff, method=method, not_before=sitting.not_before)
    left = moments_left(test, trial)
    if not left:
        return make_step(sitting, "close", "close")
    step = make_step(
        sitting, "take-reading", "standing-reading", site=site, cuff=cuff, method=method, not_before=sitting.not_before
    )
    since = stood_at(trial.standing[-1]) if trial.standing else None
    not_before = step.not_before if since is None else since + timedelta(minutes=left[0])
    return msgspec.structs.replace(step, reason=step.reason.format(minutes=f"{left[0]:g}"), not_before=not_before)


def recovery_step(sitting: Sitting, site: Site | None) -> FollowingStep:
    """The step after a dangerous fall, or with symptoms.

    Once the person is down, one reading shows whether the pressure comes back. Nobody is asked to stand up again.
    """
    last = sitting.last
    if last is not None and last.reading.position == "standing":
        return make_step(sitting, "take-reading", "standing-recovery", site=site, not_before=sitting.not_before)
    return make_step(sitting, "close", "standing-ended", site=None)


def describe_result(result: Result, trial: Trial) -> str:
    """The sentence for the note.

    Example: 138/84 lying, then standing: lower by 10/4 at 1 min, 22/6 at 3 min; test of standing.
    """
    falls = ", ".join(f"{fall.systolic_mmhg:g}/{fall.diastolic_mmhg:g} at {fall.minutes:g} min" for fall in trial.falls)
    where = "lying" if position_before(trial) == "supine" else "seated"
    return f"{result.systolic_mmhg}/{result.diastolic_mmhg} {where}, then standing: lower by {falls}; test of standing."
