"""Preparation, position, cuff, device and the readings themselves → findings, each with its expected error where published.

Nothing here changes a reading. What was not recorded is one finding with the list, never a silent yes or no.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from quietcuff.core.findings.finding import find
from quietcuff.core.model.evaluation import Finding
from quietcuff.core.sitting.attempts import Attempt
from quietcuff.core.sitting.equipment import is_wrist
from quietcuff.core.sitting.sitting import Sitting

NOT_ASKED = frozenset({"auscultation_possible", "care"})


def preparation_findings(sitting: Sitting) -> list[Finding]:
    """What the context says of the preparation, in the order of the effects table; then what was not recorded. An ambulatory
    recording goes on through all of it, so nothing is missing there."""
    book, context = sitting.rulebook, sitting.reading_set.context
    findings = []
    for code, effect in book.effects.items():
        if code == "rest-too-short":
            if rest_too_short(sitting):
                asked = plain(sitting.protocol.rest_minutes)
                findings.append(find(book, code, minutes=plain(context.rest_minutes), asked=asked))
        elif effect.field is not None and sitting.answers[effect.field] in effect.answers:
            findings.append(find(book, code))
    missing = not_recorded(sitting.answers)
    if missing and sitting.reading_set.setting != "ambulatory":
        findings.append(find(book, "context-not-recorded", list=", ".join(missing)))
    if context.care != "ordinary":
        findings.append(find(book, "care-not-ordinary", care=context.care))
    return findings


def rest_too_short(sitting: Sitting) -> bool:
    """Whether the person rested less than the protocol asks. Source: [ESC18, ACC17]."""
    rested = sitting.reading_set.context.rest_minutes
    return rested is not None and rested < sitting.protocol.rest_minutes


def not_recorded(answers: dict[str, Any]) -> list[str]:
    """The names of the questions that were not answered, in the order of the contract."""
    return [name for name, answer in answers.items() if answer in (None, "not-recorded") and name not in NOT_ASKED]


def cuff_findings(sitting: Sitting) -> list[Finding]:
    """The fit of each cuff: one finding for the whole sitting where all attempts share it, else one a reading."""
    findings = []
    attempts = [attempt for attempt in sitting.attempts if attempt.fault != "voided"]
    codes = {attempt.fit.code for attempt in attempts}
    if len(codes) == 1:
        findings += [find(sitting.rulebook, code) for code in codes if code is not None]
    else:
        findings += [
            find(sitting.rulebook, attempt.fit.code, attempt.index) for attempt in attempts if attempt.fit.code is not None
        ]
    missing = dict.fromkeys(name for attempt in attempts for name in attempt.fit.not_recorded)
    if missing:
        findings.append(find(sitting.rulebook, "cuff-not-recorded", list=", ".join(missing)))
    arm_cm = sitting.person.arm_cm
    sizes = sitting.rulebook.cuffs[sitting.rulebook.defaults.cuffs].sizes
    if arm_cm is not None and not sizes[0].from_cm <= arm_cm <= sizes[-1].to_cm:
        findings.append(find(sitting.rulebook, "arm-outside-cuff-table"))
    return findings


def device_findings(sitting: Sitting) -> list[Finding]:
    """What is known of the device, each thing said once."""
    codes: dict[str, None] = {}
    for attempt in sitting.attempts:
        if attempt.fault == "voided":
            continue
        if attempt.device_block == "neonate":
            continue
        if attempt.device_block is not None:
            codes[attempt.device_block] = None
        elif is_wrist(attempt.device, attempt.site):
            codes["device-wrist"] = None
        validated = "not-recorded" if attempt.device is None else attempt.device.validated
        if validated == "no":
            codes["device-not-validated"] = None
        elif validated == "not-recorded":
            codes["validation-not-recorded"] = None
    findings = [find(sitting.rulebook, code) for code in codes]
    intake, average = sitting.reading_set.intake, sitting.reading_set.device_average
    if intake is not None and intake.device_registered == "no":
        findings.append(find(sitting.rulebook, "device-not-registered"))
    if average is not None:
        findings.append(find(sitting.rulebook, "device-average-recorded", count=average.readings))
    return findings


def reading_findings(sitting: Sitting) -> list[Finding]:
    """What is odd about single readings, in order of time."""
    findings: list[Finding] = []
    before: Attempt | None = None
    for attempt in sitting.attempts:
        if attempt.fault == "voided":
            continue
        findings += [find(sitting.rulebook, code, attempt.index) for code in oddities(sitting, attempt, before)]
        if attempt.too_soon:
            seconds = sitting.protocol.interval_seconds
            findings.append(find(sitting.rulebook, "interval-too-short", attempt.index, seconds=seconds))
        before = attempt
    return findings


def oddities(sitting: Sitting, attempt: Attempt, before: Attempt | None) -> list[str]:
    """The codes of what is odd about one reading. Source: [PRACTICE, NCDRISC]."""
    limits, reading = sitting.limits, attempt.reading
    codes = []
    if attempt.fault == "device-error":
        codes.append("device-error")
    if attempt.fault == "implausible":
        codes.append("implausible-reading")
    elif attempt.has_pressures and is_unusual(sitting, attempt):
        codes.append("unusual-value")
    if needs_muffling(sitting, attempt):
        codes.append("use-phase-four")
    pulse = reading.pulse_per_min
    if "pulse-too-high" in reading.device_flags or (pulse is not None and pulse > limits.usual_pulse.highest):
        codes.append("pulse-high")
    if "pulse-too-low" in reading.device_flags or (pulse is not None and pulse < limits.usual_pulse.lowest):
        codes.append("pulse-low")
    if before is not None and attempt.has_pressures and before.has_pressures and is_same(attempt, before):
        codes.append("identical-values")
    return codes


def is_same(one: Attempt, other: Attempt) -> bool:
    """Whether two attempts show the very same pressures."""
    return (one.systolic, one.diastolic) == (other.systolic, other.diastolic)


def is_unusual(sitting: Sitting, attempt: Attempt) -> bool:
    """Outside 70-270 systolic or 30-150 diastolic, in mmHg. Source: [NCDRISC]."""
    systolic, diastolic = sitting.limits.usual_systolic, sitting.limits.usual_diastolic
    return not (
        100 * systolic.lowest <= attempt.systolic <= 100 * systolic.highest
        and 100 * diastolic.lowest <= attempt.diastolic <= 100 * diastolic.highest
    )


def needs_muffling(sitting: Sitting, attempt: Attempt) -> bool:
    """An auscultated diastolic below 40 with a plausible systolic: the fourth phase is to be used. Source: [PRACTICE]."""
    plausible = sitting.limits.plausible_systolic
    return (
        attempt.method == "auscultatory"
        and attempt.has_pressures
        and attempt.diastolic < 100 * sitting.limits.muffling_diastolic_below_mmhg
        and 100 * plausible.lowest <= attempt.systolic <= 100 * plausible.highest
    )


def intake_findings(sitting: Sitting) -> list[Finding]:
    """What the service knew beyond the caller's words."""
    intake, book = sitting.reading_set.intake, sitting.rulebook
    if intake is None:
        return []
    findings = []
    if intake.facts_differ:
        findings.append(find(book, "subject-facts-differ", list=", ".join(intake.facts_differ)))
    if intake.received_at is not None:
        latest = intake.received_at + timedelta(minutes=sitting.limits.future_minutes)
        ahead = [a.index for a in sitting.attempts if a.fault != "voided" and a.taken_at > latest]
        findings += [find(book, "taken-in-future", place) for place in ahead]
    voided = {attempt.index for attempt in sitting.attempts if attempt.fault == "voided"}
    findings += [find(book, note.code, note.reading) for note in intake.notes if note.reading not in voided]
    if intake.closed_by_timeout:
        findings.append(find(book, "closed-by-timeout"))
    return findings


def plain(value: float | None) -> str:
    """A number as a person writes it: 5.0 is 5."""
    return f"{value:g}" if value is not None else "not recorded"
