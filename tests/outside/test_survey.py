"""Every examined adult of the public survey of 2017-2018 through the core, against the same worked out with data frames.

The readings are the survey's own; the day, the minute between readings, the birthday and the identifiers are invented (see
``outside/survey.py``). Nothing is weighted to a population: these are people of one file, each at one sitting, with no arm
and no cuff recorded. ``docs/survey.md`` tells the figures.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from outside import reckoning, through_core
from outside.through_core import FIRST, GUIDELINES, people_with, readings_with

PAGE = Path(__file__).parents[2] / "docs" / "survey.md"
HALF_OF_FOUR_DECIMALS = 0.5e-4 + 1e-9
ZERO, LOW = "diastolic of zero", "diastolic outside 20 to 200"

systolic, diastolic = pl.col("systolic"), pl.col("diastolic")


@pytest.fixture(scope="module")
def taken() -> pl.DataFrame:
    return through_core.taken()


def plausible_after() -> pl.Expr:
    """How many plausible readings follow a reading."""
    plausible = pl.col("cause").is_null()
    return (plausible.sum() - plausible.cum_sum()).over("person").alias("back")


def pairs(readings: pl.DataFrame) -> set[tuple[int, int]]:
    """Readings as the person and the order."""
    return {(person, order) for person, order in readings.select("person", "order").iter_rows()}


@pytest.mark.parametrize("protocol", [*reckoning.PROTOCOLS, FIRST])
def test_means_spreads_and_labels_are_those_of_the_data_frames(protocol: str, taken: pl.DataFrame) -> None:
    ours, expected = through_core.results(protocol), reckoning.results(taken, protocol)
    whole = ["person", "readings_counted", "systolic_mmhg", "diastolic_mmhg", *GUIDELINES]
    assert ours.height > 4_600
    assert_frame_equal(ours.select(whole), expected.select(whole))
    decimal = ["systolic_mean_mmhg", "diastolic_mean_mmhg", "systolic_sd_mmhg", "diastolic_sd_mmhg"]
    assert_frame_equal(ours.select(decimal), expected.select(decimal), rel_tol=0, abs_tol=HALF_OF_FOUR_DECIMALS)


@pytest.mark.parametrize("protocol", reckoning.PROTOCOLS)
def test_every_reading_counts_or_says_why_not(protocol: str, taken: pl.DataFrame) -> None:
    counted = pairs(reckoning.counted(taken, protocol))
    with_result = {person for person, _ in counted}
    expected: dict[int, list[str | None]] = {}
    for person, order, cause, back in taken.select("person", "order", "cause", plausible_after()).iter_rows():
        one_of_last_two = protocol == "office-nice-2019" and back < 2
        left_out = "other-of-last-two" if one_of_last_two else "earlier-than-last-two"
        valid = None if (person, order) in counted else left_out if person in with_result else "too-few"
        expected.setdefault(person, []).append("implausible" if cause is not None else valid)
    ours = through_core.evaluations(protocol)
    assert {person: [outcome.reason for outcome in evaluation.readings] for person, evaluation in ours.items()} == expected


@pytest.mark.parametrize("protocol", reckoning.PROTOCOLS)
def test_those_without_a_result_are_told_why(protocol: str, taken: pl.DataFrame) -> None:
    plausible = set(taken.filter(pl.col("cause").is_null())["person"].to_list())
    without = {p: e for p, e in through_core.evaluations(protocol).items() if e.state != "complete"}
    assert without
    assert {p: (e.state, e.blocked_by) for p, e in without.items()} == {
        p: ("not-usable", ["too-few-readings" if p in plausible else "implausible"]) for p in without
    }


def test_every_adult_is_accounted_for(taken: pl.DataFrame) -> None:
    """5,533 adults: 286 without readings, 517 with fewer than three, 45 with a diastolic of zero; 4,685 have their mean."""
    evaluations = through_core.evaluations("office-canada-2025")
    assert through_core.adults().height == 5_533
    assert through_core.adults().height - len(evaluations) == 286
    without = [person for person, evaluation in evaluations.items() if evaluation.result is None]
    each = taken.filter(pl.col("person").is_in(without)).group_by("person").agg(pl.len(), pl.col("cause").drop_nulls().unique())
    causes = Counter((number, tuple(sorted(of))) for number, of in each.select("len", "cause").iter_rows())
    fewer = {(1, ()): 75, (1, (ZERO,)): 3, (2, ()): 433, (2, (ZERO,)): 5, (2, (LOW,)): 1}
    assert causes == fewer | {(3, (ZERO,)): 43, (3, (ZERO, LOW)): 2}
    assert sum(fewer.values()) == 517
    assert through_core.results("office-canada-2025").height == 4_685


def test_severe_and_low_readings_are_found_wherever_they_stand(taken: pl.DataFrame) -> None:
    """180/110 for a severe reading, unless the two are swapped; 90 for a low one. Source: PRACTICE, DECISION."""
    severe = taken.filter((systolic > diastolic) & ((systolic >= 180) | (diastolic >= 110)))
    low = taken.filter(pl.col("cause").is_null(), systolic < 90)
    for protocol in reckoning.PROTOCOLS:
        assert readings_with(protocol, "severe-reading") == pairs(severe)
        assert readings_with(protocol, "low-reading") == pairs(low)
    confirmed = severe.group_by("person").len().filter(pl.col("len") >= 2)
    assert people_with("office-canada-2025", "severe-confirmed") == set(confirmed["person"])


def test_sounds_that_go_on_to_zero_give_a_label_only_where_the_systolic_is_raised(taken: pl.DataFrame) -> None:
    """An auscultated diastolic below 40 is told; a result on one has no category but where its systolic is raised."""
    assert readings_with("office-canada-2025", "use-phase-four") == pairs(taken.filter(diastolic < 40))
    doubtful = reckoning.results(taken, "office-canada-2025").filter("doubtful")
    unlabelled = through_core.results("office-canada-2025").filter(pl.all_horizontal(pl.col(GUIDELINES).is_null()))
    low = doubtful.filter(pl.col("systolic_mmhg") < 120)
    assert unlabelled["person"].to_list() == low["person"].to_list()
    assert (doubtful.height, low.height) == (26, 10)
    told = through_core.evaluations("office-canada-2025")
    given = [told[person].categories for person in doubtful["person"]]
    assert all("use-phase-four" in entry.provisional_because for each in given for entry in each if entry.category is not None)


def test_the_page_tells_how_many_are_without_a_label_before_and_after(taken: pl.DataFrame) -> None:
    """Before, everyone whose result rests on a doubtful diastolic had none."""
    page = PAGE.read_text("utf-8")
    for guideline in GUIDELINES:
        cells = []
        for protocol in reckoning.PROTOCOLS:
            doubtful = reckoning.results(taken, protocol).filter("doubtful").height
            cells.append(f"{doubtful} → {through_core.results(protocol)[guideline].null_count()}")
        assert f"| `{guideline}` | {' | '.join(cells)} |" in page, (guideline, cells)


def test_rounding_is_told_exactly_where_it_decides(taken: pl.DataFrame) -> None:
    """All readings are even, so of the limits only an odd one is ever reached by rounding: a diastolic of 84.67 gives 85."""
    for protocol in ("office-canada-2025", "office-aha-acc-2025"):
        decides = reckoning.results(taken, protocol).filter("rounding_decides")
        assert people_with(protocol, "rounding-decides") == set(decides["person"])
        assert decides.height == 14
        assert set(decides["diastolic_mean_mmhg"].round(2)) == {84.67}


def test_a_label_is_provisional_where_the_first_two_differ_and_no_fourth_was_taken(taken: pl.DataFrame) -> None:
    """More than 10 apart in either pressure, strictly. Source: ESC18 table 8."""
    plausible = taken.filter(pl.col("cause").is_null())
    first_two = plausible.group_by("person", maintain_order=True).agg(pl.len(), *reckoning.PRESSURES)
    apart = pl.any_horizontal((pl.col(p).list.get(0) - pl.col(p).list.get(1)).abs() > 10 for p in reckoning.PRESSURES)
    expected = set(first_two.filter(pl.col("len") == 3).filter(apart)["person"])
    ours = {
        person
        for person, evaluation in through_core.evaluations("office-esh-2023").items()
        if any("further-reading-needed" in category.provisional_because for category in evaluation.categories)
    }
    assert ours == {person for person in expected if labelled("office-esh-2023", person)}
    assert expected <= people_with("office-esh-2023", "further-reading-needed")
    assert len(ours) > 200


def labelled(protocol: str, person: int) -> bool:
    """Whether the person has a category."""
    return any(category.category is not None for category in through_core.evaluations(protocol)[person].categories)


def test_repeated_values_are_told(taken: pl.DataFrame) -> None:
    """Both pressures as in the reading before."""
    same = pl.all_horizontal((pl.col(p) == pl.col(p).shift(1)).over("person") for p in reckoning.PRESSURES)
    assert readings_with("office-canada-2025", "identical-values") == pairs(taken.filter(same))
