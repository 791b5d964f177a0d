"""Tallies over Parquet parts: whole numbers, the same in any order, by any number of workers, and when one is killed."""

from __future__ import annotations

import os
import random
import signal
import warnings
from collections import Counter
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import msgspec
import pyarrow.parquet as pq
import pytest

from analytics.columns.changed import one_reading_less
from analytics.columns.sittings import Case, sittings
from quietcuff.analytics.cluster import tally_on_cluster, tally_with
from quietcuff.analytics.columns.kernel import Kernel
from quietcuff.analytics.columns.made import OtherRules
from quietcuff.analytics.columns.tally import AnswerTally, TallyWork, parts_in, tally_part, tally_parts, total, write_parts
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.rules.catalog import load_rulebook

RULEBOOK = load_rulebook()
WORK = TallyWork(rulebook=RULEBOOK)


@pytest.fixture(scope="module")
def cases() -> list[Case]:
    return list(sittings(120, seed=5))


@pytest.fixture(scope="module")
def parts(cases: list[Case], tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return write_parts(cases, tmp_path_factory.mktemp("parts"), sets_a_part=10)


@pytest.fixture(scope="module")
def alone(parts: list[Path]) -> AnswerTally:
    return tally_parts(WORK, parts)


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
    tallies = [tally_part(WORK, path) for path in parts]
    random.Random(3).shuffle(tallies)
    assert parts_in(parts[0].parent) == parts and len(parts) == 12
    assert msgspec.json.encode(total(tallies)) == msgspec.json.encode(alone)
    assert msgspec.json.encode(tally_parts(WORK, parts, processes=2)) == msgspec.json.encode(alone)


def test_other_rules_tell_what_moves_from_where_to_where(parts: list[Path], cases: list[Case]) -> None:
    rulebook, _ = one_reading_less()
    what_if = OtherRules(protocol="office-esh-2023", guidelines=("esh-2023",))
    tally = tally_parts(TallyWork(rulebook=rulebook, what_if=what_if, before=RULEBOOK), parts)
    moved: Counter[tuple[str, str]] = Counter()
    for _, reading_set, history in cases:
        asked = msgspec.structs.replace(reading_set, guidelines=["esh-2023"])
        other = msgspec.structs.replace(asked, protocol="office-esh-2023")
        try:
            pair = [evaluate(asked, history, RULEBOOK), evaluate(other, history, rulebook)]
        except NotAcceptable:
            continue
        moved[(pair[0].categories[0].category or "none", pair[1].categories[0].category or "none")] += 1
    told = {(one, other): times for one, row in tally.moves["esh-2023"].items() for other, times in row.items()}
    assert told == moved and len({one for one, other in moved if one != other}) > 2


def test_a_part_can_be_read_by_others(parts: list[Path], cases: list[Case]) -> None:
    table = pq.read_table(parts[3])
    assert table["set_id"].to_pylist() == [name for name, *_ in cases[30:40]]
    assert Kernel(RULEBOOK).evaluate(table.combine_chunks().to_batches()[0]).num_rows == 10


@pytest.fixture
def quiet() -> Iterator[None]:
    # Dask's own processes and sockets warn as they are killed, and warnings are errors here.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def test_a_cluster_counts_the_same_with_one_worker_with_four_and_when_one_is_killed(
    parts: list[Path], alone: AnswerTally, quiet: None
) -> None:
    from distributed import Client, LocalCluster

    expected = msgspec.json.encode(alone)
    with LocalCluster(
        n_workers=1, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None, silence_logs=50
    ) as cluster:
        assert msgspec.json.encode(tally_on_cluster(WORK, parts, cluster.scheduler_address)) == expected
        cluster.scale(4)
        with Client(cluster.scheduler_address) as client:
            client.wait_for_workers(4, timeout=30)
            assert msgspec.json.encode(tally_with(client, WORK, parts)) == expected
            victims = list(client.run(os.getpid).values())
            left: list[int] = []

            def kill_one(done: int, of: int) -> None:
                if done == 2:
                    os.kill(victims[0], signal.SIGKILL)
                    left.append(of - done)

            assert msgspec.json.encode(tally_with(client, WORK, parts, told=kill_one)) == expected
            assert left == [len(parts) - 2] and victims[0] not in client.run(os.getpid).values()


def test_nobody_at_the_address_is_said_plainly(parts: list[Path], quiet: None) -> None:
    with pytest.raises(NotAcceptable) as refused:
        tally_on_cluster(WORK, parts, "nowhere://127.0.0.1:1")
    assert [(fault.parameter, fault.code) for fault in refused.value.faults] == [("cluster", "not-reached")]
