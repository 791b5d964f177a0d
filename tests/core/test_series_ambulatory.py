"""Ambulatory recordings: day and night, validity by counts and share, dipping, and which part decides."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from core.golden import differences, evaluate_body
from core.recordings import START, ambulatory_body, by_hours, reading, recording
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.evaluation import Series
from quietcuff.core.protocols.ambulatory import dipping_class
from quietcuff.core.rulebook.protocols import Recording
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook

USUAL = by_hours((138, 86), (120, 72))


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


def check(body: dict[str, Any], rulebook: Rulebook, **expect: Any) -> None:
    assert differences(evaluate_body(body, rulebook), expect) == []


def series_of(body: dict[str, Any], rulebook: Rulebook) -> Series:
    series = evaluate_body(body, rulebook).series
    assert series is not None
    return series


def codes(body: dict[str, Any], rulebook: Rulebook) -> set[str]:
    return {finding.code for finding in evaluate_body(body, rulebook).findings}


def test_a_day_is_evaluated_by_the_default_protocol(rulebook: Rulebook) -> None:
    body = ambulatory_body(recording(USUAL))
    day, night = 48, 16
    mean = (138 * day + 120 * night) / (day + night)
    check(
        body,
        rulebook,
        protocol="ambulatory-24-hour",
        state="complete",
        counted=list(range(day + night)),
        exact_mean=[mean, (86 * day + 72 * night) / (day + night)],
        category={"esh-2023": "hypertension"},
        basis={"esh-2023": "24-hour mean 134/83: systolic 130 or more, or diastolic 80 or more"},
        provisional_because={"esh-2023": []},
        series={"kind": "ambulatory", "n": 64, "valid_share": 1, "windows": "clock", "dipping_percent": 13.04},
        parts={"esh-2023 hours-24": "hypertension", "esh-2023 day": "hypertension", "esh-2023 night": "hypertension"},
        findings_exclude=["ambulatory-not-valid", "context-not-recorded", "position-not-recorded", "dipping-reduced"],
        record_line="134/83 over 24 hours, left arm, cuff not recorded, 64 readings; "
        "day 138/86 (36), night 120/72 (10), dip 13.04 %; ambulatory. Oscillometric.",
    )


def test_clock_windows_leave_the_hours_between_to_the_whole(rulebook: Rulebook) -> None:
    series = series_of(ambulatory_body(recording(USUAL)), rulebook)
    assert series.day is not None and series.night is not None and series.hours_24 is not None
    assert (series.day.readings, series.night.readings, series.hours_24.readings) == (36, 10, 64)
    assert (series.day.systolic_mean_mmhg, series.night.systolic_mean_mmhg) == (138, 120)


def test_other_windows_are_a_protocol(rulebook: Rulebook) -> None:
    body = ambulatory_body(recording(USUAL), protocol="ambulatory-24-hour-10-to-20")
    series = series_of(body, rulebook)
    assert series.day is not None and series.night is not None
    assert (series.day.readings, series.night.readings) == (30, 12)


def test_the_person_s_own_sleep_tells_night_from_day(rulebook: Rulebook) -> None:
    sleep = [
        {"asleep_at": "2026-05-04T14:00:00+02:00", "awake_at": "2026-05-04T15:00:00+02:00"},
        {"asleep_at": "2026-05-04T23:00:00+02:00", "awake_at": "2026-05-05T07:00:00+02:00"},
    ]
    series = series_of(ambulatory_body(recording(USUAL), sleep=sleep), rulebook)
    assert series.day is not None and series.night is not None
    assert series.windows == "sleep-times"
    assert (series.day.readings, series.night.readings) == (44, 20)


@pytest.mark.parametrize("awake_at", ["2026-05-04T23:00:00+02:00", "2026-05-04T22:00:00+02:00", "2026-05-05T23:00:00+02:00"])
def test_sleep_that_cannot_be_is_refused(awake_at: str, rulebook: Rulebook) -> None:
    sleep = [{"asleep_at": "2026-05-04T23:00:00+02:00", "awake_at": awake_at}]
    with pytest.raises(NotAcceptable) as refusal:
        evaluate_body(ambulatory_body(recording(USUAL), sleep=sleep), rulebook)
    assert [(fault.pointer, fault.code) for fault in refusal.value.faults] == [("/sleep/0/awake_at", "wrong-order")]


def keep(readings: list[dict[str, Any]], by_day: int, by_night: int) -> list[dict[str, Any]]:
    """So many readings from 9 to 21 and from 1 to 6, and none between."""
    hours = [int(each["taken_at"][11:13]) for each in readings]
    day = [each for each, hour in zip(readings, hours, strict=True) if 9 <= hour < 21]
    night = [each for each, hour in zip(readings, hours, strict=True) if 1 <= hour < 6]
    return day[:by_day] + night[:by_night]


@pytest.mark.parametrize(("by_day", "by_night", "is_valid"), [(20, 7, True), (19, 7, False), (20, 6, False), (36, 0, False)])
def test_twenty_by_day_and_seven_by_night_are_needed(by_day: int, by_night: int, is_valid: bool, rulebook: Rulebook) -> None:
    body = ambulatory_body(keep(recording(USUAL), by_day, by_night))
    check(
        body,
        rulebook,
        state="complete" if is_valid else "not-usable",
        blocked_by=[] if is_valid else ["too-few-readings"],
        category={"esh-2023": "hypertension" if is_valid else None},
    )
    assert ("ambulatory-not-valid" in codes(body, rulebook)) != is_valid


def test_a_part_has_a_mean_only_where_it_has_enough(rulebook: Rulebook) -> None:
    series = series_of(ambulatory_body(keep(recording(USUAL), 20, 6)), rulebook)
    assert series.day is not None
    assert series.night is series.hours_24 is series.dipping_percent is series.dipping is None
    assert series.parts == []


@pytest.mark.parametrize(("failed", "is_valid"), [(27, True), (28, False)])
def test_seventy_per_cent_of_the_attempts_must_be_valid(failed: int, is_valid: bool, rulebook: Rulebook) -> None:
    extra = [reading(START + timedelta(hours=9, minutes=10 + 20 * place), None) for place in range(failed)]
    body = ambulatory_body(recording(USUAL) + extra)
    share = round(64 / (64 + failed), 4)
    check(
        body,
        rulebook,
        state="complete" if is_valid else "not-usable",
        blocked_by=[] if is_valid else ["too-few-valid"],
        series={"valid_share": share},
    )


def test_what_is_not_valid_says_so_in_figures(rulebook: Rulebook) -> None:
    evaluation = evaluate_body(ambulatory_body(keep(recording(USUAL), 12, 3)), rulebook)
    (finding,) = [finding for finding in evaluation.findings if finding.code == "ambulatory-not-valid"]
    assert finding.message.startswith("Not a valid recording: 12 by day (20), 3 by night (7), 100 % of attempts valid (70 %);")
    assert finding.severity == "blocks"
    assert evaluation.next_step.action == "repeat-another-day"
    assert {outcome.reason for outcome in evaluation.readings} == {"too-few"}


@pytest.mark.parametrize(
    ("percent", "name"),
    [(-0.01, "reverse"), (0, "reduced"), (9.99, "reduced"), (10, "normal"), (20, "normal"), (20.01, "extreme")],
)
def test_dipping_has_four_classes(percent: float, name: str, rulebook: Rulebook) -> None:
    series = rulebook.protocols["ambulatory-24-hour"].series
    assert isinstance(series, Recording)
    assert dipping_class(series.dipping, percent).name == name


@pytest.mark.parametrize(
    ("night", "code"), [(127, "dipping-reduced"), (142, "dipping-reverse"), (110, "dipping-extreme"), (120, None)]
)
def test_an_unusual_dip_is_told(night: float, code: str | None, rulebook: Rulebook) -> None:
    found = codes(ambulatory_body(recording(by_hours((140, 88), (night, 70)))), rulebook)
    assert {each for each in found if each.startswith("dipping-")} == ({code} if code is not None else set())


@pytest.mark.parametrize(
    ("guideline", "day", "night", "category", "part"),
    [
        ("esh-2023", (132, 82), (112, 66), "not-hypertension", "24-hour"),
        ("esh-2023", (128, 78), (121, 66), "hypertension", "night-time"),
        ("esc-2024", (136, 70), (100, 60), "hypertension", "daytime"),
        ("ish-2020", (134, 78), (119, 69), "hypertension", "24-hour"),
        ("nice-2019", (134, 84), (130, 80), "not-hypertension", "daytime"),
        ("nice-2019", (150, 84), (110, 60), "stage-2", "daytime"),
        ("aha-acc-2025", (119, 79), (112, 60), "elevated", "24-hour"),
        ("aha-acc-2017", (119, 79), (112, 60), "normal", "daytime"),
        ("aha-acc-2025", (120, 79), (100, 60), "elevated", "daytime"),
        ("aha-acc-2025", (134, 79), (100, 60), "stage-1", "daytime"),
        ("aha-acc-2025", (120, 85), (100, 60), "stage-2", "daytime"),
        ("jsh-2019", (128, 78), (110, 70), "hypertension", "night-time"),
    ],
)
def test_the_parts_that_decide_are_the_guideline_s_own(
    guideline: str, day: tuple[float, float], night: tuple[float, float], category: str, part: str, rulebook: Rulebook
) -> None:
    evaluation = evaluate_body(ambulatory_body(recording(by_hours(day, night)), guidelines=[guideline]), rulebook)
    (entry,) = evaluation.categories
    assert entry.category == category
    assert entry.basis is not None and entry.basis.startswith(part)


def test_a_high_night_alone_is_told(rulebook: Rulebook) -> None:
    assert "night-alone-high" in codes(ambulatory_body(recording(by_hours((124, 76), (122, 68)))), rulebook)
    assert "night-alone-high" not in codes(ambulatory_body(recording(by_hours((140, 76), (122, 68)))), rulebook)


def test_rounding_decides_by_part(rulebook: Rulebook) -> None:
    halves = recording(lambda moment: (135 if moment.minute else 134, 70) if 6 <= moment.hour < 22 else (100, 60), day_every=30)
    check(ambulatory_body(halves), rulebook, category={"esh-2023": "hypertension"}, findings_include=["rounding-decides"])


def test_nice_asks_for_fourteen_waking_readings_and_takes_their_mean(rulebook: Rulebook) -> None:
    waking = recording(USUAL, hours=7, day_every=30)
    body = ambulatory_body(waking, protocol="ambulatory-nice-2019", guidelines=["nice-2019"])
    check(body, rulebook, state="complete", reported=[138, 86], category={"nice-2019": "stage-1"})
    assert series_of(body, rulebook).hours_24 is None
    short = ambulatory_body(waking[:13], protocol="ambulatory-nice-2019", guidelines=["nice-2019"])
    check(short, rulebook, state="not-usable", findings_include=["ambulatory-not-valid"])


def test_nice_leaves_the_night_out_of_its_mean(rulebook: Rulebook) -> None:
    body = ambulatory_body(recording(USUAL), protocol="ambulatory-nice-2019", guidelines=["nice-2019"])
    check(body, rulebook, reported=[138, 86], series={"dipping": "normal", "n": 42})
    assert {outcome.reason for outcome in evaluate_body(body, rulebook).readings} == {None, "not-part-of-series"}


def test_an_open_recording_goes_on_until_it_is_valid(rulebook: Rulebook) -> None:
    check(
        ambulatory_body(recording(USUAL, hours=6), closed=False),
        rulebook,
        state="in-progress",
        next_action="take-reading",
        plan={"taken": 18, "remaining": 9, "because": "ambulatory-recording"},
    )
    check(ambulatory_body(recording(USUAL), closed=False), rulebook, state="complete", next_action="close")


def test_a_severe_value_by_night_is_not_averaged_away(rulebook: Rulebook) -> None:
    readings = recording(USUAL)
    readings[40] |= {"systolic_mmhg": 190}
    readings[41] |= {"systolic_mmhg": 188}
    body = ambulatory_body(readings)
    check(body, rulebook, state="complete", safety_level="same-day", findings_include=["severe-reading", "severe-confirmed"])


def test_pregnancy_and_children_have_no_ambulatory_table_here(rulebook: Rulebook) -> None:
    subject = ambulatory_body([])["subject"]
    for facts in ({"pregnancy": "pregnant"}, {"birth_date": "2012-05-05"}):
        body = ambulatory_body(recording(USUAL), subject=subject | facts)
        check(body, rulebook, category={"esh-2023": None}, findings_include=["guideline-not-for-this-person"])


def test_inpatients_get_no_category(rulebook: Rulebook) -> None:
    check(ambulatory_body(recording(USUAL), context={"care": "inpatient"}), rulebook, category={"esh-2023": None})
