"""How long one Observation takes from a stored reading to JSON, against building and dumping it with fhir.resources.

    python tests/bench/bench_observation.py [--rounds 9]

Both make the same bytes' worth of FHIR: a reading with three pressures, position, site, method and two profiles. Rounds are
interleaved, and only the ratio of one run means anything. The person and the readings are invented.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path

import msgspec
from fhir.resources.R4B.observation import Observation as ModelObservation

sys.path.insert(0, str(Path(__file__).parent.parent))

from fhir_r4.rendered import PUBLIC_URL, STORED_AT, stored
from fhir_r4.test_profiles import BODY
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.record.sitting_version import ResourceState
from quietcuff.fhir.resources.readings import reading_observation
from quietcuff.fhir.resources.sitting import frame_of
from quietcuff.rules.catalog import load_rulebook

OURS_A_ROUND, THEIRS_A_ROUND = 20_000, 200
GOAL = 200


def microseconds_each(work: Callable[[], object], times: int) -> float:
    """How long one call takes when it is done many times."""
    start = time.perf_counter()
    for _ in range(times):
        work()
    return (time.perf_counter() - start) / times * 1e6


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=9)
    rounds = parser.parse_args().rounds

    reading_set = msgspec.convert(BODY, ReadingSet)
    sitting = stored(reading_set, evaluate(reading_set, None, load_rulebook()))
    frame, stand, encoder = frame_of(sitting, PUBLIC_URL), ResourceState(1, "final", STORED_AT), msgspec.json.Encoder()
    plain = msgspec.json.decode(encoder.encode(reading_observation(sitting, frame, 0, stand)))

    def ours() -> bytes:
        return encoder.encode(reading_observation(sitting, frame, 0, stand))

    def theirs() -> str:
        dumped: str = ModelObservation(**plain).model_dump_json()
        return dumped

    pairs = [(microseconds_each(ours, OURS_A_ROUND), microseconds_each(theirs, THEIRS_A_ROUND)) for _ in range(rounds)]
    ratios = sorted(slow / fast for fast, slow in pairs)
    print(f"one Observation of {len(ours())} bytes, medians of {rounds} interleaved rounds")
    print(f"  ours            {statistics.median(fast for fast, _ in pairs):8.1f} us")
    print(f"  fhir.resources  {statistics.median(slow for _, slow in pairs):8.1f} us")
    print(f"  ratio           {statistics.median(ratios):8.0f} x  (from {ratios[0]:.0f} to {ratios[-1]:.0f}; goal {GOAL})")


if __name__ == "__main__":
    main()
