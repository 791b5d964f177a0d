"""How long the certainty of two guidelines with five and three rows takes, by the number of earlier visits, in one run.

    python tests/bench/bench_certainty.py [--rounds 15]

Each sitting is evaluated with the certainty and with it left out, in turn; the difference is its cost. On a busy machine only
the least of many rounds, and ratios of one run, mean anything. The people and readings are invented.
"""

from __future__ import annotations

import argparse
import gc
import random
import time
from collections.abc import Callable
from typing import Any
from unittest import mock

import msgspec
from bench_evaluate import make_set

from quietcuff.core import evaluate
from quietcuff.core.certainty import beliefs, mixture
from quietcuff.core.certainty.beliefs import each_below
from quietcuff.core.certainty.certainty import Sureness
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook

SITTINGS = 200
GOAL_MICROSECONDS = 150
WITHOUT = Sureness(certainty=[], findings=[])


def make_sittings(earlier: int) -> list[ReadingSet]:
    """Varied sittings of four readings, each with so many earlier visits of the same arm, or of either."""
    rng = random.Random(20260504)
    return [msgspec.convert(with_history(make_set(rng, number), earlier, rng), ReadingSet) for number in range(SITTINGS)]


def with_history(body: dict[str, Any], earlier: int, rng: random.Random) -> dict[str, Any]:
    newest = body["readings"][-1]
    sittings = [
        {
            "taken_from": f"2026-0{1 + place // 28}-{1 + place % 28:02d}T09:00:00+01:00",
            "setting": "office",
            "site": newest["site"],
            "systolic_mmhg": newest["systolic_mmhg"] + rng.randint(-9, 9),
            "diastolic_mmhg": newest["diastolic_mmhg"] + rng.randint(-5, 5),
            "readings_counted": 2,
            "value_rule": "last-two",
        }
        for place in range(earlier)
    ]
    return body | {"history": {"as_of": newest["taken_at"], "sittings": sittings}}


def microseconds_each(sittings: list[ReadingSet], rulebook: Rulebook) -> float:
    """Processor time for each sitting."""
    start = time.process_time()
    for sitting in sittings:
        evaluate.evaluate(sitting, sitting.history, rulebook)
    return 1e6 * (time.process_time() - start) / len(sittings)


def measure(sittings: list[ReadingSet], rulebook: Rulebook, rounds: int) -> tuple[float, float]:
    """The least time with the certainty and without it."""
    with_it, without = [], []
    for _ in range(rounds + 1):
        gc.collect()
        with_it.append(microseconds_each(sittings, rulebook))
        with mock.patch.object(evaluate, "judge_certainty", lambda *_: WITHOUT):
            without.append(microseconds_each(sittings, rulebook))
    return min(with_it[1:]), min(without[1:])


def count_integrals(sittings: list[ReadingSet], rulebook: Rulebook) -> float:
    """How many times the two-dimensional normal distribution is worked out for each sitting."""
    calls = 0

    def counting(*arguments: Any) -> list[float]:
        nonlocal calls
        found = each_below(*arguments)
        calls += len(found)
        return found

    with mock.patch.object(beliefs, "each_below", counting), mock.patch.object(mixture, "each_below", counting):
        microseconds_each(sittings, rulebook)
    return calls / len(sittings)


def least(work: Callable[[], object], times: int = 2000) -> float:
    """The least time of one call in microseconds, over twenty rounds."""
    found = []
    for _ in range(20):
        start = time.process_time()
        for _ in range(times):
            work()
        found.append(1e6 * (time.process_time() - start) / times)
    return min(found)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=15)
    options = parser.parse_args()
    rulebook = load_rulebook()
    known = beliefs.Belief(systolic=138, systolic_sd=8.2, diastolic=88, diastolic_sd=5.2, correlation=0.47)
    print(f"one chance of either pressure: {least(lambda: beliefs.chance_reached(known, (140, 90))):.2f} µs")
    for earlier in (0, 3, 12):
        sittings = make_sittings(earlier)
        with_it, without = measure(sittings, rulebook, options.rounds)
        print(
            f"{earlier:2} earlier visits: evaluate {with_it:6.1f} µs, without certainty {without:6.1f} µs, certainty "
            f"{with_it - without:6.1f} µs ({(with_it - without) / without:.2f} of the rest), "
            f"{count_integrals(sittings, rulebook):.1f} integrals"
        )
    print(f"goal: well below {GOAL_MICROSECONDS} µs on an idle machine")


if __name__ == "__main__":
    main()
