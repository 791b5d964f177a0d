"""White-coat, masked and sustained patterns: named only when both sides are valid, by each guideline's own limits."""

from __future__ import annotations

import pytest

from core.golden import evaluate_body
from core.recordings import ambulatory_body, by_hours, recording
from quietcuff.core.over_visits.patterns import (
    OfficeValue,
    OutsideValue,
    Part,
    Pattern,
    name_pattern,
    values_of_recording,
)
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


def office(systolic: float, diastolic: float, *, is_valid: bool = True) -> OfficeValue:
    return OfficeValue(systolic_mmhg=systolic, diastolic_mmhg=diastolic, is_valid=is_valid)


def outside(systolic: float, diastolic: float, part: Part = "home", *, is_valid: bool = True) -> OutsideValue:
    return OutsideValue(part=part, systolic_mmhg=systolic, diastolic_mmhg=diastolic, is_valid=is_valid)


def pattern(
    rulebook: Rulebook, guideline: str, value: OfficeValue | None, *values: OutsideValue, is_treated: bool = False
) -> Pattern | None:
    return name_pattern(rulebook.guidelines[guideline], value, list(values), rulebook.wording, is_treated=is_treated)


@pytest.mark.parametrize(
    ("guideline", "at_office", "at_home", "code"),
    [
        ("esh-2023", (145, 92), (128, 78), "white-coat-pattern"),
        ("esh-2023", (140, 70), (134, 84), "white-coat-pattern"),
        ("esh-2023", (139, 89), (135, 70), "masked-pattern"),
        ("esh-2023", (120, 70), (120, 85), "masked-pattern"),
        ("esh-2023", (139, 89), (134, 84), None),
        ("esh-2023", (140, 90), (135, 85), "sustained-pattern"),
        ("aha-acc-2025", (130, 70), (129, 79), "white-coat-pattern"),
        ("aha-acc-2025", (129, 79), (130, 70), "masked-pattern"),
        ("canada-2025", (145, 92), (120, 70), None),
    ],
)
def test_each_guideline_has_its_limits(
    guideline: str, at_office: tuple[float, float], at_home: tuple[float, float], code: str | None, rulebook: Rulebook
) -> None:
    found = pattern(rulebook, guideline, office(*at_office), outside(*at_home))
    assert (None if found is None else found.code) == code


def test_any_outside_value_makes_it_masked_and_all_are_needed_for_white_coat(rulebook: Rulebook) -> None:
    low_day, high_night = outside(128, 78, "day"), outside(122, 68, "night")
    masked = pattern(rulebook, "esh-2023", office(130, 80), low_day, high_night)
    assert masked is not None and masked.code == "masked-pattern" and masked.parts == ["night"]
    sustained = pattern(rulebook, "esh-2023", office(145, 92), low_day, high_night)
    assert sustained is not None and sustained.code == "sustained-pattern" and sustained.parts == ["night"]
    white = pattern(rulebook, "esh-2023", office(145, 92), low_day, outside(112, 64, "night"))
    assert white is not None and white.parts == ["day", "night"]


def test_parts_that_do_not_decide_are_left_out(rulebook: Rulebook) -> None:
    assert pattern(rulebook, "aha-acc-2025", office(120, 70), outside(130, 80, "night")) is None
    assert pattern(rulebook, "nice-2019", office(130, 80), outside(139, 88, "hours-24")) is None


def test_both_sides_must_be_valid(rulebook: Rulebook) -> None:
    assert pattern(rulebook, "esh-2023", office(145, 92, is_valid=False), outside(128, 78)) is None
    assert pattern(rulebook, "esh-2023", office(145, 92), outside(128, 78, is_valid=False)) is None
    assert pattern(rulebook, "esh-2023", None, outside(128, 78)) is None
    assert pattern(rulebook, "esh-2023", office(145, 92)) is None
    mixed = pattern(rulebook, "esh-2023", office(145, 92), outside(150, 95, is_valid=False), outside(128, 78, "day"))
    assert mixed is not None and mixed.code == "white-coat-pattern"


def test_on_treatment_it_is_called_uncontrolled(rulebook: Rulebook) -> None:
    treated = pattern(rulebook, "esh-2023", office(130, 80), outside(140, 88), is_treated=True)
    untreated = pattern(rulebook, "esh-2023", office(130, 80), outside(140, 88))
    assert treated is not None and untreated is not None
    assert "uncontrolled" in treated.label
    assert "uncontrolled" not in untreated.label


def test_tables_that_are_not_of_pressures_name_nothing(rulebook: Rulebook) -> None:
    for guideline in ("orthostatic-2011", "fourth-report-2004"):
        assert pattern(rulebook, guideline, office(145, 92), outside(120, 70)) is None


def test_a_recording_gives_its_parts(rulebook: Rulebook) -> None:
    series = evaluate_body(ambulatory_body(recording(by_hours((138, 86), (120, 72)))), rulebook).series
    assert series is not None
    values = values_of_recording(series, is_valid=True)
    assert [(value.part, value.systolic_mmhg) for value in values] == [("day", 138), ("night", 120), ("hours-24", 134)]
