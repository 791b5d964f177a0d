"""Reasons for a provisional label, and the faults of preparation that can have changed it."""

from __future__ import annotations

import msgspec

from quietcuff.core.findings.conditions import rest_too_short
from quietcuff.core.labels.classification import DOUBTFUL_DIASTOLIC, reaches_hypertension
from quietcuff.core.model.evaluation import Result
from quietcuff.core.sitting.arms import OTHER, Comparison
from quietcuff.core.sitting.attempts import Attempt, far_apart
from quietcuff.core.sitting.equipment import is_wrist
from quietcuff.core.sitting.selection import Selection, latest_stable_pair
from quietcuff.core.sitting.sitting import Sitting
from quietcuff.core.sitting.trouble import needs_muffling


class Reservations(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Reservations against a result.

    ``reasons`` are those for a provisional label, in a fixed order. Among them are ``faults``, the correctable ones that can
    have changed the label, and ``unsettled``, states in which to repeat once settled. A series is not measured again for
    either.
    """

    reasons: list[str]
    faults: list[str]
    unsettled: list[str]


def reserve(
    sitting: Sitting, comparison: Comparison, selection: Selection, result: Result | None, *, severe: bool
) -> Reservations:
    """The reservations that hold under every guideline. A single sitting is one of them."""
    if result is None:
        return Reservations(reasons=[], faults=[], unsettled=[])
    kinds = doubts_of(sitting, selection.counted)
    applies = {
        "single-sitting": sitting.protocol.is_one_sitting,
        "further-reading-needed": selection.due is not None,
        "readings-vary": readings_vary(sitting, selection),
        "other-arm-not-measured": other_arm_missing(sitting, comparison),
        "not-arm-of-record": not_arm_of_record(comparison),
        DOUBTFUL_DIASTOLIC: DOUBTFUL_DIASTOLIC in kinds,
        "irregular-rhythm": sitting.irregular and "not-by-ear" in kinds,
        "sitting-gap": sitting.has_gap and not severe,
        "device-wrist": "device-wrist" in kinds,
        "device-not-validated": "device-not-validated" in kinds,
        "cuff-doubtful": "cuff-doubtful" in kinds,
        "site-not-recorded": result.site == "not-recorded",
        "position-not-recorded": result.position == "not-recorded" and len(sitting.protocol.positions) == 1,
    }
    restless = unsettled(sitting, result, severe=severe)
    faults = faults_that_matter(sitting, selection, result)
    reasons = [code for code, holds in applies.items() if holds] + restless + faults
    # Repeating a series would take days, so its faults stay among the reasons and ask for nothing.
    if not sitting.protocol.is_one_sitting:
        return Reservations(reasons=reasons, faults=[], unsettled=[])
    # Severe readings must not wait until the person has settled.
    return Reservations(reasons=reasons, faults=[] if severe else faults, unsettled=restless)


def doubts_of(sitting: Sitting, counted: list[Attempt]) -> set[str]:
    """What is doubtful about any of the counted readings by itself."""
    found = set()
    for attempt in counted:
        if attempt.method != "auscultatory":
            found.add("not-by-ear")
        elif needs_muffling(sitting, attempt):
            found.add(DOUBTFUL_DIASTOLIC)
        if is_wrist(attempt.device, attempt.site):
            found.add("device-wrist")
        if attempt.device is not None and attempt.device.validated == "no":
            found.add("device-not-validated")
        if attempt.fit.code == "cuff-doubtful":
            found.add("cuff-doubtful")
    return found


def readings_vary(sitting: Sitting, selection: Selection) -> bool:
    """True where the readings still differ although the protocol takes no more."""
    extra, arm = sitting.protocol.extra, selection.arm
    if extra.kind == "none" or len(arm) < max(sitting.protocol.most, 2):
        return False
    if extra.kind == "stable-pair":
        return latest_stable_pair(arm, extra.mmhg) is None
    return far_apart(arm[-2], arm[-1], extra.mmhg)


def other_arm_missing(sitting: Sitting, comparison: Comparison) -> bool:
    """True where both arms are due and the other one was never measured although it may be used."""
    return sitting.compares_arms and comparison.other_due is not None


def not_arm_of_record(comparison: Comparison) -> bool:
    """True where the result is from an arm that earlier comparisons do not point to."""
    return (
        comparison.basis == "earlier-sittings"
        and comparison.result_site in OTHER
        and comparison.result_site != comparison.earlier
    )


def is_high(sitting: Sitting, result: Result) -> bool:
    """True where a result is at or above the hypertension limit of a requested guideline that is for this person.

    Only where the protocol classifies the mean itself.
    """
    value = (result.systolic_mmhg, result.diastolic_mmhg)
    return sitting.protocol.classifies_mean and any(reaches_hypertension(g, *value) for g in sitting.applicable)


def is_low(sitting: Sitting, result: Result) -> bool:
    """True where a result is below the hypertension limit of a requested guideline that is for this person.

    Only where the protocol classifies the mean itself.
    """
    value = (result.systolic_mmhg, result.diastolic_mmhg)
    return sitting.protocol.classifies_mean and any(not reaches_hypertension(g, *value) for g in sitting.applicable)


def unsettled(sitting: Sitting, result: Result, *, severe: bool) -> list[str]:
    """Pain, anxiety or stress with a high result that is not severe: to be repeated when settled. Source: [DECISION]."""
    if severe or not is_high(sitting, result):
        return []
    context = sitting.reading_set.context
    states = (("pain", context.pain), ("anxiety-or-stress", context.anxiety_or_stress))
    return [code for code, answer in states if answer == "yes"]


def faults_that_matter(sitting: Sitting, selection: Selection, result: Result) -> list[str]:
    """Correctable faults that raise a high result, or lower one below a threshold.

    A fault that may do either always matters. Source: [DECISION].
    """
    high, low = is_high(sitting, result), is_low(sitting, result)
    if not (high or low):
        return []
    sides = {"raises": high, "lowers": low, "either": high or low}
    fits = {attempt.fit.code for attempt in selection.counted}
    codes = []
    for code, effect in sitting.rulebook.effects.items():
        if not effect.correctable or not sides[effect.direction]:
            continue
        if code == "rest-too-short":
            present = rest_too_short(sitting)
        elif effect.field is None:
            present = code in fits
        else:
            present = sitting.answers[effect.field] in effect.answers
        if present:
            codes.append(code)
    return codes
