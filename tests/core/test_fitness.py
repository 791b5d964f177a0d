"""Whether a device is fit for this person and this day: its words, and the days that checks are due."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from core.golden import PERSON, evaluate_body
from quietcuff.core.findings.findings import months_after
from quietcuff.rules.catalog import load_rulebook


def messages(device: dict[str, Any], *, own: dict[str, Any] | None = None, **subject: Any) -> list[str]:
    taken = [
        {
            "taken_at": f"2026-05-04T09:0{place}:00+02:00",
            "systolic_mmhg": 138,
            "diastolic_mmhg": 86,
            "site": "left-upper-arm",
            "device": own if place == 1 else None,
        }
        for place in range(2)
    ]
    body = {"subject": PERSON | subject, "device": device, "protocol": "office-one-arm", "readings": taken}
    codes = ("accuracy-check-", "device-not-validated-for", "device-clock")
    return [finding.message for finding in evaluate_body(body, load_rulebook()).findings if finding.code.startswith(codes)]


@pytest.mark.parametrize(
    ("day", "months", "due"),
    [
        (date(2026, 1, 31), 1, date(2026, 2, 28)),
        (date(2024, 2, 29), 12, date(2025, 2, 28)),
        (date(2025, 12, 15), 24, date(2027, 12, 15)),
        (date(2025, 11, 30), 1, date(2025, 12, 30)),
    ],
)
def test_a_check_is_due_on_the_same_day_of_a_later_month(day: date, months: int, due: date) -> None:
    assert months_after(day, months) == due


def test_what_speaks_against_a_device_is_said_in_words() -> None:
    device = {
        "validated": "yes",
        "validated_for": ["adults"],
        "last_accuracy_check": "2025-01-31",
        "accuracy_check_interval_months": 13,
        "clock_drift_seconds": 5400,
    }
    assert messages(device, sex="female", pregnancy="pregnant", arm_circumference_cm=45) == [
        "The device is validated, but not known to be for: pregnancy, large arms.",
        "The device's accuracy check is overdue: it was due by 2026-02-28.",
        "The device's clock is known to be 1.5 h ahead. Check the times that are not said to be put right.",
    ]


def test_each_readings_own_device_is_looked_at_and_a_thing_is_said_once() -> None:
    late = {"validated": "yes", "clock_drift_seconds": -7200}
    assert messages({"validated": "yes"}, own=late) == [
        "The device's clock is known to be 2 h behind. Check the times that are not said to be put right."
    ]
    assert len(messages(late, own=late)) == 1
