"""Findings with their words, and those of preparation, position, cuff, device and readings.

Each has its expected error where published. Nothing here changes a reading or excludes one. Answers that were not recorded give
one finding with their list; they are never taken for a yes or a no. The fitness of a device is for this person and day: in whom
it was shown to be accurate, its accuracy check, its clock. The device's description in the set decides, whether sent or filled
in from the registry.
"""

from __future__ import annotations

import calendar
from collections.abc import Collection, Sequence
from datetime import date, timedelta
from typing import Any

import msgspec

from quietcuff.core.model.evaluation import ExpectedError, Finding
from quietcuff.core.model.fields import PopulationGroup
from quietcuff.core.model.readings import Context, Device
from quietcuff.core.rulebook.remembered import remembered, remembered_alone
from quietcuff.core.rulebook.rulebook import Effect, Limits, Rulebook
from quietcuff.core.sitting.attempts import Attempt, needs_muffling
from quietcuff.core.sitting.equipment import FITS, is_wrist
from quietcuff.core.sitting.sitting import Sitting

NOT_ASKED = frozenset({"auscultation_possible", "care"})


def find(rulebook: Rulebook, code: str, reading: int | None = None, **words: str | int) -> Finding:
    """The finding with a code, about the whole sitting or the reading at a place, with its words filled in."""
    known = finding_of_code(rulebook, code)
    if reading is None and not words:
        return known
    return Finding(
        code=code,
        severity=known.severity,
        reading=reading,
        expected_error=known.expected_error,
        source=known.source,
        message=known.message.format(**words) if words else known.message,
    )


def find_each(rulebook: Rulebook, codes: Collection[str]) -> list[Finding]:
    """The findings with these codes about the whole sitting, of which there are mostly none."""
    return [finding_of_code(rulebook, code) for code in codes] if codes else []


def make_finding(rulebook: Rulebook, code: str) -> Finding:
    """The finding with a code about the whole sitting, its words not filled in."""
    wording = rulebook.wording.finding[code]
    effect = rulebook.effects.get(code)
    source = wording.source
    if effect is not None:
        source = source + [key for key in effect.source if key not in source]
    return Finding(
        code=code,
        severity=wording.severity,
        reading=None,
        expected_error=expected_error(effect),
        source=source,
        message=wording.message,
    )


finding_of_code = remembered(make_finding)


def expected_error(effect: Effect | None) -> ExpectedError | None:
    """The published size of an effect, where there is one."""
    if effect is None or (effect.systolic_mmhg is None and effect.diastolic_mmhg is None):
        return None
    return ExpectedError(direction=effect.direction, systolic_mmhg=effect.systolic_mmhg, diastolic_mmhg=effect.diastolic_mmhg)


def preparation_findings(sitting: Sitting) -> list[Finding]:
    """Findings of the preparation, in the order of the effects table; then one of the answers that were not recorded.

    An ambulatory recording goes on through the whole day, so no answer is missing there.
    """
    reading_set = sitting.reading_set
    answers_due = reading_set.setting != "ambulatory"
    return [*findings_of_answers(sitting.rulebook, reading_set.context, sitting.protocol.rest_minutes, answers_due)]


def read_answers(book: Rulebook, context: Context, asked_minutes: float, answers_due: bool) -> list[Finding]:
    """The findings of the answers alone, where so many minutes of rest are asked for."""
    answers = msgspec.structs.asdict(context)
    findings = []
    for code in faults_of_answers(book, context, asked_minutes):
        if code == "rest-too-short":
            minutes, asked = number_text(context.rest_minutes), number_text(asked_minutes)
            findings.append(find(book, code, minutes=minutes, asked=asked))
        else:
            findings.append(find(book, code))
    missing = not_recorded(answers)
    if missing and answers_due:
        findings.append(find(book, "context-not-recorded", list=", ".join(missing)))
    if context.care != "ordinary":
        findings.append(find(book, "care-not-ordinary", care=context.care))
    return findings


def read_faults(book: Rulebook, context: Context, asked_minutes: float) -> list[str]:
    """The codes of the effects that the answers tell, in the order of the effects table."""
    return [
        code
        for code, effect in book.effects.items()
        if (
            is_short_of(context, asked_minutes)
            if code == "rest-too-short"
            else effect.field is not None and getattr(context, effect.field) in effect.answers
        )
    ]


# Answers are few and come again: most sittings are prepared as asked.
findings_of_answers, faults_of_answers = remembered(read_answers), remembered(read_faults)


def faults_of_preparation(sitting: Sitting) -> list[str]:
    """The codes of what the answers say is wrong, in the order of the effects table; not to be changed."""
    return faults_of_answers(sitting.rulebook, sitting.reading_set.context, sitting.protocol.rest_minutes)


def rest_too_short(sitting: Sitting) -> bool:
    """True where the person rested less than the protocol asks. Source: [ESC18, ACC17]."""
    return is_short_of(sitting.reading_set.context, sitting.protocol.rest_minutes)


def is_short_of(context: Context, asked_minutes: float) -> bool:
    """True where the recorded rest is shorter than the minutes asked for."""
    return context.rest_minutes is not None and context.rest_minutes < asked_minutes


def not_recorded(answers: dict[str, Any]) -> list[str]:
    """The names of the questions that were not answered, in the order of the contract."""
    return [name for name, answer in answers.items() if answer in (None, "not-recorded") and name not in NOT_ASKED]


def cuff_findings(sitting: Sitting) -> list[Finding]:
    """The fit of each cuff: one finding for the whole sitting where all attempts share it, else one a reading."""
    findings: list[Finding] = []
    arm_cm = sitting.person.arm_cm
    sizes = sitting.rulebook.cuffs[sitting.rulebook.defaults.cuffs].sizes
    beyond = arm_cm is not None and not sizes[0].from_cm <= arm_cm <= sizes[-1].to_cm
    # Most sittings have one cuff, that fits.
    if not beyond and all([attempt.fit is FITS for attempt in sitting.worn]):
        return findings
    codes: set[str | None] = set()
    missing: dict[str, None] = {}
    for attempt in sitting.worn:
        codes.add(attempt.fit.code)
        if attempt.fit.not_recorded:
            missing.update(dict.fromkeys(attempt.fit.not_recorded))
    # Most sittings use one cuff; saying its misfit once for each reading would bury the other findings.
    if len(codes) == 1:
        findings += [find(sitting.rulebook, code) for code in codes if code is not None]
    else:
        findings += [
            find(sitting.rulebook, attempt.fit.code, attempt.index) for attempt in sitting.made if attempt.fit.code is not None
        ]
    if missing:
        findings.append(find(sitting.rulebook, "cuff-not-recorded", list=", ".join(missing)))
    if beyond:
        findings.append(find(sitting.rulebook, "arm-outside-cuff-table"))
    return findings


def device_findings(sitting: Sitting) -> list[Finding]:
    """Findings of the device, each said once."""
    codes: dict[str, None] = {}
    for attempt in sitting.worn:
        # No device is to blame: a newborn is outside the service's scope whatever the device.
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
    findings = find_each(sitting.rulebook, codes)
    intake, average = sitting.reading_set.intake, sitting.reading_set.device_average
    if intake is not None and intake.device_registered == "no":
        findings.append(find(sitting.rulebook, "device-not-registered"))
    if average is not None:
        findings.append(find(sitting.rulebook, "device-average-recorded", count=average.readings))
    return findings


def reading_findings(sitting: Sitting) -> list[Finding]:
    """Findings of single readings, in order of time."""
    findings: list[Finding] = []
    before: Attempt | None = None
    usual = usual_in_hundredths(sitting.limits)
    low, high, low_diastolic, high_diastolic, slow, fast = usual
    for attempt in sitting.made:
        systolic, diastolic, pulse = attempt.systolic, attempt.diastolic, attempt.reading.pulse_per_min
        # Most readings are seen at once to have nothing odd, and are asked no further.
        if not (
            attempt.fault is None
            and low <= systolic <= high
            and low_diastolic <= diastolic <= high_diastolic
            and (pulse is None or slow <= pulse <= fast)
            and not attempt.reading.device_flags
            and attempt.method != "auscultatory"
            and (before is None or before.systolic != systolic or before.diastolic != diastolic)
        ):
            codes = oddities(sitting.limits, usual, attempt, before)
            findings += [find(sitting.rulebook, code, attempt.index) for code in codes]
        if attempt.too_soon:
            seconds = sitting.protocol.interval_seconds
            findings.append(find(sitting.rulebook, "interval-too-short", attempt.index, seconds=seconds))
        before = attempt
    return findings


Usual = tuple[float, float, float, float, float, float]


def read_usual(limits: Limits) -> Usual:
    """The usual pressures in hundredths of mmHg, 70-270 systolic and 30-150 diastolic, and the usual pulse a minute.

    Source: [NCDRISC] for the pressures.
    """
    systolic, diastolic, pulse = limits.usual_systolic, limits.usual_diastolic, limits.usual_pulse
    pressures = 100 * systolic.lowest, 100 * systolic.highest, 100 * diastolic.lowest, 100 * diastolic.highest
    return *pressures, pulse.lowest, pulse.highest


usual_in_hundredths = remembered_alone(read_usual)


def oddities(limits: Limits, usual: Usual, attempt: Attempt, before: Attempt | None) -> list[str]:
    """The codes of what is odd about one reading. Source: [PRACTICE, NCDRISC]."""
    codes: list[str] = []
    reading, fault, systolic, diastolic = attempt.reading, attempt.fault, attempt.systolic, attempt.diastolic
    if fault == "device-error":
        codes.append("device-error")
    if fault == "implausible":
        codes.append("implausible-reading")
    elif attempt.has_pressures and not (usual[0] <= systolic <= usual[1] and usual[2] <= diastolic <= usual[3]):
        codes.append("unusual-value")
    if attempt.method == "auscultatory" and needs_muffling(attempt, limits):
        codes.append("use-phase-four")
    pulse, flags = reading.pulse_per_min, reading.device_flags
    if "pulse-too-high" in flags or (pulse is not None and pulse > usual[5]):
        codes.append("pulse-high")
    if "pulse-too-low" in flags or (pulse is not None and pulse < usual[4]):
        codes.append("pulse-low")
    is_same = before is not None and before.systolic == systolic and before.diastolic == diastolic
    if is_same and before is not None and attempt.has_pressures and before.has_pressures:
        codes.append("identical-values")
    return codes


def intake_findings(sitting: Sitting) -> list[Finding]:
    """Findings of what the service added to the caller's words."""
    intake, book = sitting.reading_set.intake, sitting.rulebook
    if intake is None:
        return []
    findings = []
    if intake.facts_differ:
        findings.append(find(book, "subject-facts-differ", list=", ".join(intake.facts_differ)))
    if intake.received_at is not None:
        # A device's clock may run a little ahead; only beyond that tolerance is a time wrong.
        latest = intake.received_at + timedelta(minutes=sitting.limits.future_minutes)
        # In order of time, so that none is ahead where the last is not.
        if sitting.made and sitting.made[-1].taken_at > latest:
            findings += [find(book, "taken-in-future", a.index) for a in sitting.made if a.taken_at > latest]
    if intake.notes:
        voided = {attempt.index for attempt in sitting.attempts if attempt.fault == "voided"}
        findings += [find(book, note.code, note.reading) for note in intake.notes if note.reading not in voided]
    if intake.closed_by_timeout:
        findings.append(find(book, "closed-by-timeout"))
    return findings


def number_text(value: float | None) -> str:
    """A number as a person writes it: 5.0 is 5."""
    return f"{value:g}" if value is not None else "not recorded"


def fitness_findings(sitting: Sitting) -> list[Finding]:
    """Findings against the devices of a sitting, each said once."""
    intake = sitting.reading_set.intake
    registered = intake is not None and intake.device_registered == "yes"
    # Of most devices no more is known than that they are validated.
    if not registered and not any([tells_more(attempt.device) for attempt in sitting.worn]):
        return []
    told: dict[str, dict[str, Any]] = {}
    for attempt in sitting.made:
        device = attempt.device
        if device is None or not (registered or tells_more(device)):
            continue
        for code, words in (
            validation_gap(device, groups_of(sitting), registered=registered),
            accuracy_check(device, attempt.taken_at.date()),
            clock_off(device, sitting.limits.clock_off_minutes),
        ):
            if code is not None:
                told.setdefault(code, words)
    return [find(sitting.rulebook, code, **words) for code, words in told.items()]


def tells_more(device: Device | None) -> bool:
    """True where a device's groups, checks of its accuracy, or a clock that is off are recorded."""
    return device is not None and (
        bool(device.validated_for)
        or device.accuracy_check_interval_months is not None
        or device.clock_drift_seconds is not None
    )


ConditionFinding = tuple[str | None, dict[str, Any]]
NOTHING: ConditionFinding = (None, {})


def groups_of(sitting: Sitting) -> list[PopulationGroup]:
    """The groups that the person belongs to, as studies of accuracy divide people; adults where no other is known.

    Pregnancy is a group of its own, the weeks after birth are not. A man of 40 with a 43 cm arm gives large-arms.
    Source: [STERG18].
    """
    person, subject, limits = sitting.person, sitting.reading_set.subject, sitting.limits
    years = person.age_years
    found: list[PopulationGroup] = []
    if years is not None and years < limits.validation_adult_from_years:
        found.append("children")
    if subject.pregnancy == "pregnant":
        found.append("pregnancy")
    if sitting.irregular:
        found.append("irregular-rhythm")
    if person.arm_cm is not None and person.arm_cm > limits.validation_large_arm_above_cm:
        found.append("large-arms")
    return found or (["adults"] if years is not None else [])


def validation_gap(device: Device, groups: list[PopulationGroup], *, registered: bool) -> ConditionFinding:
    """The person's groups that the device is not known to be validated for.

    Where the device has no groups recorded, the finding is given only for a registered device, and only for groups other than
    adults.
    """
    if device.validated != "yes":
        return NOTHING
    if not device.validated_for:
        # A sitting need not name the groups; a registry is kept for such facts, so there it is a gap.
        special: list[PopulationGroup] = [group for group in groups if group != "adults"]
        return ("validation-groups-not-recorded", {"list": groups_in_words(special)}) if special and registered else NOTHING
    missing = [group for group in groups if group not in device.validated_for]
    return ("device-not-validated-for-group", {"list": groups_in_words(missing)}) if missing else NOTHING


def groups_in_words(groups: Sequence[str]) -> str:
    """Groups as a person reads them."""
    return ", ".join(group.replace("-", " ") for group in groups)


def accuracy_check(device: Device, day: date) -> ConditionFinding:
    """Finding of an accuracy check that was overdue on a day, or whose last day is not recorded. Source: [PRACTICE]."""
    last, months = device.last_accuracy_check, device.accuracy_check_interval_months
    if months is None:
        return NOTHING
    if last is None:
        return "accuracy-check-not-recorded", {}
    due = months_after(last, months)
    return ("accuracy-check-overdue", {"day": due.isoformat()}) if day > due else NOTHING


def months_after(day: date, months: int) -> date:
    """The same day so many months later, or the last of a shorter month: one month after 31 January is 28 February."""
    year, month = divmod(12 * day.year + day.month - 1 + months, 12)
    return date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


def clock_off(device: Device, limit_minutes: int) -> ConditionFinding:
    """Finding of a clock known to be off by an hour or more: 7200 seconds is 2 h ahead. Source: [DECISION]."""
    drift = device.clock_drift_seconds
    if drift is None or abs(drift) < 60 * limit_minutes:
        return NOTHING
    hours = f"{abs(drift) / 3600:.1f}".removesuffix(".0")
    return "device-clock-off", {"hours": hours, "direction": "ahead" if drift > 0 else "behind"}
