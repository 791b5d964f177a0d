"""Home series: the first day dropped, minimum of days and readings, and what the guidelines call the mean."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest

from core.golden import differences, evaluate_body
from core.recordings import START, home_body, home_series, reading
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


def falling(moment: datetime) -> tuple[float, float]:
    """Higher on the first day, in the morning by 4 than in the evening."""
    day = (moment - START).days
    morning = 4 if moment.hour < 12 else 0
    return (148 if day == 0 else 132) + morning, (92 if day == 0 else 82) + morning


def check(body: dict[str, Any], rulebook: Rulebook, **expect: Any) -> None:
    assert differences(evaluate_body(body, rulebook), expect) == []


def codes(body: dict[str, Any], rulebook: Rulebook) -> set[str]:
    return {finding.code for finding in evaluate_body(body, rulebook).findings}


def test_a_week_counts_without_its_first_day(rulebook: Rulebook) -> None:
    check(
        home_body(home_series(7, falling)),
        rulebook,
        state="complete",
        counted=list(range(4, 28)),
        exact_mean=[134, 84],
        reported=[134, 84],
        reasons={"0": "not-part-of-series", "3": "not-part-of-series", "4": None},
        category={"esh-2023": "not-hypertension"},
        provisional_because={"esh-2023": []},
        series={"kind": "home", "days_used": 6, "days_dropped": 1, "drop_rule": "first-day", "n": 24, "valid_share": 1},
        findings_include=["first-day-dropped"],
        findings_exclude=["too-few-readings", "home-readings-too-few", "confirm-out-of-office"],
        plan={"planned": 28, "taken": 28, "remaining": 0, "because": "home-series"},
        next_action="none",
        record_line="134/84, left arm, seated, cuff not recorded, "
        "mean of 24 readings on 6 days, the first day left out; home series. "
        "Oscillometric; not counted: 4 outside what the series uses.",
    )


def test_the_dropped_day_is_told_with_what_it_would_change(rulebook: Rulebook) -> None:
    evaluation = evaluate_body(home_body(home_series(7, falling)), rulebook)
    (finding,) = [finding for finding in evaluation.findings if finding.code == "first-day-dropped"]
    assert finding.message == "The first day's 4 readings are left out of the series; with them the mean would be 136/85."
    assert evaluation.cautions == [
        rulebook.wording.caution["not-a-device"],
        rulebook.wording.caution["no-treatment"],
    ]


def test_mornings_and_evenings_have_means_of_their_own(rulebook: Rulebook) -> None:
    series = evaluate_body(home_body(home_series(7, falling)), rulebook).series
    assert series is not None and series.morning is not None and series.evening is not None
    assert (series.morning.systolic_mean_mmhg, series.morning.readings) == (136, 12)
    assert (series.evening.systolic_mean_mmhg, series.evening.readings) == (132, 12)
    assert series.day is series.night is series.hours_24 is series.dipping_percent is None


@pytest.mark.parametrize(
    ("days", "times", "state", "missing"),
    [
        (4, 2, "complete", []),
        (3, 2, "not-usable", ["too-few-readings", "too-few-days"]),
        (3, 3, "not-usable", ["too-few-days"]),
        (6, 1, "not-usable", ["too-few-readings"]),
        (7, 1, "complete", []),
        (1, 2, "not-usable", ["too-few-readings", "too-few-days"]),
    ],
)
def test_three_days_and_twelve_readings_must_be_left(
    days: int, times: int, state: str, missing: list[str], rulebook: Rulebook
) -> None:
    body = home_body(home_series(days, falling, times=times))
    check(body, rulebook, state=state, blocked_by=missing)
    assert ("home-readings-too-few" in codes(body, rulebook)) == (state == "not-usable")
    assert ("too-few-readings" in codes(body, rulebook)) == ("too-few-readings" in missing)


def test_too_few_give_no_result_no_category_and_a_way_on(rulebook: Rulebook) -> None:
    check(
        home_body(home_series(3, falling)),
        rulebook,
        counted=[],
        reported=None,
        category={"esh-2023": None},
        reasons={"0": "not-part-of-series", "4": "too-few"},
        series={"days_used": 2, "days_dropped": 1, "n": 8},
        next_action="measure-out-of-office",
        safety_level="none",
    )


def test_invalid_readings_and_the_other_arm_stand_back(rulebook: Rulebook) -> None:
    readings = home_series(7, falling)
    readings[4] |= {"site": "right-upper-arm"}
    readings[5] |= {"device_flags": ["body-movement"]}
    readings[6] |= {"position": "standing"}
    readings[7] |= {"systolic_mmhg": 80, "diastolic_mmhg": 130}
    check(
        home_body(readings),
        rulebook,
        state="complete",
        reasons={"4": "other-arm", "5": "device-error", "6": "other-position", "7": "implausible"},
        series={"days_used": 5, "n": 20, "valid_share": 0.8571},
        arms={"compared": False, "pairs": 0},
    )


def test_the_arm_with_most_of_the_series_gives_the_result(rulebook: Rulebook) -> None:
    readings = home_series(7, falling)
    for early in readings[:4]:
        early["site"] = "right-upper-arm"
    check(home_body(readings), rulebook, state="complete", result={"site": "left-upper-arm", "readings_counted": 24})


def test_days_long_after_the_first_are_not_part_of_the_series(rulebook: Rulebook) -> None:
    late = home_series(1, falling, start=START + timedelta(days=14))
    body = home_body(home_series(7, falling) + late)
    check(body, rulebook, reasons={"28": "not-part-of-series"}, series={"n": 24, "days_dropped": 2})
    assert "days-after-series" in codes(body, rulebook)


def test_the_day_is_that_of_the_reading_s_own_offset(rulebook: Rulebook) -> None:
    start = datetime.fromisoformat("2026-05-04T15:00:00-09:00")
    readings = [
        reading(start + timedelta(days=day, hours=hour, minutes=minute), (134, 84))
        for day in range(7)
        for hour in (0, 7)
        for minute in (0, 1)
    ]
    check(home_body(readings), rulebook, series={"days_used": 6, "days_dropped": 1, "n": 24})


def test_an_open_series_goes_on_until_its_week_is_full(rulebook: Rulebook) -> None:
    check(
        home_body(home_series(4, falling), closed=False),
        rulebook,
        state="in-progress",
        reported=None,
        reasons={"0": "pending", "15": "pending"},
        next_action="take-reading",
        plan={"planned": 28, "taken": 16, "remaining": 12, "because": "home-series"},
    )
    check(home_body(home_series(7, falling), closed=False), rulebook, state="complete", next_action="close")


def test_a_severe_reading_stays_in_sight_on_the_dropped_day(rulebook: Rulebook) -> None:
    readings = home_series(7, falling)
    readings[0] |= {"systolic_mmhg": 184}
    body = home_body(readings)
    check(body, rulebook, state="complete", safety_level="ask", safety_readings=[0], next_action="ask-symptoms")
    assert {"severe-reading", "severe-not-confirmed"} <= codes(body, rulebook)


@pytest.mark.parametrize(
    ("guideline", "pressures", "category"),
    [
        ("esh-2023", (134, 84), "not-hypertension"),
        ("esh-2023", (135, 80), "hypertension"),
        ("esc-2024", (119, 69), "non-elevated"),
        ("esc-2024", (125, 75), "elevated"),
        ("esc-2024", (119, 70), "elevated"),
        ("esc-2024", (134, 84), "elevated"),
        ("esc-2024", (120, 85), "hypertension"),
        ("ish-2020", (134, 84), "not-hypertension"),
        ("nice-2019", (134, 84), "not-hypertension"),
        ("nice-2019", (135, 84), "stage-1"),
        ("nice-2019", (149, 94), "stage-1"),
        ("nice-2019", (130, 95), "stage-2"),
        ("aha-acc-2025", (119, 79), "normal"),
        ("aha-acc-2025", (120, 79), "elevated"),
        ("aha-acc-2025", (129, 80), "stage-1"),
        ("aha-acc-2025", (134, 84), "stage-1"),
        ("aha-acc-2025", (135, 70), "stage-2"),
        ("jsh-2019", (134, 84), "not-hypertension"),
        ("jsh-2019", (144, 84), "grade-1"),
        ("jsh-2019", (145, 84), "grade-2"),
        ("jsh-2019", (130, 100), "grade-3"),
        ("canada-2025", (145, 84), None),
        ("acog-2020", (145, 84), None),
    ],
)
def test_each_guideline_has_its_own_home_table(
    guideline: str, pressures: tuple[float, float], category: str | None, rulebook: Rulebook
) -> None:
    body = home_body(home_series(7, lambda _: pressures), guidelines=[guideline])
    check(body, rulebook, category={guideline: category})
    assert ("guideline-not-for-this-person" in codes(body, rulebook)) == (category is None)


def test_rounding_decides_by_the_home_table(rulebook: Rulebook) -> None:
    readings = home_series(7, lambda moment: (135 if moment.hour < 12 else 134, 80))
    check(
        home_body(readings),
        rulebook,
        exact_mean=[134.5, 80],
        category={"esh-2023": "hypertension"},
        findings_include=["rounding-decides"],
    )


def test_on_treatment_is_compared_with_the_target(rulebook: Rulebook) -> None:
    subject = {**home_body([])["subject"], "antihypertensive_treatment": "yes"}
    body = home_body(home_series(7, lambda _: (142, 88)), subject=subject)
    check(body, rulebook, label={"esh-2023": "Hypertension range, home, on treatment"}, next_action="none")
    assert "compare-with-target" in codes(body, rulebook)


def test_faults_of_preparation_make_it_provisional_and_nothing_is_settled_for(rulebook: Rulebook) -> None:
    body = home_body(home_series(7, lambda _: (142, 88)), context={"caffeine_within_30_min": "yes", "pain": "yes"})
    check(body, rulebook, provisional_because={"esh-2023": ["pain", "caffeine"]}, next_action="review")


def test_one_sitting_posted_alone_keeps_its_mean_and_no_category(rulebook: Rulebook) -> None:
    readings = [reading(START + timedelta(hours=8, minutes=minute), (140, 88)) for minute in (0, 1)]
    body = home_body(readings)
    del body["protocol"]
    check(body, rulebook, protocol="home-sitting", state="complete", reported=[140, 88], category={"esh-2023": None})
    assert "home-readings-too-few" in codes(body, rulebook)
    assert evaluate_body(body, rulebook).series is None
