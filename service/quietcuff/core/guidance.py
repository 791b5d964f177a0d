"""The next step at every moment: what, which arm, which cuff or method, not before, not after, what to ask, and why.

Safety comes first; the plan's own step then stands in ``then``. After closing no step asks for a reading in this sitting.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import cast

from quietcuff.core.arms import Comparison
from quietcuff.core.attempts import Attempt
from quietcuff.core.conditions import rest_too_short
from quietcuff.core.confirmation import Advice
from quietcuff.core.cuffs import choose_size
from quietcuff.core.outcome import Action, FollowingStep, Step
from quietcuff.core.provisional import Reservations
from quietcuff.core.readings import Method, Site
from quietcuff.core.safety import Watch
from quietcuff.core.selection import Selection, can_measure
from quietcuff.core.severity import ARMS
from quietcuff.core.sitting import Sitting


def plan_step(
    sitting: Sitting, comparison: Comparison, selection: Selection, reservations: Reservations, advice: Advice
) -> FollowingStep:
    """What the plan of a sitting asks for next, or what follows once it is closed."""
    if sitting.reading_set.closed:
        return closed_step(sitting, selection, reservations, advice)
    return open_step(sitting, comparison, selection)


def next_step(sitting: Sitting, watch: Watch, comparison: Comparison, selection: Selection, own: FollowingStep) -> Step:
    """The next step, with the plan's ``own`` behind it where something more pressing comes first."""
    pressing = pressing_step(sitting, watch, comparison, selection)
    ask = asked(sitting, watch)
    if pressing is None:
        return promote(own, ask, None)
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


def asked(sitting: Sitting, watch: Watch) -> list[str]:
    """What is to be asked with the next step: nothing that is recorded already."""
    context = sitting.reading_set.context
    if sitting.irregular and not sitting.reading_set.closed and context.auscultation_possible == "not-recorded":
        return [*watch.safety.ask, "auscultation_possible"]
    return watch.safety.ask


def pressing_step(sitting: Sitting, watch: Watch, comparison: Comparison, selection: Selection) -> FollowingStep | None:
    """What comes before the plan: safety, a wrong cuff, a device that cannot count, auscultation, two failed attempts."""
    words = sitting.rulebook.wording.step
    if watch.step is not None:
        step = watch.step
        return FollowingStep(
            action=step.action,
            site=step.site,
            cuff=right_cuff(sitting) if step.action == "confirm-now" else None,
            method=by_ear(sitting) if step.action in ("confirm-now", "take-reading") else None,
            not_before=step.not_before,
            not_after=step.not_after,
            reason=words[step.wording],
        )
    return (
        equipment_step(sitting, comparison, selection)
        or auscultation_step(sitting, comparison)
        or failure_step(sitting, comparison)
    )


def equipment_step(sitting: Sitting, comparison: Comparison, selection: Selection) -> FollowingStep | None:
    """Change the cuff or the device that the last reading was taken with, where that is why it cannot count."""
    if sitting.reading_set.closed and selection.state != "not-usable":
        return None
    last = next((a for a in reversed(sitting.attempts) if a.fault in (None, "wrong-cuff", "set-blocked")), None)
    if last is None or last.fault is None or last.device_block == "neonate":
        return None
    action: Action = "change-cuff" if last.fault == "wrong-cuff" else "change-device"
    return make_step(
        sitting,
        action,
        action,
        site=usable(sitting, comparison.result_site or upper_arm_of(last.site)),
        cuff=right_size(sitting),
        not_before=None if sitting.reading_set.closed else sitting.not_before,
    )


def upper_arm_of(site: Site) -> Site | None:
    """The upper arm of a site's side: a right wrist gives the right upper arm."""
    return next((arm for arm in ARMS if arm.partition("-")[0] == site.partition("-")[0]), None)


def auscultation_step(sitting: Sitting, comparison: Comparison) -> FollowingStep | None:
    """With an irregular pulse the stethoscope is next, where it is possible. Source: [NICE, ESC18, BIHS19]."""
    last = sitting.last
    if (
        sitting.reading_set.closed
        or not sitting.irregular
        or sitting.reading_set.context.auscultation_possible != "yes"
        or (last is not None and last.method == "auscultatory")
        or len(sitting.valid) >= sitting.limits.most_readings_asked
    ):
        return None
    return make_step(
        sitting,
        "auscultate",
        "auscultate",
        site=usable(sitting, comparison.result_site),
        method="auscultatory",
        not_before=sitting.not_before,
    )


def failure_step(sitting: Sitting, comparison: Comparison) -> FollowingStep | None:
    """After two failed attempts running: auscultate where possible, else another device."""
    recent = [attempt for attempt in sitting.attempts if attempt.fault != "voided"][-2:]
    if sitting.reading_set.closed or [attempt.fault for attempt in recent] != ["device-error", "device-error"]:
        return None
    possible = sitting.reading_set.context.auscultation_possible == "yes" and recent[-1].method != "auscultatory"
    return make_step(
        sitting,
        "auscultate" if possible else "change-device",
        "failed-twice" if possible else "failed-change-device",
        site=usable(sitting, comparison.result_site),
        method="auscultatory" if possible else None,
        not_before=sitting.not_before,
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
        return make_step(sitting, "measure-other-arm", "repeat-pair", site=selection.other_arm, not_before=not_before)
    if not can_measure(sitting):
        return make_step(sitting, "close", "out-of-scope" if sitting.person.neonate else "no-arm")
    enough = len(sitting.valid) >= sitting.limits.most_readings_asked
    return make_step(sitting, "close", "enough-asked" if enough else "close")


def first_step(sitting: Sitting, comparison: Comparison) -> FollowingStep:
    """No usable reading yet: rest first where the person has not, else take one; nothing where no arm may be used."""
    free = [arm for arm in ARMS if sitting.person.may_use(arm)]
    site = comparison.earlier or (free[0] if len(free) == 1 else usable(sitting, sitting.protocol.preferred_arm))
    if rest_too_short(sitting):
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


def closed_step(sitting: Sitting, selection: Selection, reservations: Reservations, advice: Advice) -> FollowingStep:
    """What follows a closed sitting: settle, repeat, measure out of the office, or nothing."""
    if selection.state == "not-usable":
        return make_step(sitting, "repeat-another-day", "measure-again")
    if reservations.faults:
        return make_step(sitting, "settle-first", "settle-first", not_before=settled_at(sitting, reservations.faults))
    if reservations.unsettled:
        return make_step(sitting, "repeat-when-settled", "repeat-when-settled")
    site = selection.counted[0].site
    if not sitting.protocol.classifies:
        return make_step(sitting, "measure-out-of-office", "home-series", site=usable(sitting, site))
    if sitting.person.treated:
        return make_step(sitting, "none", "compare-with-target")
    if advice.confirm_by is None:
        return make_step(sitting, "none", "none")
    action: Action = "repeat-another-day" if advice.confirm_by.way == "office" else "measure-out-of-office"
    return make_step(sitting, action, action, site=usable(sitting, site))


def make_step(
    sitting: Sitting,
    action: Action,
    wording: str,
    *,
    site: Site | None = None,
    cuff: str | None = None,
    method: Method | None = None,
    not_before: datetime | None = None,
) -> FollowingStep:
    """A step with its sentence looked up."""
    return FollowingStep(
        action=action,
        site=site,
        cuff=cuff,
        method=method,
        not_before=not_before,
        reason=sitting.rulebook.wording.step[wording],
    )


def settled_at(sitting: Sitting, faults: list[str]) -> datetime | None:
    """When all of the faults can have settled: the longest wait after the last attempt."""
    last = sitting.last
    if last is None:
        return None
    minutes = max(sitting.rulebook.effects[code].settle_minutes for code in faults)
    return max(last.taken_at + timedelta(minutes=minutes), last.taken_at + timedelta(seconds=sitting.protocol.interval_seconds))


def usable(sitting: Sitting, site: Site | None) -> Site | None:
    """The site where it may be used and is known, else None: a next site is never a restricted arm, nor a leg."""
    if site is None or site == "not-recorded" or site.endswith("thigh") or not sitting.person.may_use(site):
        return None
    return site


def right_size(sitting: Sitting) -> str | None:
    """The cuff size for this person's arm, where it is known."""
    return choose_size(sitting.person.arm_cm, sitting.rulebook.cuffs[sitting.rulebook.defaults.cuffs])


def right_cuff(sitting: Sitting) -> str | None:
    """The cuff size to use where the last one was wrong; None where nothing is to be changed."""
    last: Attempt | None = sitting.last
    return right_size(sitting) if last is not None and last.fit.known_wrong else None


def as_method(method: str) -> Method | None:
    """The method to go on with; None where none was recorded."""
    return None if method == "not-recorded" else cast(Method, method)


def by_ear(sitting: Sitting) -> Method | None:
    """Auscultation once it has begun in irregular rhythm: the methods never share a mean. Source: [BIHS19]."""
    last = sitting.last
    return "auscultatory" if sitting.irregular and last is not None and last.method == "auscultatory" else None
