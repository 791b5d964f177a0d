"""The step that follows a closed sitting. No step here asks for a reading in this sitting."""

from __future__ import annotations

import msgspec

from quietcuff.core.advice.steps import make_step, settled_at, usable
from quietcuff.core.labels.confirmation import Advice
from quietcuff.core.labels.judgement import Judgement
from quietcuff.core.labels.parts import place_parts
from quietcuff.core.labels.provisional import is_high
from quietcuff.core.model.evaluation import Action, Category, FollowingStep
from quietcuff.core.sitting.selection import Selection
from quietcuff.core.sitting.sitting import Sitting
from quietcuff.core.sitting.trouble import needs_muffling

FIELDS = {
    "sex-not-recorded": "sex",
    "height-not-recorded": "height_cm",
    "birth-date-too-coarse": "birth_date",
}


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
    if any(entry.category is not None for entry in categories):
        return None
    subject = sitting.reading_set.subject
    fields = [FIELDS[code] for code in sitting.lacking if code in FIELDS and getattr(subject, FIELDS[code]) is None]
    if fields or "birth-date-too-coarse" in sitting.lacking:
        step = make_step(sitting, "complete-record", "facts-missing")
        return msgspec.structs.replace(step, ask=fields)
    if sitting.lacking:
        return make_step(sitting, "review", "outside-tables")
    if any(attempt.site.endswith("thigh") for attempt in selection.counted):
        return make_step(sitting, "repeat-another-day", "measure-upper-arm")
    if any(needs_muffling(sitting, attempt) for attempt in selection.counted):
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
