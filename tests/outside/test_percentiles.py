"""Children's limits against the printed tables, and heights against an independent library.

The cells are of the Fourth Report's tables as reprinted: boys of 1 to 4 years at every height percentile (all four pressure
percentiles, but the 99th at 4), and both sexes from 3 to 17 years at the 95th for the 5th, 50th and 95th height percentile
(PMC4991624, Table 1). The printed tables truncate.
"""

from __future__ import annotations

import json
import math
from importlib import resources
from itertools import product
from typing import Literal

import pytest
from rcpchgrowth.global_functions import sds_for_measurement

from quietcuff.core.rulebook.rulebook import PercentileEdge, Rulebook
from quietcuff.core.sitting.percentiles import expect_of, find_height_z
from quietcuff.rules.catalog import load_rulebook

Z = {50: 0.0, 90: 1.2815515655446004, 95: 1.6448536269514722, 99: 2.3263478740408408}
HEIGHT_Z = {5: -1.645, 10: -1.28, 25: -0.674, 50: 0.0, 75: 0.674, 90: 1.28, 95: 1.645}
BOYS_1_TO_4 = """
1 50 80 81 83 85 87 88 89 34 35 36 37 38 39 39
1 90 94 95 97 99 100 102 103 49 50 51 52 53 53 54
1 95 98 99 101 103 104 106 106 54 54 55 56 57 58 58
1 99 105 106 108 110 112 113 114 61 62 63 64 65 66 66
2 50 84 85 87 88 90 92 92 39 40 41 42 43 44 44
2 90 97 99 100 102 104 105 106 54 55 56 57 58 58 59
2 95 101 102 104 106 108 109 110 59 59 60 61 62 63 63
2 99 109 110 111 113 115 117 117 66 67 68 69 70 71 71
3 50 86 87 89 91 93 94 95 44 44 45 46 47 48 48
3 90 100 101 103 105 107 108 109 59 59 60 61 62 63 63
3 95 104 105 107 109 110 112 113 63 63 64 65 66 67 67
3 99 111 112 114 116 118 119 120 71 71 72 73 74 75 75
4 50 88 89 91 93 95 96 97 47 48 49 50 51 51 52
4 90 102 103 105 107 109 110 111 62 63 64 65 66 66 67
4 95 106 107 109 111 112 114 115 66 67 68 69 70 71 71
"""
BOTH_3_TO_17 = """
3 104 109 113 63 65 67 104 107 110 65 67 69
4 106 111 115 66 69 71 105 108 112 68 70 72
5 108 112 116 69 72 74 107 110 113 70 72 74
6 109 114 117 72 74 76 108 111 115 72 74 76
7 110 115 119 74 76 78 110 113 116 73 75 77
8 111 116 120 75 78 80 112 115 118 75 76 78
9 113 118 121 76 79 81 114 117 120 76 77 79
10 115 119 123 77 80 82 116 119 122 77 78 80
11 117 121 125 78 80 82 118 121 124 78 79 81
12 119 123 127 78 81 83 119 123 126 79 80 82
13 121 126 130 79 81 83 121 124 128 80 81 83
14 124 128 132 80 82 84 123 126 129 81 82 84
15 126 131 135 81 83 85 124 127 131 82 83 85
16 129 134 137 82 84 87 125 128 132 82 84 86
17 131 136 140 84 87 89 125 129 132 82 84 86
"""
Sex = Literal["female", "male"]
Cell = tuple[Sex, str, int, int, int, int]


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


def cells_of_boys() -> list[Cell]:
    """Sex, pressure, years, height percentile, pressure percentile and the printed cell."""
    cells: list[Cell] = []
    for line in BOYS_1_TO_4.strip().splitlines():
        years, percentile, *printed = (int(word) for word in line.split())
        columns = product(("systolic", "diastolic"), HEIGHT_Z)
        cells += [
            ("male", kind, years, height, percentile, cell) for (kind, height), cell in zip(columns, printed, strict=True)
        ]
    return cells


def cells_of_both() -> list[Cell]:
    cells: list[Cell] = []
    sexes: tuple[Sex, ...] = ("male", "female")
    for line in BOTH_3_TO_17.strip().splitlines():
        years, *printed = (int(word) for word in line.split())
        columns = product(sexes, ("systolic", "diastolic"), (5, 50, 95))
        cells += [(sex, kind, years, height, 95, cell) for (sex, kind, height), cell in zip(columns, printed, strict=True)]
    return cells


def limit(rulebook: Rulebook, cell: Cell) -> float:
    sex, kind, years, height, percentile, _ = cell
    norms = expect_of(rulebook.pressures["nhbpep-2004-pressure"], sex, years, HEIGHT_Z[height])
    values = norms.systolic if kind == "systolic" else norms.diastolic
    return values.at(PercentileEdge(percentile=percentile, z=Z[percentile]))


def test_every_printed_cell_but_one_is_the_regression_truncated(rulebook: Rulebook) -> None:
    cells = cells_of_boys() + cells_of_both()
    assert len(cells) == 390
    missed = [(cell, limit(rulebook, cell)) for cell in cells if math.floor(limit(rulebook, cell)) != cell[-1]]
    assert [cell for cell, _ in missed] == [("male", "systolic", 5, 5, 95, 108)]
    assert missed[0][1] == pytest.approx(107.989, abs=5e-4)


def test_rounding_would_miss_many_cells(rulebook: Rulebook) -> None:
    cells = cells_of_both()
    assert sum(math.floor(limit(rulebook, cell) + 0.5) != cell[-1] for cell in cells) == 84


@pytest.mark.parametrize("sex", ["female", "male"])
def test_heights_agree_with_an_independent_library(sex: Sex, rulebook: Rulebook) -> None:
    """From two years on; between rows the library interpolates by another curve, by less than is told here."""
    reference = rulebook.heights["cdc-2000-height"]
    furthest = 0.0
    for day in range(731, int(13 * 365.25) - 1, 23):
        years = day / 365.25
        for share in (0.9, 1.0, 1.08):
            height_cm = share * (75 + 6.6 * (years - 1))
            ours = find_height_z(reference, sex, 12 * years, height_cm)
            theirs = sds_for_measurement("cdc", years, "height", height_cm, sex)
            assert ours is not None
            furthest = max(furthest, abs(ours - theirs))
    assert furthest < 0.02


@pytest.mark.parametrize("sex", ["female", "male"])
def test_heights_at_the_rows_are_the_library_s_own(sex: Sex, rulebook: Rulebook) -> None:
    reference = rulebook.heights["cdc-2000-height"]
    (table,) = [t for t in reference.tables if (t.sex, t.measured) == (sex, "stature")]
    rows = table.rows[1:-1]
    assert len(rows) == 132
    for months, *_ in rows:
        height_cm = 76 + 0.5 * (months - 12)
        ours = find_height_z(reference, sex, months, height_cm)
        theirs = sds_for_measurement("cdc", round(months / 12, 9), "height", height_cm, sex)
        assert ours == pytest.approx(theirs, abs=1e-6)


@pytest.mark.parametrize("sex", ["female", "male"])
def test_lengths_under_two_years_are_those_that_the_library_carries(sex: Sex, rulebook: Rulebook) -> None:
    """The library measures under two years by another reference, but has the figures of this one."""
    figures = json.loads((resources.files("rcpchgrowth.data_tables") / "cdc_infants.json").read_bytes())
    theirs = {
        round(12 * row["decimal_age"], 1): (row["L"], row["M"], row["S"]) for row in figures["measurement"]["height"][sex]
    }
    (table,) = [t for t in rulebook.heights["cdc-2000-height"].tables if (t.sex, t.measured) == (sex, "length")]
    ours = {months: rest for months, *rest in table.rows}
    assert len(ours) == 14
    for months, figures_of_row in ours.items():
        if months != 24.5:
            assert figures_of_row == pytest.approx(list(theirs[months]), abs=1e-9)
