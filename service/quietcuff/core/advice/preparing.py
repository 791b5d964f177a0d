"""Preparation before the first reading: tasks, arms, cuff, fit of the device, number of readings, duration.

It is given until a reading exists. Tasks that are recorded as done are not repeated.
"""

from __future__ import annotations

from typing import Literal

from quietcuff.core.advice.steps import right_cuff
from quietcuff.core.findings.conditions import groups_of, rest_too_short, validation_gap
from quietcuff.core.model.evaluation import Plan, Preparation
from quietcuff.core.model.fields import Site
from quietcuff.core.rulebook.protocols import HomeSeries, Recording
from quietcuff.core.sitting.arms import Comparison
from quietcuff.core.sitting.equipment import device_block
from quietcuff.core.sitting.severity import ARMS
from quietcuff.core.sitting.sitting import Sitting

MINUTE_TO_MEASURE = 1
GOOD_ANSWERS = frozenset({"at", "bare", "thin", "regular", "irregular"})
GOOD_WHEN_YES = frozenset({"back_supported", "feet_flat", "arm_supported", "cuff_fits_two_fingers", "quiet_room"})
WORN_THROUGH_THE_DAY = frozenset({"acute_symptoms", "sleeve", "cuff_fits_two_fingers", "pulse_palpated"})
ALWAYS_ASKED = frozenset({"pulse_palpated", "acute_symptoms"})


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
    answer = sitting.answers[field]
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
