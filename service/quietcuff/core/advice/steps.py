"""Parts of the next step: preparation before the first reading, the parts of any step, and the step after closing.

Preparation is given until a reading exists; tasks that are recorded as done are not repeated. No step after closing asks for a
reading in this sitting.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Literal

import msgspec

from quietcuff.core.findings.findings import groups_of, rest_too_short, validation_gap
from quietcuff.core.labels.classification import is_high
from quietcuff.core.labels.judgement import Advice, Judgement, is_of_thigh
from quietcuff.core.labels.parts import place_parts
from quietcuff.core.model.evaluation import Action, Category, FollowingStep, Plan, Preparation
from quietcuff.core.model.fields import Method, Site
from quietcuff.core.rulebook.protocols import HomeSeries, Recording
from quietcuff.core.rulebook.rulebook import CuffTable
from quietcuff.core.sitting.arms import Comparison
from quietcuff.core.sitting.attempts import needs_muffling
from quietcuff.core.sitting.equipment import device_block, is_above_table, judge_fit, next_size
from quietcuff.core.sitting.selection import Selection
from quietcuff.core.sitting.severity import ARMS
from quietcuff.core.sitting.sitting import Sitting

MINUTE_TO_MEASURE = 1
GOOD_ANSWERS = frozenset({"at", "bare", "thin", "regular", "irregular"})
GOOD_WHEN_YES = frozenset({"back_supported", "feet_flat", "arm_supported", "cuff_fits_two_fingers", "quiet_room"})
WORN_THROUGH_THE_DAY = frozenset({"acute_symptoms", "sleeve", "cuff_fits_two_fingers", "pulse_palpated"})
ALWAYS_ASKED = frozenset({"pulse_palpated", "acute_symptoms"})
FIELDS = {
    "sex-not-recorded": "sex",
    "height-not-recorded": "height_cm",
    "birth-date-too-coarse": "birth_date",
}


def make_step(
    sitting: Sitting,
    action: Action,
    wording: str,
    *,
    site: Site | None = None,
    cuff: str | None = None,
    method: Method | None = None,
    not_before: datetime | None = None,
    **words: str,
) -> FollowingStep:
    """A step with its sentence from the wording."""
    reason = sitting.rulebook.wording.step[wording]
    return FollowingStep(
        action=action,
        site=site,
        cuff=cuff,
        method=method,
        not_before=not_before,
        reason=reason.format(**words) if words else reason,
    )


def settled_at(sitting: Sitting, faults: list[str]) -> datetime | None:
    """Time at which all of the faults can have settled: the longest wait after the last attempt."""
    last = sitting.last
    if last is None:
        return None
    # The waits run at the same time, so the longest covers all of them.
    minutes = max(sitting.rulebook.effects[code].settle_minutes for code in faults)
    return max(last.taken_at + timedelta(minutes=minutes), last.taken_at + timedelta(seconds=sitting.protocol.interval_seconds))


def usable(sitting: Sitting, site: Site | None) -> Site | None:
    """The site where it is known and may be used, else None. A next site is never a restricted arm, nor a leg."""
    if site is None or site == "not-recorded" or site.endswith("thigh") or not sitting.person.may_use(site):
        return None
    return site


def cuff_table(sitting: Sitting) -> CuffTable:
    """The table of sizes that applies where a cuff's own range is not known."""
    return sitting.rulebook.cuffs[sitting.rulebook.defaults.cuffs]


def right_cuff(sitting: Sitting) -> str | None:
    """Cuff size to use next where the arm is known: the one worn, where it fits."""
    last, said = sitting.last, sitting.reading_set.cuff
    table = cuff_table(sitting)
    if last is None:
        return next_size(sitting.person.arm_cm, said, judge_fit(said, sitting.person.arm_cm, table), table)
    return next_size(sitting.person.arm_cm, last.reading.cuff or said, last.fit, table)


def cuff_wording(sitting: Sitting) -> str:
    """Wording code for a cuff that is to be changed.

    An arm beyond the table has no size in it, so the advice then does not ask for another size.
    """
    arm_cm, table = sitting.person.arm_cm, cuff_table(sitting)
    if is_above_table(arm_cm, table):
        return "cuff-above-table"
    if arm_cm is not None and arm_cm < table.sizes[0].from_cm:
        return "cuff-below-table"
    last = sitting.last
    cuff = None if last is None else last.reading.cuff or sitting.reading_set.cuff
    return "change-cuff-by-range" if arm_cm is not None and cuff is not None and cuff.range_cm is not None else "change-cuff"


def prepare(sitting: Sitting, comparison: Comparison, plan: Plan) -> Preparation | None:
    """Preparation that the sitting needs; None once a reading was attempted."""
    if sitting.reading_set.closed or sitting.last is not None:
        return None
    fits, because = judge_device(sitting)
    return Preparation(
        prepare=things_to_do(sitting),
        arms=arms_to_use(sitting, comparison),
        cuff=right_cuff(sitting),
        device=fits,
        device_because=because,
        protocol=sitting.protocol.id,
        readings=plan.remaining,
        minutes=minutes_needed(sitting, plan.remaining),
    )


def things_to_do(sitting: Sitting) -> list[str]:
    """Sentences of the tasks that are not recorded as done, in the order of the wording."""
    words = sitting.rulebook.wording.preparation
    rest = f"{sitting.protocol.rest_minutes:g}"
    # A recording goes on through the whole day, so that questions about one moment of rest make no sense for it.
    asked = WORN_THROUGH_THE_DAY if isinstance(sitting.protocol.series, Recording) else words
    return [words[field].format(minutes=rest) for field in words if field in asked and not is_done(sitting, field)]


def is_done(sitting: Sitting, field: str) -> bool:
    """True where the answer to a question is recorded as it should be: rested long enough, back supported, no coffee."""
    answer = getattr(sitting.reading_set.context, field)
    if field == "rest_minutes":
        return answer is not None and not rest_too_short(sitting)
    # Either answer will do here: the pulse must have been felt and symptoms asked about, whatever was found.
    if field in ALWAYS_ASKED:
        return bool(answer != "not-recorded")
    return answer in GOOD_ANSWERS or answer == ("yes" if field in GOOD_WHEN_YES else "no")


def arms_to_use(sitting: Sitting, comparison: Comparison) -> list[Site]:
    """Usable arms: both where both are compared; else the arm from earlier sittings, or any that may be used."""
    free = [arm for arm in ARMS if sitting.person.may_use(arm)]
    if sitting.person.neonate:
        return []
    if not sitting.compares_arms and comparison.earlier in free:
        return [arm for arm in free if arm == comparison.earlier]
    return free


def judge_device(sitting: Sitting) -> tuple[Literal["fits", "does-not-fit", "not-recorded"], list[str]]:
    """Fit of the named device for this person, by its description and the registry; and the codes of what speaks against it."""
    device, intake = sitting.reading_set.device, sitting.reading_set.intake
    if device is None:
        return "not-recorded", ["device-not-recorded"]
    block = device_block(device, "not-recorded")
    if block is not None:
        return "does-not-fit", [block]
    if device.validated == "no":
        return "does-not-fit", ["device-not-validated"]
    registered = intake is not None and intake.device_registered == "yes"
    gap, _ = validation_gap(device, groups_of(sitting), registered=registered)
    if gap == "device-not-validated-for-group":
        return "does-not-fit", [gap]
    if device.validated == "not-recorded":
        return "not-recorded", ["validation-not-recorded"]
    return ("fits", []) if gap is None else ("not-recorded", [gap])


def minutes_needed(sitting: Sitting, readings: int) -> int | None:
    """About how many minutes it takes from sitting down: the rest still due, and one minute with the interval for each reading.

    None for a series, which takes days. Source: [DECISION] for the minute.
    """
    if isinstance(sitting.protocol.series, HomeSeries | Recording):
        return None
    rested = sitting.reading_set.context.rest_minutes or 0
    rest = max(sitting.protocol.rest_minutes - rested, 0)
    between = sitting.protocol.interval_seconds * max(readings - 1, 0) / 60
    return round(rest + MINUTE_TO_MEASURE * readings + between)


def closed_step(sitting: Sitting, judged: Judgement, advice: Advice) -> FollowingStep:
    """Step after a closed sitting: settle, repeat, measure out of the office, complete the record, review, or nothing."""
    selection, reservations = judged.selection, judged.reservations
    # The order is the rule: a result that preparation may have shifted is repeated before its label is acted on.
    if selection.state == "not-usable":
        return make_step(sitting, "repeat-another-day", "measure-again")
    if reservations.faults:
        return make_step(sitting, "settle-first", "settle-first", not_before=settled_at(sitting, reservations.faults))
    if reservations.unsettled:
        return make_step(sitting, "repeat-when-settled", "repeat-when-settled")
    # A single home sitting has no label; only a series over days gives one.
    site = selection.counted[0].site
    if not sitting.protocol.classifies:
        return make_step(sitting, "measure-out-of-office", "home-series", site=usable(sitting, site))
    missing = missing_step(sitting, selection, judged.categories)
    if missing is not None:
        return missing
    # The service knows no target, so for a treated person it never asks to confirm: the reader compares with the target.
    if sitting.person.treated:
        return make_step(sitting, "none", "compare-with-target")
    if advice.confirm_by is None:
        if is_high_outside(sitting, judged):
            return make_step(sitting, "review", "review-high-outside")
        return make_step(sitting, "none", "none")
    action: Action = "repeat-another-day" if advice.confirm_by.way == "office" else "measure-out-of-office"
    return make_step(sitting, action, action, site=usable(sitting, site))


def missing_step(sitting: Sitting, selection: Selection, categories: list[Category]) -> FollowingStep | None:
    """Step towards a label where no guideline gives one; None where one does.

    Without it, "nothing further" could stand beside a result without a label.
    """
    if any([entry.category is not None for entry in categories]):
        return None
    subject = sitting.reading_set.subject
    fields = [FIELDS[code] for code in sitting.lacking if code in FIELDS and getattr(subject, FIELDS[code]) is None]
    if fields or "birth-date-too-coarse" in sitting.lacking:
        step = make_step(sitting, "complete-record", "facts-missing")
        return msgspec.structs.replace(step, ask=fields)
    if sitting.lacking:
        return make_step(sitting, "review", "outside-tables")
    if is_of_thigh(selection.counted):
        return make_step(sitting, "repeat-another-day", "measure-upper-arm")
    if any(needs_muffling(attempt, sitting.limits) for attempt in selection.counted):
        return make_step(sitting, "repeat-another-day", "label-needs-phase-four")
    return None


def is_high_outside(sitting: Sitting, judged: Judgement) -> bool:
    """True where a home value, or a deciding part of a recording, is in the hypertension range of a guideline."""
    if sitting.reading_set.setting == "office" or judged.result is None:
        return False
    if judged.series is None or judged.series.kind == "home":
        return is_high(sitting, judged.result)
    parts = {"day": judged.series.day, "night": judged.series.night, "hours-24": judged.series.hours_24}
    means = {name: mean for name, mean in parts.items() if mean is not None}
    return any(
        each.bands.decides
        and (
            each.mean.systolic_mmhg >= each.bands.hypertension.systolic_mmhg
            or each.mean.diastolic_mmhg >= each.bands.hypertension.diastolic_mmhg
        )
        for guideline in sitting.applicable
        for each in place_parts(guideline, means)
    )
