"""Home and ambulatory tables against the published limits: every part, just below and at each edge."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from quietcuff.core.labels.classification import place_in_rows
from quietcuff.core.model.errors import RulesNotLoadable
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import check_bands, check_guideline, check_kind, load_rulebook

USUAL = {"home": (135, 85), "day": (135, 85), "night": (120, 70), "hours-24": (130, 80)}
ELEVATED = {"home": (120, 70), "day": (120, 70), "night": (110, 60), "hours-24": (115, 65)}
# The values that correspond to office 120 (systolic alone), 130/80 and 140/90, row by row.
CORRESPONDING = {
    "home": (120, (130, 80), (135, 85)),
    "day": (120, (130, 80), (135, 85)),
    "night": (100, (110, 65), (120, 70)),
    "hours-24": (115, (125, 75), (130, 80)),
}
DECIDING = {
    "esh-2023": {"home", "day", "night", "hours-24"},
    "esc-2024": {"home", "day", "night", "hours-24"},
    "ish-2020": {"home", "day", "night", "hours-24"},
    "jsh-2019": {"home", "day", "night", "hours-24"},
    "nice-2019": {"home", "day"},
    "aha-acc-2017": {"home", "day"},
    "acog-2020": {"home"},
    "aha-acc-2025": {"home", "day", "hours-24"},
}


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


def category(rulebook: Rulebook, guideline: str, part: str, systolic: float, diastolic: float) -> str:
    (bands,) = [bands for bands in rulebook.guidelines[guideline].out_of_office if bands.part == part]
    return place_in_rows(bands.rows, systolic, diastolic).row.category


@pytest.mark.parametrize("part", USUAL)
def test_elevated_starts_below_hypertension_in_every_part(part: str, rulebook: Rulebook) -> None:
    """Source: [ESC24-OUT], from memory; hypertension [ESC24, AFP21]."""
    (low, low_diastolic), (high, high_diastolic) = ELEVATED[part], USUAL[part]
    for systolic, diastolic, found in (
        (low - 1, low_diastolic - 1, "non-elevated"),
        (low, low_diastolic - 1, "elevated"),
        (low - 1, low_diastolic, "elevated"),
        (high - 1, high_diastolic - 1, "elevated"),
        (high, low_diastolic - 1, "hypertension"),
        (low - 1, high_diastolic, "hypertension"),
    ):
        assert category(rulebook, "esc-2024", part, systolic, diastolic) == found, (systolic, diastolic)


@pytest.mark.parametrize("guideline", ["esh-2023", "ish-2020"])
@pytest.mark.parametrize("part", USUAL)
def test_one_threshold_a_part(guideline: str, part: str, rulebook: Rulebook) -> None:
    """Source: [ISH20, AFP21]."""
    systolic, diastolic = USUAL[part]
    assert category(rulebook, guideline, part, systolic - 1, diastolic - 1) == "not-hypertension"
    assert category(rulebook, guideline, part, systolic, diastolic - 1) == "hypertension"
    assert category(rulebook, guideline, part, systolic - 1, diastolic) == "hypertension"


@pytest.mark.parametrize("guideline", ["aha-acc-2017", "aha-acc-2025"])
@pytest.mark.parametrize("part", CORRESPONDING)
def test_corresponding_values_row_by_row(guideline: str, part: str, rulebook: Rulebook) -> None:
    """Source: [AHA25, ACC17-T11]."""
    elevated, (one, one_diastolic), (two, two_diastolic) = CORRESPONDING[part]
    low = one_diastolic - 1
    assert category(rulebook, guideline, part, elevated - 1, low) == "normal"
    assert category(rulebook, guideline, part, elevated, low) == "elevated"
    assert category(rulebook, guideline, part, one - 1, low) == "elevated"
    assert category(rulebook, guideline, part, one, low) == "stage-1"
    assert category(rulebook, guideline, part, elevated - 1, one_diastolic) == "stage-1"
    assert category(rulebook, guideline, part, two - 1, two_diastolic - 1) == "stage-1"
    assert category(rulebook, guideline, part, two, low) == "stage-2"
    assert category(rulebook, guideline, part, elevated - 1, two_diastolic) == "stage-2"


@pytest.mark.parametrize(
    ("systolic", "diastolic", "found"),
    [
        (134, 84, "not-hypertension"),
        (135, 84, "grade-1"),
        (134, 85, "grade-1"),
        (144, 89, "grade-1"),
        (145, 89, "grade-2"),
        (144, 90, "grade-2"),
        (159, 99, "grade-2"),
        (160, 99, "grade-3"),
        (159, 100, "grade-3"),
    ],
)
def test_home_grades(systolic: float, diastolic: float, found: str, rulebook: Rulebook) -> None:
    """Source: [JSH19-GRADES]."""
    assert category(rulebook, "jsh-2019", "home", systolic, diastolic) == found


@pytest.mark.parametrize("part", ["home", "day"])
def test_stages_need_values_outside_the_clinic(part: str, rulebook: Rulebook) -> None:
    """Source: [GPN]."""
    for systolic, diastolic, found in (
        (134, 84, "not-hypertension"),
        (135, 84, "stage-1"),
        (134, 85, "stage-1"),
        (149, 94, "stage-1"),
        (150, 94, "stage-2"),
        (149, 95, "stage-2"),
    ):
        assert category(rulebook, "nice-2019", part, systolic, diastolic) == found


def test_which_parts_decide(rulebook: Rulebook) -> None:
    found = {
        guideline.id: {bands.part for bands in guideline.out_of_office if bands.decides}
        for guideline in rulebook.guidelines.values()
        if guideline.out_of_office
    }
    assert found == DECIDING


def test_the_limit_for_hypertension_is_an_edge_of_its_table(rulebook: Rulebook) -> None:
    for guideline in rulebook.guidelines.values():
        for bands in guideline.out_of_office:
            edges = {(row.systolic_mmhg, row.diastolic_mmhg) for row in bands.rows}
            assert (bands.hypertension.systolic_mmhg, bands.hypertension.diastolic_mmhg) in edges, (guideline.id, bands.part)


def test_the_protocol_s_fall_is_the_guideline_s(rulebook: Rulebook) -> None:
    standing = rulebook.protocols["orthostatic-standing"].standing
    assert standing is not None
    row = rulebook.guidelines["orthostatic-2011"].rows[-1]
    assert (standing.drop.systolic_mmhg, standing.drop.diastolic_mmhg) == (row.systolic_mmhg, row.diastolic_mmhg)


def test_tables_that_do_not_hold_together_do_not_load(rulebook: Rulebook) -> None:
    esh, fourth = rulebook.guidelines["esh-2023"], rulebook.guidelines["fourth-report-2004"]
    home, *rest = esh.out_of_office
    for broken, words in (
        (replace(esh, out_of_office=rest), "home needs a table that decides"),
        (replace(esh, out_of_office=[home, *esh.out_of_office]), "each part once"),
        (replace(esh, out_of_office=[replace(home, setting="ambulatory"), *rest]), "part and setting differ"),
        (replace(esh, out_of_office=[home, replace(rest[0], rows=[*esh.rows]), *rest[1:]]), "the same categories"),
    ):
        with pytest.raises(RulesNotLoadable, match=words):
            check_bands(broken)
    for broken, words in (
        (replace(esh, hypertension=None), "hypertension is missing"),
        (replace(fourth, reference=None), "reference is missing"),
        (replace(fourth, hypertension_from="severe"), "hypertension_from is no row"),
        (replace(fourth, rows=[fourth.rows[0], *reversed(fourth.rows[1:])]), "percentiles must rise"),
        (replace(fourth, rows=fourth.rows[1:]), "needs a percentile"),
    ):
        with pytest.raises(RulesNotLoadable, match=words):
            check_guideline(broken)


def test_plans_that_do_not_hold_together_do_not_load(rulebook: Rulebook) -> None:
    day = rulebook.protocols["ambulatory-24-hour"]
    stand = rulebook.protocols["orthostatic-standing"]
    series = day.series
    assert series is not None and stand.standing is not None
    for broken, words in (
        (replace(day, series=None), r"counts series needs \[series\]"),
        (replace(day, counts="all"), r"counts series needs \[series\]"),
        (replace(stand, standing=None), r"counts baseline needs \[standing\]"),
        (replace(day, series=replace(series, dipping=[])), "dipping"),
        (replace(stand, standing=replace(stand.standing, source={})), "needs its source"),
    ):
        with pytest.raises(RulesNotLoadable, match=words):
            check_kind(broken)
