"""Last digits of the public survey, read by ear on a scale of 2 mmHg, against what polars and scipy make of them."""

from __future__ import annotations

from functools import cache

import numpy as np
import polars as pl
import pyarrow as pa
import pytest
from scipy import stats

from outside.survey import load_adults
from quietcuff.analytics.quality.report import report_on
from quietcuff.analytics.quality.shapes import Filters, Report
from quietcuff.analytics.quality.words import load_quality_rules
from quietcuff.rules.catalog import load_rulebook


@cache
def long() -> pl.DataFrame:
    """Every reading of every adult, one a row, in order."""
    people = load_adults()
    parts = [
        people.select("person", place=pl.lit(place), systolic=f"s{place}", diastolic=f"d{place}").drop_nulls()
        for place in (1, 2, 3)
    ]
    return pl.concat(parts).sort("person", "place")


@cache
def report() -> Report:
    """The report on the survey; only what it recorded."""
    readings = long()
    ids = readings["person"].cast(pl.String).to_arrow()
    table = pa.table(
        {
            "set_id": ids,
            "place": readings["place"].to_arrow(),
            "systolic_mmhg": readings["systolic"].to_arrow(),
            "diastolic_mmhg": readings["diastolic"].to_arrow(),
            "method": pa.array(["auscultatory"] * len(readings)),
        }
    )
    people = readings["person"].unique(maintain_order=True).cast(pl.String).to_arrow()
    days = pa.array(np.full(len(people), 17_000, np.int32)).cast(pa.date32())
    sets = pa.table({"set_id": people, "person_key": people, "local_date": days, "setting": pa.array(["office"] * len(people))})
    book = load_rulebook()
    return report_on(sets, table, Filters(), load_quality_rules(book), book)


@pytest.mark.parametrize("pressure", ["systolic", "diastolic"])
def test_the_last_digits_of_the_survey_are_those_that_polars_counts(pressure: str) -> None:
    found = next(digits for digits in report().digits if digits.pressure == pressure)
    digits = long()[pressure] % 10
    counted = dict(digits.value_counts().iter_rows())
    assert found.step_mmhg == 2 and found.counts == [counted.get(digit, 0) for digit in range(10)]
    assert found.off_scale == sum(found.counts[1::2]) == 0
    judged = stats.chisquare(found.counts[::2])
    assert (found.chi_square, found.p) == pytest.approx((judged.statistic, judged.pvalue))
    assert found.zeros.value == pytest.approx(counted[0] / len(digits), abs=1e-4)


def test_trained_measurers_use_every_digit_of_their_scale() -> None:
    """The survey's physicians are certified and checked: nothing is to be mended in what they write. Source: [NHANES13]."""
    assert [thing.code for thing in report().things] == []
    assert all(digits.cramers_v < 0.05 for digits in report().digits)


def test_neighbours_agree_as_often_as_polars_counts_and_chance_gives() -> None:
    found = next(figure for section in report().sections for figure in section.figures if figure.code == "identical-neighbours")
    beside = long().with_columns(
        both=pl.col("person") == pl.col("person").shift(),
        same=(pl.col("systolic") == pl.col("systolic").shift()) & (pl.col("diastolic") == pl.col("diastolic").shift()),
    )
    pairs = beside.filter(pl.col("both"))
    assert (found.eligible, found.count) == (len(pairs), pairs["same"].sum())
    assert found.expected is not None and found.value is not None and found.expected.high is not None
    assert found.value < found.expected.high
