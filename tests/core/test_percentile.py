"""Children from 1 to 12 years: what is expected of them, the limits made for each, and what is lacking said."""

from __future__ import annotations

import msgspec
import pytest

from core.golden import differences, evaluate_body
from quietcuff.core.rulebook.rulebook import PercentileEdge, Rulebook
from quietcuff.core.sitting.percentiles import ExpectedPressure, expect_of, find_height_z, percentile_of
from quietcuff.rules.catalog import load_rulebook

Z90, Z95, Z99 = 1.2815515655446004, 1.6448536269514722, 2.3263478740408408
EIGHT_YEARS_MEDIAN_CM = 127.9


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


def expected(rulebook: Rulebook, sex: str, years: int, height_z: float) -> tuple[ExpectedPressure, ExpectedPressure]:
    reference = rulebook.pressures["nhbpep-2004-pressure"]
    norms = expect_of(reference, "female" if sex == "girl" else "male", years, height_z)
    return norms.systolic, norms.diastolic


def at(values: ExpectedPressure, z: float) -> float:
    return values.at(PercentileEdge(percentile=0, z=z))


def test_the_report_s_own_example(rulebook: Rulebook) -> None:
    systolic, _ = expected(rulebook, "boy", 12, 1.28)
    assert systolic.mean_mmhg == pytest.approx(109.458, abs=5e-4)
    assert systolic.z_of(120) == pytest.approx(0.984, abs=5e-4)
    assert percentile_of(systolic.z_of(120)) == pytest.approx(83.7, abs=0.05)


@pytest.mark.parametrize(
    ("sex", "years", "height_z", "systolic", "diastolic"),
    [
        ("boy", 8, 0, (99.02, 112.75, 116.64, 123.94), (59.12, 73.99, 78.21, 86.12)),
        ("girl", 8, 0, (98.20, 111.64, 115.45, 122.59), (58.47, 72.51, 76.49, 83.96)),
        ("boy", 12, 1.645, (110.18, 123.91, 127.80, 135.10), (64.27, 79.14, 83.35, 91.26)),
        ("girl", 12, -1.645, (102.66, 116.10, 119.91, 127.06), (61.18, 75.23, 79.21, 86.67)),
    ],
)
def test_the_regression_gives_its_check_values(
    sex: str, years: int, height_z: float, systolic: tuple[float, ...], diastolic: tuple[float, ...], rulebook: Rulebook
) -> None:
    """Source: [FR04-APP-B], worked out apart from this code."""
    for values, wanted in zip(expected(rulebook, sex, years, height_z), (systolic, diastolic), strict=True):
        assert [round(at(values, z), 2) for z in (0, Z90, Z95, Z99)] == pytest.approx(list(wanted), abs=0.006)


def test_coefficients_that_are_often_mistyped_stand_right(rulebook: Rulebook) -> None:
    equations = {(each.sex, each.pressure): each for each in rulebook.pressures["nhbpep-2004-pressure"].equations}
    assert equations["male", "systolic"].age[1:3] == (0.12776, 0.00249)
    assert equations["female", "systolic"].age[2] == -0.00789
    assert equations["male", "diastolic"].age[3] == 0.00045
    _, diastolic = expected(rulebook, "boy", 17, 0)
    assert int(at(diastolic, Z95)) == 87


def test_a_height_at_the_very_edge_of_the_tables_is_still_tabled(rulebook: Rulebook) -> None:
    """The tables are printed from the 5th to the 95th percentile of height, both included. Source: [FR04]."""
    reference = rulebook.pressures["nhbpep-2004-pressure"]
    edge = reference.height_z_tabled
    for height_z in (edge, -edge):
        assert expect_of(reference, "male", 8, height_z).is_tabled
        assert not expect_of(reference, "male", 8, height_z * (1 + 1e-9)).is_tabled


@pytest.mark.parametrize(
    ("sex", "months", "height_cm", "z"),
    [
        ("male", 120.5, 138.8234114, 0),
        ("male", 120.5, 128.2, -1.645),
        ("male", 120.5, 149.9, 1.645),
        ("female", 120.5, 127.5, -1.645),
        ("female", 120.5, 149.6, 1.645),
    ],
)
def test_heights_stand_where_the_reference_has_them(
    sex: str, months: float, height_cm: float, z: float, rulebook: Rulebook
) -> None:
    found = find_height_z(rulebook.heights["cdc-2000-height"], "female" if sex == "female" else "male", months, height_cm)
    assert found == pytest.approx(z, abs=0.01)


@pytest.mark.parametrize("months", [11.9, 156])
def test_outside_its_ages_the_reference_says_nothing(months: float, rulebook: Rulebook) -> None:
    assert find_height_z(rulebook.heights["cdc-2000-height"], "male", months, 100) is None


def test_a_power_of_zero_is_the_logarithm(rulebook: Rulebook) -> None:
    heights = rulebook.heights["cdc-2000-height"]
    table = msgspec.structs.replace(heights.tables[0], rows=[(12, 0, 80, 0.04), (24, 0, 80, 0.04)])
    reference = msgspec.structs.replace(heights, tables=[table])
    assert find_height_z(reference, table.sex, 18, 80 * 1.04) == pytest.approx(0.980518, abs=1e-6)


def child(**facts: object) -> dict[str, object]:
    """A boy of 8 years and median height; a fact that is None is left out."""
    subject = {"birth_date": "2018-05-04", "sex": "male", "height_cm": EIGHT_YEARS_MEDIAN_CM} | facts
    return {"identifier": {"system": "urn:example:children", "value": "c-1"}} | {
        k: v for k, v in subject.items() if v is not None
    }


def body(systolic: float, diastolic: float, count: int = 3, **facts: object) -> dict[str, object]:
    readings = [
        {
            "taken_at": f"2026-05-04T09:0{place}:10+02:00",
            "systolic_mmhg": systolic,
            "diastolic_mmhg": diastolic,
            "site": "right-upper-arm",
            "position": "sitting",
        }
        for place in range(count)
    ]
    return {"subject": child(**facts), "visit": "follow-up", "readings": readings}


def check(request: dict[str, object], rulebook: Rulebook, **expect: object) -> None:
    assert differences(evaluate_body(request, rulebook), expect) == []


@pytest.mark.parametrize(
    ("systolic", "diastolic", "category"),
    [
        (112, 70, "normal"),
        (113, 70, "prehypertension"),
        (116, 70, "prehypertension"),
        (117, 70, "stage-1"),
        (128, 70, "stage-1"),
        (129, 70, "stage-2"),
        (100, 73, "normal"),
        (100, 74, "prehypertension"),
        (100, 79, "stage-1"),
        (104, 91, "stage-1"),
        (116, 92, "stage-2"),
    ],
)
def test_a_boy_of_eight_has_limits_of_his_own(systolic: float, diastolic: float, category: str, rulebook: Rulebook) -> None:
    """90th, 95th and 99th plus 5: 112.8/74.0, 116.6/78.2, 128.9/91.1."""
    check(
        body(systolic, diastolic),
        rulebook,
        protocol="office-aap-2017",
        guidelines=["fourth-report-2004"],
        category={"fourth-report-2004": category},
    )


def test_percentiles_and_references_are_told(rulebook: Rulebook) -> None:
    evaluation = evaluate_body(body(117, 70), rulebook)
    percentile = evaluation.percentile
    assert percentile is not None
    assert (percentile.reference, percentile.height_reference) == ("nhbpep-2004-pressure", "cdc-2000-height")
    assert percentile.age_years == 8
    assert abs(percentile.height_z) < 0.01
    assert 95 < percentile.systolic < 96
    assert percentile.systolic_z == pytest.approx((117 - 99.02) / 10.7128, abs=0.01)
    assert percentile.diastolic == pytest.approx(82.6, abs=0.3)
    (entry,) = evaluation.categories
    assert entry.basis is not None and entry.basis.startswith("95th percentile or more: 116.7/78.2 for 8 years")
    assert entry.decided_by == "systolic"


def test_the_age_is_in_completed_years_and_the_height_of_the_exact_age(rulebook: Rulebook) -> None:
    younger, older = (evaluate_body(body(100, 60, birth_date=day), rulebook).percentile for day in ("2018-05-04", "2017-05-05"))
    assert younger is not None and older is not None
    assert younger.age_years == older.age_years == 8
    assert younger.height_z > older.height_z + 0.8


def test_the_printed_table_would_give_another_category(rulebook: Rulebook) -> None:
    assert "printed-table-differs" in {f.code for f in evaluate_body(body(116, 70), rulebook).findings}
    assert "printed-table-differs" not in {f.code for f in evaluate_body(body(115, 70), rulebook).findings}
    assert "printed-table-differs" not in {f.code for f in evaluate_body(body(128, 70), rulebook).findings}


def test_120_80_and_above_is_prehypertension_in_a_tall_child(rulebook: Rulebook) -> None:
    """The report's text has adolescents at or above 120/80, its table above. Source: [FR04-ADOLESCENT]."""
    tall = {"birth_date": "2014-01-15", "height_cm": 163.0}
    for systolic, category in ((119, "normal"), (120, "prehypertension"), (121, "prehypertension")):
        check(body(systolic, 60, **tall), rulebook, category={"fourth-report-2004": category})


@pytest.mark.parametrize(
    ("facts", "code"),
    [
        ({"height_cm": None}, "height-not-recorded"),
        ({"sex": None}, "sex-not-recorded"),
        ({"sex": "other"}, "sex-not-recorded"),
        ({"birth_date": "2017"}, "birth-date-too-coarse"),
        ({"height_cm": 90}, "height-outside-reference"),
    ],
)
def test_what_is_lacking_is_said_and_no_category_given(facts: dict[str, object], code: str, rulebook: Rulebook) -> None:
    evaluation = evaluate_body(body(117, 70, **facts), rulebook)
    assert evaluation.state == "complete"
    assert evaluation.result is not None and evaluation.result.systolic_mmhg == 117
    assert [entry.category for entry in evaluation.categories] == [None]
    assert evaluation.percentile is None
    found = {finding.code for finding in evaluation.findings}
    assert code in found
    assert "guideline-not-for-this-person" not in found


def test_a_height_beyond_the_printed_tables_is_told(rulebook: Rulebook) -> None:
    found = {f.code for f in evaluate_body(body(100, 60, height_cm=140), rulebook).findings}
    assert "height-beyond-tables" in found
    assert "height-beyond-tables" not in {f.code for f in evaluate_body(body(100, 60), rulebook).findings}


@pytest.mark.parametrize(("systolic", "state"), [(112, "complete"), (113, "not-usable")])
def test_one_reading_does_below_the_child_s_own_90th_percentile(systolic: float, state: str, rulebook: Rulebook) -> None:
    check(body(systolic, 70, count=1), rulebook, state=state)


@pytest.mark.parametrize(
    ("birth_date", "guideline", "has_category"),
    [
        ("2013-05-05", "fourth-report-2004", True),
        ("2013-05-04", "aap-2017", True),
        ("2025-05-04", "fourth-report-2004", True),
        ("2025-05-05", "fourth-report-2004", False),
    ],
)
def test_the_age_chooses_the_guideline(birth_date: str, guideline: str, has_category: bool, rulebook: Rulebook) -> None:
    years = 2026 - int(birth_date[:4])
    request = body(100, 60, birth_date=birth_date, height_cm=74 + 6.3 * (years - 1))
    evaluation = evaluate_body(request, rulebook)
    assert [entry.guideline for entry in evaluation.categories] == [guideline]
    assert (evaluation.categories[0].category is not None) == has_category


def test_adults_have_no_percentile_even_when_the_guideline_is_asked(rulebook: Rulebook) -> None:
    request = body(130, 80, birth_date="1990-01-15", height_cm=180) | {"guidelines": ["fourth-report-2004", "esh-2023"]}
    evaluation = evaluate_body(request, rulebook)
    assert evaluation.percentile is None
    assert [entry.category for entry in evaluation.categories] == [None, "high-normal"]


def test_confirmation_needs_another_day(rulebook: Rulebook) -> None:
    check(body(117, 70), rulebook, next_action="repeat-another-day", confirm_by={"date": "2026-05-18", "way": "office"})
    check(body(130, 70), rulebook, confirm_by={"date": "2026-05-11", "way": "office"})
