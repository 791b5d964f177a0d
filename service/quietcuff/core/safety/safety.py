"""The safety layer: concerns that must not wait, in every state, group and setting; never averaged away.

Each concern looks at the raw readings and the reported value, and gives a level, questions and a step. The most pressing one
gives the level and the text; the first with a step gives the step. Acute symptoms come first, then a fall on standing, severe
readings, a severe mean, low pressures, raised pressures in pregnancy, and a possible pregnancy.
"""

from __future__ import annotations

from datetime import timedelta

import msgspec

from quietcuff.core.labels.judgement import Judgement
from quietcuff.core.model.evaluation import Level, Safety
from quietcuff.core.safety.concerns import (
    Codes,
    Concern,
    SafetyStep,
    can_repeat,
    person_findings,
    reported,
    review_step,
    still_stands,
    unasked,
    watch_expecting,
    watch_low,
    watch_possible_pregnancy,
    watch_standing,
)
from quietcuff.core.sitting.severity import ARMS, ArmWatch, SevereSeen, is_doubtful, reaches
from quietcuff.core.sitting.sitting import Sitting

LEVELS: tuple[Level, ...] = ("none", "ask", "confirm", "same-day", "urgent")


class SafetyResult(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The result of the safety layer; ``severe`` are the places of severe readings."""

    safety: Safety
    step: SafetyStep | None
    findings: Codes
    severe: frozenset[int]
    confirmed: bool


def watch(sitting: Sitting, seen: SevereSeen, judged: Judgement) -> SafetyResult:
    """The safety layer of one sitting.

    Source: [PRACTICE], in pregnancy and after birth [ACOG222, ACOG767], for children [AAP17-SEVERE].
    """
    found = (
        watch_symptoms(sitting),
        watch_standing(sitting, judged),
        watch_severe(sitting, seen),
        watch_mean(sitting, seen, judged),
        watch_low(sitting, seen, judged),
        watch_expecting(sitting, judged),
        watch_possible_pregnancy(sitting, judged),
    )
    concerns = [*filter(None, found)]
    if not concerns:
        return SafetyResult(
            safety=Safety(level="none", readings=[], ask=[], text=None),
            step=None,
            findings=person_findings(sitting),
            severe=seen.severe,
            confirmed=seen.confirmed,
        )
    leading = max(concerns, key=lambda concern: LEVELS.index(concern.level))
    # A level without a sentence would leave the reader without a reason; a lesser concern may have one.
    asks = list(dict.fromkeys(code for concern in concerns for code in concern.ask))
    speaking = leading
    if leading.text is None:
        speaking = next((concern for concern in concerns if concern.text is not None), leading)
    return SafetyResult(
        safety=Safety(
            level=leading.level,
            readings=sorted({place for concern in concerns if concern.level != "none" for place in concern.places}),
            ask=asks,
            text=concern_sentence(sitting, speaking, asks),
        ),
        step=next((concern.step for concern in concerns if concern.step is not None), None),
        findings=[entry for concern in concerns for entry in concern.findings] + person_findings(sitting),
        severe=seen.severe,
        confirmed=seen.confirmed,
    )


def is_low(seen: SafetyResult) -> bool:
    """True where a reading was found to be low."""
    return "low-reading" in dict(seen.findings)


def concern_sentence(sitting: Sitting, concern: Concern, asks: list[str]) -> str | None:
    """The concern's sentence, and what is to be asked: nothing that was answered. None where there is nothing to say."""
    words = sitting.rulebook.wording.safety
    told = [] if concern.text is None else [words[concern.text].format(pressure=concern.pressure)]
    if "acute_symptoms" in asks:
        told.append(words["ask-symptoms-expecting" if sitting.person.expecting else "ask-symptoms"])
    if "pregnancy" in asks:
        told.append(words["ask-pregnancy"])
    return " ".join(told) or None


def watch_symptoms(sitting: Sitting) -> Concern | None:
    """Acute symptoms are urgent whatever the pressure; somebody who stands sits or lies down first."""
    if sitting.reading_set.context.acute_symptoms != "yes":
        return None
    stands = sitting.protocol.standing is not None and still_stands(sitting)
    return Concern(
        level="urgent",
        text="acute-symptoms",
        step=SafetyStep(action="sit-or-lie-down", wording="sit-with-symptoms", alone=True)
        if stands
        else SafetyStep(action="urgent-assessment", wording="urgent-assessment"),
        findings=[("acute-symptoms", None)],
    )


def watch_severe(sitting: Sitting, seen: SevereSeen) -> Concern | None:
    """Concern of severe readings: confirmed, to be confirmed now, not possible to confirm, or cleared by later ones."""
    if not seen.severe:
        return None
    ask, places = unasked(sitting), sorted(seen.severe)
    findings: Codes = [("severe-reading", attempt.index) for attempt in sitting.attempts if attempt.index in seen.severe]
    waiting = [arm for arm in seen.arms if not arm.confirmed and arm.stood_down < 2]
    if seen.confirmed:
        findings.append(("severe-confirmed", None))
        if sitting.person.expecting and any(arm.persistent for arm in seen.arms):
            findings.append(("severe-persistent", None))
        return msgspec.structs.replace(confirmed_concern(sitting, seen, ask), places=places, ask=ask, findings=findings)
    level: Level
    step: SafetyStep | None
    if not waiting:
        asking = SafetyStep(action="ask-symptoms", wording="ask-symptoms") if ask else None
        findings.append(("severe-not-confirmed", None))
        level, text, step = "ask", "severe-not-confirmed", asking
    elif can_repeat(sitting):
        level, text, step = "confirm", "severe-reading", confirm_step(sitting, waiting)
    else:
        level, text, step = "same-day", "severe-cannot-confirm", review_step(ask, "cannot-confirm")
    return Concern(level=level, text=text, places=places, ask=ask, step=step, findings=findings)


def confirmed_concern(sitting: Sitting, seen: SevereSeen, ask: list[str]) -> Concern:
    """Concern of confirmed severe readings: urgent in pregnancy, after birth and at a child's emergency limit, else today."""
    if sitting.person.expecting:
        step = SafetyStep(action="urgent-assessment", wording="urgent-expecting", alone=True)
        return Concern(level="urgent", text="severe-expecting", step=step)
    if seen.emergency:
        step = SafetyStep(action="urgent-assessment", wording="urgent-child", alone=True)
        return Concern(level="urgent", text="severe-child", step=step)
    return Concern(level="same-day", text="severe-confirmed", step=review_step(ask, "same-day-review"))


def confirm_step(sitting: Sitting, waiting: list[ArmWatch]) -> SafetyStep:
    """Repeat now in the arm that still waits, the latest first; the other arm where that one must not be used."""
    # An arm with fewer ordinary readings since its last severe one is less clear, so it comes first; then the latest.
    arm = max(waiting, key=lambda arm: (-arm.stood_down, arm.last.taken_at, arm.site or ""))
    limits = sitting.limits
    since, minutes = (
        (arm.first, limits.confirm_severe_expecting_within_minutes)
        if sitting.person.expecting
        else (arm.last, limits.confirm_severe_within_minutes)
    )
    not_before = sitting.not_before
    not_after = since.taken_at + timedelta(minutes=minutes)
    return SafetyStep(
        action="confirm-now",
        wording=confirm_wording(arm),
        site=arm.site,
        not_before=not_before,
        # The interval between readings wins: a deadline before the earliest time could not be met.
        not_after=not_after if not_before is None else max(not_before, not_after),
    )


def confirm_wording(arm: ArmWatch) -> str:
    """Wording code of the confirmation; "the same arm" is said only where it is the same arm."""
    if is_doubtful(arm.last):
        return "confirm-validated"
    if arm.site != arm.last.site:
        return "confirm-other-arm" if arm.site is not None else "confirm-any-arm"
    return "confirm-once-more" if arm.stood_down else "confirm-now"


def watch_mean(sitting: Sitting, seen: SevereSeen, judged: Judgement) -> Concern | None:
    """Concern of a reported mean at the severe limit, which rounding can reach although no reading does.

    Of three readings or more, or over days, it stands as it is; else one more reading confirms it. Source: [DECISION].
    """
    if not any(reaches(seen.edge, *pressures) for pressures in reported(judged)):
        return None
    ask = unasked(sitting)
    findings: Codes = [("severe-mean", None)]
    if len(judged.selection.arm) >= sitting.limits.severe_mean_readings or not sitting.protocol.is_one_sitting:
        if sitting.person.expecting:
            step = SafetyStep(action="urgent-assessment", wording="urgent-expecting", alone=True)
            return Concern(level="urgent", text="severe-expecting", ask=ask, step=step, findings=findings)
        return Concern(
            level="same-day", text="severe-mean", ask=ask, step=review_step(ask, "same-day-review"), findings=findings
        )
    if not can_repeat(sitting):
        step = review_step(ask, "cannot-confirm")
        return Concern(level="same-day", text="severe-cannot-confirm", ask=ask, step=step, findings=findings)
    site = judged.selection.counted[-1].site if judged.selection.counted else None
    step = SafetyStep(
        action="confirm-now",
        wording="confirm-mean",
        site=site if site in ARMS and sitting.person.may_use(site) else None,
        not_before=sitting.not_before,
    )
    return Concern(level="confirm", text="severe-mean", ask=ask, step=step, findings=findings)
