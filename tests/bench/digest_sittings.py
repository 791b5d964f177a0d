"""Digests of the evaluations of invented sittings, one a line: two revisions of the core that print the same answer the same.

    python tests/bench/digest_sittings.py [--sets 20000] [--seed 1] > digests

Run it in two worktrees and compare the files. Sittings are of every kind: plain first visits, odd ones, home series, recordings
of a day, with and without earlier sittings, priors of a clinic's own, and fewer or other guidelines.
"""

from __future__ import annotations

import argparse
import hashlib
import random
import sys
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec

sys.path.insert(0, str(Path(__file__).parents[1]))

from bench_evaluate import make_set

from analytics.columns.sittings import sittings
from core.recordings import ambulatory_body, home_body, home_series, recording
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.errors import QuietcuffError
from quietcuff.core.model.history import History, HistorySitting
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook
from strategies import Inventor

Case = tuple[ReadingSet, History | None]
RULES = ["last-two", "all", "first-dropped", "all-compared", "both-compared"]


def cases(count: int, seed: int, rulebook: Rulebook) -> Iterator[Case]:
    """So many sittings, of each kind in turn."""
    rng = random.Random(seed)
    columns = sittings(count, seed)
    for number in range(count):
        kind = number % 10
        if kind < 4:
            body = make_set(rng, number)
            body["guidelines"] = rng.sample(sorted(rulebook.guidelines), rng.randint(1, 3)) if kind == 3 else body["guidelines"]
            person = body["subject"]
            if rng.random() < 0.4:
                person["antihypertensive_treatment"] = rng.choice(["yes", "not-recorded"])
            if rng.random() < 0.1:
                person["known_irregular_rhythm"] = "yes"
            yield with_intake(rng, convert(body)), earlier(rng) if rng.random() < 0.4 else None
        elif kind < 8:
            yield next(columns)[1:]
        elif kind == 8 and number % 20 == 8:
            yield outside_office(rng), earlier(rng) if rng.random() < 0.5 else None
        else:
            body = Inventor(rng.getrandbits(32), rng.randint(0, 10)).body(rng.randint(1, 9), None)
            history = body.pop("history", None)
            yield convert(body), None if history is None else msgspec.convert(history, History, strict=False)


def convert(body: dict[str, Any]) -> ReadingSet:
    """The struct of a body that went over the wire."""
    return msgspec.json.decode(msgspec.json.encode(body), type=ReadingSet)


def with_intake(rng: random.Random, reading_set: ReadingSet) -> ReadingSet:
    """Sometimes a clinic's own prior and spread of visits."""
    if rng.random() < 0.8:
        return reading_set
    spread = {
        "systolic_sd_mmhg": rng.uniform(10, 20),
        "diastolic_sd_mmhg": rng.uniform(6, 12),
        "correlation": rng.uniform(0, 0.8),
    }
    middle = {"systolic_mmhg": rng.randint(115, 140), "diastolic_mmhg": rng.randint(70, 85)}
    prior: dict[str, Any] = middle | spread
    if rng.random() < 0.5:
        prior["parts"] = [{"share": 0.75, **middle, **spread}, {"share": 0.25, **middle, **spread, "systolic_mmhg": 150}]
    if rng.random() < 0.5:
        prior["visits"] = {"systolic_sd_mmhg": 9.5, "diastolic_sd_mmhg": 5.25, "correlation": 0.5}
    prior["includes_treated"] = rng.random() < 0.5
    intake = {"prior": prior} if rng.random() < 0.8 else {"without_prior": True}
    return convert(msgspec.to_builtins(reading_set) | {"intake": intake})


def outside_office(rng: random.Random) -> ReadingSet:
    """A home series or a recording of a day."""
    middle = rng.randint(105, 160)

    def pressures(_: datetime) -> tuple[float, float]:
        return middle + rng.randint(-12, 12), middle - 50 + rng.randint(-8, 8)

    if rng.random() < 0.6:
        body = home_body(
            home_series(rng.randint(2, 7), pressures), guidelines=rng.sample(["esh-2023", "esc-2024", "nice-2019"], 2)
        )
    else:
        body = ambulatory_body(recording(pressures))
    return convert(body)


def earlier(rng: random.Random) -> History:
    """One to nine earlier sittings of the same kind or another, newest last."""
    level, jump = rng.randint(110, 155), rng.choice([0, 0, 20, -25])
    start = datetime.fromisoformat("2026-05-04T08:00:00+02:00")
    found, day = [], 0
    for place in range(rng.randint(1, 9)):
        day += rng.choice([0, 1, 7, 30])
        setting = rng.choice(["office", "office", "office", "home", "ambulatory"])
        systolic = level + rng.randint(-9, 9) + (jump if place < 3 else 0)
        found.append(
            HistorySitting(
                taken_from=start - timedelta(days=day + 1),
                setting=setting,
                site=rng.choice(["left-upper-arm", "left-upper-arm", "right-upper-arm"]),
                systolic_mmhg=systolic,
                diastolic_mmhg=systolic - 50 + rng.randint(-6, 6),
                readings_counted=rng.randint(1, 4) if setting == "office" else 24,
                value_rule="daytime" if setting == "ambulatory" else rng.choice(RULES),
                days=7 if setting == "home" else 1,
                provisional_because=rng.choice([[], ["single-sitting"], ["irregular-rhythm"]]),
            )
        )
    return History(as_of=start, sittings=found[::-1])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sets", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    rulebook, encoder = load_rulebook(), msgspec.json.Encoder()
    refused = 0
    for reading_set, history in cases(asked.sets, asked.seed, rulebook):
        try:
            answer = encoder.encode(evaluate(reading_set, history, rulebook))
        except QuietcuffError as exc:
            refused += 1
            answer = repr(exc).encode()
        print(hashlib.sha256(answer).hexdigest())
    print(f"{asked.sets} sittings, {refused} refused", file=sys.stderr)


if __name__ == "__main__":
    main()
