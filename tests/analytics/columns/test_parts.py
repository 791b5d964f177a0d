"""Tallies over Parquet parts: whole numbers, the same in any order, by any number of workers, and when one is killed."""

from __future__ import annotations

import random
from collections import Counter
from fractions import Fraction
from pathlib import Path

import msgspec
import pyarrow.parquet as pq
import pytest

from analytics.columns.sittings import Case, sittings
from quietcuff.analytics.columns.kernel import Kernel
from quietcuff.analytics.columns.tally import AnswerTally, tally_part, tally_parts, total, write_part
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.rules.catalog import load_rulebook

RULEBOOK = load_rulebook()


def unheard(part: float, parts: int) -> None:
    """Nobody listens."""


@pytest.fixture(scope="module")
def cases() -> list[Case]:
    return list(sittings(120, seed=5))


@pytest.fixture(scope="module")
def parts(cases: list[Case], tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("parts")
    return [write_part(cases[at : at + 10], folder / f"{at:03}.parquet") for at in range(0, len(cases), 10)]


@pytest.fixture(scope="module")
def alone(parts: list[Path]) -> AnswerTally:
    return tally_parts(RULEBOOK, parts, unheard)


def test_a_tally_is_what_the_core_would_count(cases: list[Case], alone: AnswerTally) -> None:
    states: Counter[str] = Counter()
    labels: Counter[tuple[str, str]] = Counter()
    sums, findings, results = [Fraction(0), Fraction(0)], Counter[str](), 0
    for _, reading_set, history in cases:
        try:
            evaluation = evaluate(reading_set, history, RULEBOOK)
        except NotAcceptable:
            continue
        states[evaluation.state] += 1
        labels.update((entry.guideline, entry.category or "none") for entry in evaluation.categories)
        findings.update({finding.code for finding in evaluation.findings})
        if evaluation.result is not None:
            results += 1
            sums[0] += Fraction(str(evaluation.result.systolic_mean_mmhg))
            sums[1] += Fraction(str(evaluation.result.diastolic_mean_mmhg))
    assert alone.sets == len(cases) and alone.states == dict(sorted(states.items()))
    assert {(name, word): times for name, row in alone.labels.items() for word, times in row.items()} == labels
    assert (alone.sums.results, alone.sums.systolic, alone.sums.diastolic) == (results, *(10_000 * value for value in sums))
    assert alone.findings.items() <= findings.items()
    assert sum(alone.engines.values()) == len(cases) and set(alone.engines) == {"columns", "core", "refused"}


def test_tallies_add_up_alike_in_any_order_and_by_processes(parts: list[Path], alone: AnswerTally) -> None:
    tallies = [tally_part(RULEBOOK, path) for path in parts]
    random.Random(3).shuffle(tallies)
    assert len(parts) == 12
    assert msgspec.json.encode(total(tallies)) == msgspec.json.encode(alone)
    heard: list[tuple[float, int]] = []
    there = tally_parts(RULEBOOK, parts, lambda *told: heard.append(told), processes=2)
    assert msgspec.json.encode(there) == msgspec.json.encode(alone)
    assert heard == [(number / 12, number) for number in range(1, 13)]


def test_a_part_can_be_read_by_others(parts: list[Path], cases: list[Case]) -> None:
    table = pq.read_table(parts[3])
    assert table["set_id"].to_pylist() == [name for name, *_ in cases[30:40]]
    assert Kernel(RULEBOOK).evaluate(table.combine_chunks().to_batches()[0]).num_rows == 10
