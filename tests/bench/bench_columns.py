"""How fast the kernel is beside ``evaluate`` in a loop, over the same sets in one run.

    python tests/bench/bench_columns.py [--sets 200000] [--threads 2] [--rounds 3] [--profile FILE]

The sets are invented: first visits with both arms and follow-ups with earlier comparisons, 20,000 of them different, repeated
up to the number asked for. Both start from what is in memory: the loop from structs, the kernel from an Arrow batch. Rounds are
interleaved, and only ratios of one run mean anything; those by the processor hold on a busy machine too. The last line is
reading a Parquet part of the same sets and summing its pressures, which no report can beat.
"""

from __future__ import annotations

import argparse
import cProfile
import gc
import pstats
import random
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

sys.path.insert(0, str(Path(__file__).parents[1]))

from analytics.columns.sittings import Case
from bench.bench_evaluate import make_set
from quietcuff.analytics.columns.batch import SCHEMA, as_batch
from quietcuff.analytics.columns.kernel import Kernel
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.readings import ReadingSet
from quietcuff.rules.catalog import load_rulebook

DIFFERENT, LOOPED = 20_000, 1_500
GOAL = 50


def make_cases(count: int) -> list[Case]:
    """Half first visits, half follow-ups that know of an earlier comparison."""
    rng = random.Random(20261128)
    return [make_case(rng, number) for number in range(count)]


def make_case(rng: random.Random, number: int) -> Case:
    """One sitting, as a well-run clinic sends most of them."""
    body: dict[str, Any] = make_set(rng, number)
    if rng.random() < 0.5:
        body["visit"] = "follow-up"
        arm = rng.choice(["left-upper-arm", "right-upper-arm"])
        body["readings"] = [reading | {"site": arm} for reading in body["readings"][: rng.choice([2, 2, 3])]]
        pair = {"day": "2026-01-10", "systolic_difference_mmhg": rng.randint(-12, 12), "diastolic_difference_mmhg": 2}
        body["history"] = {"as_of": "2026-05-04T09:00:00Z", "pairs": [pair]}
    reading_set = msgspec.convert(body, ReadingSet)
    return f"set-{number}", reading_set, reading_set.history


def repeated(batch: pa.RecordBatch, sets: int) -> pa.RecordBatch:
    """The batch as often as it takes."""
    table = pa.Table.from_batches([batch] * -(-sets // batch.num_rows)).slice(0, sets)
    return table.combine_chunks().to_batches()[0]


def timed(work: Callable[[], Any], times: int) -> tuple[float, float]:
    """Seconds by the clock and of the processor for each of so many things that one call does, garbage collected before."""
    gc.collect()
    began, busy = time.perf_counter(), time.process_time()
    work()
    return (time.perf_counter() - began) / times, (time.process_time() - busy) / times


def sum_columns(path: Path) -> None:
    """Read a part and add its pressures up."""
    readings = pq.read_table(path, columns=["readings"])["readings"].combine_chunks().flatten()
    for name in ("systolic_mmhg", "diastolic_mmhg"):
        pc.sum(readings.field(name))


def main() -> int:
    """Measure, and say what came out."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sets", type=int, default=200_000)
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--profile", type=Path)
    asked = parser.parse_args()
    rulebook, cases = load_rulebook(), make_cases(DIFFERENT)
    batch = repeated(as_batch(cases), asked.sets)
    kernel = Kernel(rulebook, threads=asked.threads)
    if asked.profile is not None:
        profile = cProfile.Profile()
        profile.runcall(kernel.evaluate, batch)
        pstats.Stats(profile, stream=asked.profile.open("w")).sort_stats("tottime").print_stats(40)
        return 0
    looped = cases[:LOOPED]
    with tempfile.TemporaryDirectory() as folder:
        part = Path(folder) / "part.parquet"
        pq.write_table(pa.Table.from_batches([batch], schema=SCHEMA), part, compression="zstd")
        loop, columns, sums = [], [], []
        for _ in range(asked.rounds):
            loop.append(timed(lambda: [evaluate(each, history, rulebook) for _, each, history in looped], LOOPED))
            columns.append(timed(lambda: kernel.evaluate(batch), asked.sets))
            sums.append(timed(lambda: sum_columns(part), asked.sets))
    (one, one_busy), (many, many_busy), (least, least_busy) = (
        tuple(min(times) for times in zip(*rounds, strict=True)) for rounds in (loop, columns, sums)
    )
    print(f"{'':26}{'sets a second':>14}{'a second of processor':>24}")
    for name, clock, busy in (
        ("evaluate in a loop", one, one_busy),
        (f"kernel, {asked.threads} threads", many, many_busy),
        ("reading and summing", least, least_busy),
    ):
        print(f"{name:26}{1 / clock:>14,.0f}{1 / busy:>24,.0f}")
    print(f"kernel: {one / many:.0f} times as fast as the loop, by the processor {one_busy / many_busy:.0f} times; goal {GOAL}")
    print(f"kernel: {many / least:.1f} times as long as summing, by the processor {many_busy / least_busy:.1f} times")
    return 0 if one / many >= GOAL else 1


if __name__ == "__main__":
    sys.exit(main())
