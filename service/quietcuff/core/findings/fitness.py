"""Whether a device is fit for this person and this day: in whom it was shown to be accurate, its accuracy check, its clock.

What was said of the device decides, in the set or filled in from the registry; nothing here excludes a reading.
"""

from __future__ import annotations

import calendar
from datetime import date
from typing import Any

from quietcuff.core.findings.finding import find
from quietcuff.core.model.evaluation import Finding
from quietcuff.core.model.readings import Device, PopulationGroup
from quietcuff.core.sitting.sitting import Sitting


def fitness_findings(sitting: Sitting) -> list[Finding]:
    """What speaks against the devices of a sitting, each thing said once."""
    taken = [attempt for attempt in sitting.attempts if attempt.fault != "voided" and attempt.device is not None]
    groups = groups_of(sitting)
    intake = sitting.reading_set.intake
    registered = intake is not None and intake.device_registered == "yes"
    told: dict[str, dict[str, Any]] = {}
    for attempt in taken:
        device, day = attempt.device, attempt.taken_at.date()
        if device is None:
            continue
        for code, words in (
            validation_gap(device, groups, registered=registered),
            accuracy_check(device, day),
            clock_off(device, sitting.limits.clock_off_minutes),
        ):
            if code is not None:
                told.setdefault(code, words)
    return [find(sitting.rulebook, code, **words) for code, words in told.items()]


Told = tuple[str | None, dict[str, Any]]
NOTHING: Told = (None, {})


def groups_of(sitting: Sitting) -> list[PopulationGroup]:
    """The groups that the person belongs to, as studies of accuracy divide people; adults where no other is known.

    Pregnancy itself is one, the weeks after birth are not. A man of 40 with a 43 cm arm gives large-arms. Source: [STERG18].
    """
    person, subject, limits = sitting.person, sitting.reading_set.subject, sitting.limits
    years = person.age_years
    belongs: dict[PopulationGroup, bool] = {
        "children": years is not None and years < limits.validation_adult_from_years,
        "pregnancy": subject.pregnancy == "pregnant",
        "irregular-rhythm": sitting.irregular,
        "large-arms": person.arm_cm is not None and person.arm_cm > limits.validation_large_arm_above_cm,
    }
    found = [group for group, is_so in belongs.items() if is_so]
    return found or (["adults"] if years is not None else [])


def validation_gap(device: Device, groups: list[PopulationGroup], *, registered: bool) -> Told:
    """The person's groups that the device is not known to be validated for.

    Where no group is recorded at all, only a registered device is asked for them, and only for groups of their own.
    """
    if device.validated != "yes":
        return NOTHING
    if not device.validated_for:
        special: list[PopulationGroup] = [group for group in groups if group != "adults"]
        return ("validation-groups-not-recorded", {"list": in_words(special)}) if special and registered else NOTHING
    missing = [group for group in groups if group not in device.validated_for]
    return ("device-not-validated-for-group", {"list": in_words(missing)}) if missing else NOTHING


def in_words(groups: list[PopulationGroup]) -> str:
    """Groups as a person reads them."""
    return ", ".join(group.replace("-", " ") for group in groups)


def accuracy_check(device: Device, day: date) -> Told:
    """Whether the accuracy check was overdue on a day, or cannot be told to be in time. Source: [PRACTICE]."""
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


def clock_off(device: Device, limit_minutes: int) -> Told:
    """Whether the device's clock is known to be off by an hour or more: 7200 seconds is 2 h ahead. Source: [DECISION]."""
    drift = device.clock_drift_seconds
    if drift is None or abs(drift) < 60 * limit_minutes:
        return NOTHING
    hours = f"{abs(drift) / 3600:.1f}".removesuffix(".0")
    return "device-clock-off", {"hours": hours, "direction": "ahead" if drift > 0 else "behind"}
