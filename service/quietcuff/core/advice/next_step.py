"""The next step at every moment: action, arm, cuff or method, earliest and latest time, questions, and the reason.

Safety comes first; the plan's own step then stands in ``then``. After closing no step asks for a reading in this sitting.
"""

from __future__ import annotations

from typing import cast

from quietcuff.core.advice.steps import closed_step, cuff_table, judge_device
from quietcuff.core.advice.steps import cuff_wording as cuff_wording
from quietcuff.core.advice.steps import make_step as make_step
from quietcuff.core.advice.steps import right_cuff as right_cuff
from quietcuff.core.advice.steps import settled_at as settled_at
from quietcuff.core.advice.steps import usable as usable
from quietcuff.core.findings.findings import faults_of_preparation, rest_too_short
from quietcuff.core.labels.judgement import Advice, Judgement
from quietcuff.core.model.evaluation import Action, FollowingStep, Step
from quietcuff.core.model.fields import Method, Site
from quietcuff.core.safety.safety import SafetyResult
from quietcuff.core.sitting.arms import Comparison
from quietcuff.core.sitting.equipment import judge_fit
from quietcuff.core.sitting.selection import Selection, can_measure
from quietcuff.core.sitting.severity import ARMS
from quietcuff.core.sitting.sitting import (
    Sitting,
    attempts_made,
    due_change,
    find_trouble,
    gave_up_for,
    other_free_arm,
)

ACTION_OF_CHANGE: dict[str, Action] = {
    "auscultate": "auscultate",
    "phase-four": "auscultate",
    "device": "change-device",
    "cuff": "change-cuff",
}
CHANGE_DEVICE = {
    "device-error": "failed-change-device",
    "implausible": "implausible-change-device",
    "phase-four": "phase-four-change-device",
}
WORDING_OF_CHANGE = {
    "auscultate": "failed-twice",
    "phase-four": "phase-four",
    "device": "change-device",
    "other-arm": "failed-other-arm",
    "cuff": "change-cuff",
    "position": "right-position",
    "wait": "wait-interval",
    "observer": "other-observer",
}


def plan_step(sitting: Sitting, comparison: Comparison, judged: Judgement, advice: Advice) -> FollowingStep:
    """Next step by the plan of an open sitting, or the step that follows a closed one."""
    if sitting.reading_set.closed:
        return closed_step(sitting, judged, advice)
    return open_step(sitting, comparison, judged.selection)


def next_step(sitting: Sitting, watch: SafetyResult, comparison: Comparison, selection: Selection, own: FollowingStep) -> Step:
    """The next step, with the plan's ``own`` behind it where something more pressing comes first."""
    if not sitting.reading_set.closed:
        # Giving up replaces the plan's step, so that no caller is sent round in a circle by a device that never works.
        own = give_up_step(sitting) or out_of_reach_step(sitting) or own
    # Closing ends the sitting: only safety may still come before it, nothing that would need another reading.
    pressing = pressing_step(sitting, watch, comparison, selection) if own.action != "close" or watch.step else None
    ask = questions_to_ask(sitting, watch)
    if pressing is None:
        return promote(own, [*own.ask, *(name for name in ask if name not in own.ask)], None)
    stands_alone = own.action == "none" or (sitting.reading_set.closed and watch.step is not None and watch.step.alone)
    return promote(pressing, ask, None if stands_alone else own)


def promote(step: FollowingStep, ask: list[str], then: FollowingStep | None) -> Step:
    """A step as the next one, with the questions to ask and the step behind it."""
    return Step(
        action=step.action,
        site=step.site,
        cuff=step.cuff,
        method=step.method,
        not_before=step.not_before,
        not_after=step.not_after,
        ask=ask,
        reason=step.reason,
        then=then,
    )


def questions_to_ask(sitting: Sitting, watch: SafetyResult) -> list[str]:
    """Questions to ask with the next step, without those whose answer is recorded already."""
    context = sitting.reading_set.context
    if sitting.irregular and not sitting.reading_set.closed and context.auscultation_possible == "not-recorded":
        return [*watch.safety.ask, "auscultation_possible"]
    return watch.safety.ask


def pressing_step(sitting: Sitting, watch: SafetyResult, comparison: Comparison, selection: Selection) -> FollowingStep | None:
    """Step that comes before the plan: safety, a wrong cuff or device, correctable faults, auscultation, failed attempts."""
    words = sitting.rulebook.wording.step
    if watch.step is not None:
        step = watch.step
        return FollowingStep(
            action=step.action,
            site=step.site,
            cuff=right_cuff(sitting) if step.action in ("confirm-now", "take-reading") else None,
            method=by_ear(sitting) if step.action in ("confirm-now", "take-reading") else None,
            not_before=step.not_before,
            not_after=step.not_after,
            reason=words[step.wording],
        )
    # Of a closed sitting, only the equipment can still be why nothing counts: the others ask for what comes before a reading.
    if sitting.reading_set.closed:
        return equipment_step(sitting, comparison, selection)
    # Equipment before preparation: settling under a cuff that cannot count would be in vain.
    return (
        unfit_before_step(sitting, comparison, selection)
        or equipment_step(sitting, comparison, selection)
        or settle_now_step(sitting, selection)
        or auscultation_step(sitting, comparison)
        or failure_step(sitting, comparison)
    )


def is_not_done_by_ear(sitting: Sitting) -> bool:
    """True where enough valid readings were taken by other means although auscultation was asked for.

    Enough is the number that irregular rhythm needs plus the attempts allowed for one cause.
    """
    # A measurer who cannot or will not auscultate is not asked for ever: the plan goes on with automated readings.
    otherwise = sum(attempt.method != "auscultatory" for attempt in sitting.valid)
    return otherwise >= sitting.limits.irregular_readings + sitting.limits.failed_attempts_one_cause


def give_up_step(sitting: Sitting) -> FollowingStep | None:
    """The step to close, with the reason, where every change was tried in vain or twelve attempts were made."""
    cause = gave_up_for(sitting)
    return None if cause is None else make_step(sitting, "close", f"give-up-{cause}")


def out_of_reach_step(sitting: Sitting) -> FollowingStep | None:
    """Close where no reading could ever count, whatever the plan."""
    if sitting.reading_set.closed or can_measure(sitting):
        return None
    return make_step(sitting, "close", "out-of-scope" if sitting.person.neonate else "no-arm")


def unfit_before_step(sitting: Sitting, comparison: Comparison, selection: Selection) -> FollowingStep | None:
    """Before the first reading: change the device or the cuff where the one named cannot count or does not fit."""
    if sitting.last is not None or not goes_on(sitting, selection):
        return None
    site = comparison.earlier
    if judge_device(sitting)[0] == "does-not-fit":
        return make_step(sitting, "change-device", "no-device-fits", site=site, cuff=right_cuff(sitting))
    fit = judge_fit(sitting.reading_set.cuff, sitting.person.arm_cm, cuff_table(sitting))
    if fit.known_wrong or fit.code in ("cuff-too-small", "cuff-too-large"):
        return make_step(sitting, "change-cuff", cuff_wording(sitting), site=site, cuff=right_cuff(sitting))
    return None


def equipment_step(sitting: Sitting, comparison: Comparison, selection: Selection) -> FollowingStep | None:
    """Change the cuff or the device of the last reading where it is why that reading cannot count.

    A cuff that only the general table finds wrong is changed too, but only early in the sitting.
    """
    closed = sitting.reading_set.closed
    if closed and selection.state != "not-usable":
        return None
    last = next((a for a in reversed(sitting.attempts) if a.fault in (None, "wrong-cuff", "set-blocked")), None)
    # No other device helps a newborn, who is outside the service's scope.
    if last is None or last.device_block == "neonate":
        return None
    misfit = last.fit.code in ("cuff-too-small", "cuff-too-large") and is_new(sitting) and goes_on(sitting, selection)
    if last.fault is None and not misfit:
        return None
    action: Action = "change-device" if last.fault == "set-blocked" else "change-cuff"
    return make_step(
        sitting,
        action,
        action if action == "change-device" else cuff_wording(sitting),
        site=usable(sitting, comparison.result_site or upper_arm_of(last.site)),
        cuff=right_cuff(sitting),
        not_before=None if closed else sitting.not_before,
    )


def is_new(sitting: Sitting) -> bool:
    """True where few attempts were made, so that a correctable fault is pointed out before the next one.

    Later the fault was pointed out already and stays as a finding.
    """
    return 0 < attempts_made(sitting) <= sitting.limits.failed_attempts_one_cause


def goes_on(sitting: Sitting, selection: Selection) -> bool:
    """True where another reading is due in this sitting."""
    return not sitting.reading_set.closed and (selection.due is not None or selection.other_arm is not None)


def settle_now_step(sitting: Sitting, selection: Selection) -> FollowingStep | None:
    """Correct faults of preparation at once, between the first reading and the next; asked for a limited number of attempts.

    Source: [DECISION]; the sizes of the effects have their own sources.
    """
    # A caller may never update the answers: after the early attempts this step would only block the plan.
    if not (is_new(sitting) and goes_on(sitting, selection)) or sitting.protocol.series is not None:
        return None
    faults = faults_now(sitting)
    if not faults:
        return None
    told = ", ".join(code.replace("-", " ") for code in faults)
    return make_step(sitting, "settle-first", "settle-now", not_before=settled_at(sitting, faults), list=told)


def faults_now(sitting: Sitting) -> list[str]:
    """Recorded faults of preparation that can be corrected within minutes, whether they raise or lower the pressure."""
    effects = sitting.rulebook.effects
    return [
        code
        for code in faults_of_preparation(sitting)
        if effects[code].correctable and effects[code].settle_minutes <= sitting.limits.settle_now_minutes
    ]


def upper_arm_of(site: Site) -> Site | None:
    """The upper arm of a site's side: a right wrist gives the right upper arm."""
    return next((arm for arm in ARMS if arm.partition("-")[0] == site.partition("-")[0]), None)


def auscultation_step(sitting: Sitting, comparison: Comparison) -> FollowingStep | None:
    """With an irregular pulse the stethoscope is next, where it is possible. Source: [NICE, ESC18, BIHS19]."""
    last = sitting.last
    if (
        sitting.reading_set.closed
        or sitting.protocol.standing is not None
        or not sitting.irregular
        or sitting.reading_set.context.auscultation_possible != "yes"
        or (last is not None and last.method == "auscultatory")
        or len(sitting.valid) >= sitting.limits.most_readings_asked
        or is_not_done_by_ear(sitting)
    ):
        return None
    return make_step(
        sitting,
        "auscultate",
        "auscultate",
        site=usable(sitting, comparison.result_site),
        cuff=right_cuff(sitting),
        method="auscultatory",
        not_before=sitting.not_before,
    )


def failure_step(sitting: Sitting, comparison: Comparison) -> FollowingStep | None:
    """Change to make after attempts that failed for one cause; each is asked for a stated number of attempts."""
    trouble = find_trouble(sitting)
    change = None if trouble is None else due_change(sitting, trouble)
    if trouble is None or change is None or change == "plan":
        return None
    wording = WORDING_OF_CHANGE[change]
    if change == "device":
        wording = CHANGE_DEVICE.get(trouble.cause, "change-device")
    if change == "other-arm" and trouble.cause != "device-error":
        wording = "arm-to-use"
    site = comparison.result_site if change != "other-arm" else other_free_arm(sitting, trouble.last.site)
    words = {"position": " or ".join(sitting.protocol.positions)} if change == "position" else {}
    return make_step(
        sitting,
        ACTION_OF_CHANGE.get(change, "take-reading"),
        wording,
        site=usable(sitting, site),
        cuff=right_cuff(sitting),
        method="auscultatory" if change in ("auscultate", "phase-four") else None,
        not_before=sitting.not_before,
        **words,
    )


def open_step(sitting: Sitting, comparison: Comparison, selection: Selection) -> FollowingStep:
    """The plan's own next step while the sitting is open."""
    not_before = sitting.not_before
    if not sitting.valid and selection.due is not None:
        return first_step(sitting, comparison)
    if comparison.other_due is not None and selection.other_arm is not None:
        return make_step(
            sitting,
            "measure-other-arm",
            "measure-other-arm",
            site=selection.other_arm,
            cuff=right_cuff(sitting),
            method=by_ear(sitting),
            not_before=not_before,
        )
    if selection.due is not None:
        return make_step(
            sitting,
            "take-reading",
            selection.due,
            site=usable(sitting, comparison.result_site),
            cuff=right_cuff(sitting),
            method=as_method(selection.method),
            not_before=not_before,
        )
    if selection.other_arm is not None:
        return make_step(
            sitting,
            "measure-other-arm",
            "repeat-pair",
            site=selection.other_arm,
            cuff=right_cuff(sitting),
            not_before=not_before,
        )
    enough = len(sitting.valid) >= sitting.limits.most_readings_asked
    return make_step(sitting, "close", "enough-asked" if enough else "close")


def first_step(sitting: Sitting, comparison: Comparison) -> FollowingStep:
    """First step while no reading is usable: rest where the person has not rested, else take a reading.

    No site is named where none is known to be usable.
    """
    free = [arm for arm in ARMS if sitting.person.may_use(arm)]
    site = comparison.earlier or (free[0] if len(free) == 1 else usable(sitting, sitting.protocol.preferred_arm))
    # After the early attempts the rest is not asked for again: some callers never record it.
    if rest_too_short(sitting) and attempts_made(sitting) <= sitting.limits.failed_attempts_one_cause:
        return make_step(
            sitting, "settle-first", "settle-before", site=site, not_before=settled_at(sitting, ["rest-too-short"])
        )
    return make_step(
        sitting,
        "take-reading",
        "first-reading",
        site=site,
        cuff=right_cuff(sitting),
        not_before=sitting.not_before,
    )


def as_method(method: str) -> Method | None:
    """The method to go on with; None where none was recorded."""
    return None if method == "not-recorded" else cast(Method, method)


def by_ear(sitting: Sitting) -> Method | None:
    """Auscultation once it has begun in irregular rhythm: the methods never share a mean. Source: [BIHS19]."""
    last = sitting.last
    return "auscultatory" if sitting.irregular and last is not None and last.method == "auscultatory" else None
