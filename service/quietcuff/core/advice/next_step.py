"""The next step at every moment: what, which arm, which cuff or method, not before, not after, what to ask, and why.

Safety comes first; the plan's own step then stands in ``then``. After closing no step asks for a reading in this sitting.
"""

from __future__ import annotations

from typing import cast

from quietcuff.core.advice.following import closed_step
from quietcuff.core.advice.preparing import judge_device
from quietcuff.core.advice.steps import cuff_table
from quietcuff.core.advice.steps import cuff_wording as cuff_wording
from quietcuff.core.advice.steps import make_step as make_step
from quietcuff.core.advice.steps import right_cuff as right_cuff
from quietcuff.core.advice.steps import settled_at as settled_at
from quietcuff.core.advice.steps import usable as usable
from quietcuff.core.findings.conditions import rest_too_short
from quietcuff.core.labels.confirmation import Advice
from quietcuff.core.labels.judgement import Judgement
from quietcuff.core.model.evaluation import Action, FollowingStep, Step
from quietcuff.core.model.fields import Method, Site
from quietcuff.core.safety.safety import Watch
from quietcuff.core.sitting.arms import Comparison
from quietcuff.core.sitting.equipment import judge_fit
from quietcuff.core.sitting.selection import Selection, can_measure
from quietcuff.core.sitting.severity import ARMS
from quietcuff.core.sitting.sitting import Sitting
from quietcuff.core.sitting.trouble import attempts_made, due_change, find_trouble, gave_up_for, other_free_arm

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
    """What the plan of a sitting asks for next, or what follows once it is closed."""
    if sitting.reading_set.closed:
        return closed_step(sitting, judged, advice)
    return open_step(sitting, comparison, judged.selection)


def next_step(sitting: Sitting, watch: Watch, comparison: Comparison, selection: Selection, own: FollowingStep) -> Step:
    """The next step, with the plan's ``own`` behind it where something more pressing comes first."""
    own = give_up_step(sitting) or out_of_reach_step(sitting) or own
    pressing = pressing_step(sitting, watch, comparison, selection) if own.action != "close" or watch.step else None
    ask = questions_to_ask(sitting, watch)
    if pressing is None:
        return promote(own, [*own.ask, *(name for name in ask if name not in own.ask)], None)
    stands_alone = own.action == "none" or (sitting.reading_set.closed and watch.step is not None and watch.step.alone)
    return promote(pressing, ask, None if stands_alone else own)


def promote(step: FollowingStep, ask: list[str], then: FollowingStep | None) -> Step:
    """A step as the next one, with what is to be asked along."""
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


def questions_to_ask(sitting: Sitting, watch: Watch) -> list[str]:
    """What is to be asked with the next step: nothing that is recorded already."""
    context = sitting.reading_set.context
    if sitting.irregular and not sitting.reading_set.closed and context.auscultation_possible == "not-recorded":
        return [*watch.safety.ask, "auscultation_possible"]
    return watch.safety.ask


def pressing_step(sitting: Sitting, watch: Watch, comparison: Comparison, selection: Selection) -> FollowingStep | None:
    """What comes before the plan: safety, a wrong cuff or device, what can be put right now, auscultation, failed attempts."""
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
    return (
        unfit_before_step(sitting, comparison, selection)
        or equipment_step(sitting, comparison, selection)
        or settle_now_step(sitting, selection)
        or auscultation_step(sitting, comparison)
        or failure_step(sitting, comparison)
    )


def is_not_done_by_ear(sitting: Sitting) -> bool:
    """Whether as many readings as irregular rhythm needs, and the attempts of one cause, were made otherwise all the same."""
    otherwise = sum(attempt.method != "auscultatory" for attempt in sitting.valid)
    return otherwise >= sitting.limits.irregular_readings + sitting.limits.failed_attempts_one_cause


def give_up_step(sitting: Sitting) -> FollowingStep | None:
    """Close, with the reason, where every change was tried in vain or twelve attempts were made."""
    cause = gave_up_for(sitting)
    return None if cause is None else make_step(sitting, "close", f"give-up-{cause}")


def out_of_reach_step(sitting: Sitting) -> FollowingStep | None:
    """Close where no reading could ever count, whatever the plan."""
    if sitting.reading_set.closed or can_measure(sitting):
        return None
    return make_step(sitting, "close", "out-of-scope" if sitting.person.neonate else "no-arm")


def unfit_before_step(sitting: Sitting, comparison: Comparison, selection: Selection) -> FollowingStep | None:
    """Before the first reading: another device or cuff, where the one named could not count or does not fit."""
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
    """Change the cuff or the device that the last reading was taken with, where that is why it cannot count; also a cuff that
    the general table alone finds wrong, while that is new."""
    closed = sitting.reading_set.closed
    if closed and selection.state != "not-usable":
        return None
    last = next((a for a in reversed(sitting.attempts) if a.fault in (None, "wrong-cuff", "set-blocked")), None)
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
    """Whether so few attempts were made that what can be put right is said before the next; later it was said and stays."""
    return 0 < attempts_made(sitting) <= sitting.limits.failed_attempts_one_cause


def goes_on(sitting: Sitting, selection: Selection) -> bool:
    """Whether another reading is due in this sitting."""
    return not sitting.reading_set.closed and (selection.due is not None or selection.other_arm is not None)


def settle_now_step(sitting: Sitting, selection: Selection) -> FollowingStep | None:
    """What can be put right at once, after the first reading and before the next; bounded, where the answer stays.

    Source: [DECISION]; what each raises or lowers by is in the effects' own sources.
    """
    if not (is_new(sitting) and goes_on(sitting, selection)) or sitting.protocol.series is not None:
        return None
    faults = faults_now(sitting)
    if not faults:
        return None
    told = ", ".join(code.replace("-", " ") for code in faults)
    return make_step(sitting, "settle-first", "settle-now", not_before=settled_at(sitting, faults), list=told)


def faults_now(sitting: Sitting) -> list[str]:
    """The recorded faults of preparation that can be put right within minutes, on whichever side they err."""
    return [
        code
        for code, effect in sitting.rulebook.effects.items()
        if effect.correctable
        and effect.settle_minutes <= sitting.limits.settle_now_minutes
        and (
            rest_too_short(sitting)
            if code == "rest-too-short"
            else effect.field is not None and sitting.answers[effect.field] in effect.answers
        )
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
    """After attempts that failed for one cause: what is to be changed, each for a stated number of attempts."""
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
    """No usable reading yet: rest first where the person has not, else take one; nothing where no arm may be used."""
    free = [arm for arm in ARMS if sitting.person.may_use(arm)]
    site = comparison.earlier or (free[0] if len(free) == 1 else usable(sitting, sitting.protocol.preferred_arm))
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
