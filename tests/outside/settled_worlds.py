"""How often a settled label is right: the survey's own people, measured in the world of the model and in worlds unlike it.

    cd tests; python -m outside.settled_worlds [--people 4685]

Usual pressures are those of the survey itself, not of the prior under test: each person's mean of the second and third reading,
drawn towards the middle of people of that age by as much as one visit's variance has widened the spread. Readings are then
drawn around them, in whole mmHg, and go through the whole service: two readings a visit, one, two or four visits a month apart.
A label is right where the usual pressure itself has it. What a world does to readings is no part of the usual
pressure: where people are alerted by 5/3 mmHg, their usual pressure is without that.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from outside.fit_prior import ages_of_people, means_of_people, measuring
from quietcuff.core.certainty.visits import share_older
from quietcuff.core.evaluate import evaluate
from quietcuff.core.labels.classification import place
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook

Figures = npt.NDArray[np.float64]

SEED = 20260504
GUIDELINES = ["aha-acc-2025", "esc-2024", "nice-2019"]
VISITS = (1, 2, 4)
NEWEST = datetime.fromisoformat("2026-05-04T09:00:00+02:00")
WITHIN, ALIKE, BOTH = (4.1, 3.9), (0.28, 0.30), 0.12
BAND_YEARS = 5


@dataclass(frozen=True, kw_only=True)
class World:
    """How visits vary (None: as the rules say at that age), how skewed they are, and what is added to readings or to people."""

    between: tuple[float, float] | None = None
    skewed: bool = False
    alerted: tuple[float, float] = (0, 0)
    referred: tuple[float, float] = (0, 0)
    treated: bool = False


WORLDS = {
    "as the model has it": World(),
    "visits vary by 5.6/3.1": World(between=(5.6, 3.1)),
    "visits vary by 13.5/7.5": World(between=(13.5, 7.5)),
    "visits are skewed": World(skewed=True),
    "alerted by 5/3 at every visit": World(alerted=(5, 3)),
    "a clinic's referred people, 10/5 higher": World(referred=(10, 5)),
    "treated, visits vary by 11/6": World(between=(11, 6), treated=True),
    "treated, visits vary by 13.5/7.5": World(between=(13.5, 7.5), treated=True),
    "treated, 11/6, alerted by 5/3 at every visit": World(between=(11, 6), alerted=(5, 3), treated=True),
}


@dataclass
class Count:
    """Labels, how many of them are settled, and how many of those are right."""

    labels: int = 0
    settled: int = 0
    right: int = 0

    def share_right(self) -> float:
        return self.right / self.settled if self.settled else float("nan")


def usual_pressures(rulebook: Rulebook) -> tuple[Figures, Figures]:
    """By person, age and usual pressures: what was seen, drawn towards people of that age."""
    age, seen = ages_of_people(), means_of_people()
    spread = measuring(age, rulebook.variability)
    usual = np.empty_like(seen)
    bands = np.clip(age // BAND_YEARS, 18 // BAND_YEARS, 80 // BAND_YEARS)
    for band in np.unique(bands):
        who = bands == band
        middle, variance = seen[who].mean(0), seen[who].var(0, ddof=1)
        kept = np.sqrt(np.maximum(1 - spread[who][:, [0, 1], [0, 1]].mean(0) / variance, 0.05))
        usual[who] = middle + kept * (seen[who] - middle)
    return age, usual


def play(world: World, usual: Figures, age: Figures, visits: int, rng: np.random.Generator, rulebook: Rulebook) -> Figures:
    """By visit, reading and person: whole mmHg, two readings a visit."""
    count, rules = len(age), rulebook.variability
    low, high = rules.between["office-untreated"], rules.between["office-treated-or-older"]
    older = np.array([share_older(int(years), rules) for years in age])
    own = np.stack(
        [
            low.systolic + older * (high.systolic - low.systolic),
            low.diastolic + older * (high.diastolic - low.diastolic),
        ]
    )
    sd = own if world.between is None else np.array(world.between)[:, None] * np.ones(count)
    found = []
    for _ in range(visits):
        first, second = (skewed(rng, count) if world.skewed else rng.standard_normal(count) for _ in range(2))
        level = usual.T + sd * np.stack([first, 0.6 * first + 0.8 * second]) + np.array(world.alerted)[:, None]
        first, second = rng.standard_normal((2, count)), rng.standard_normal((2, count))
        rho = np.array(ALIKE)[:, None]
        for noise in (first, second):
            noise[1] = BOTH * noise[0] + np.sqrt(1 - BOTH**2) * noise[1]
        after = rho * first + np.sqrt(1 - rho**2) * second
        found.append([np.rint(level + np.array(WITHIN)[:, None] * noise) for noise in (first, after)])
    result: Figures = np.array(found)
    return result


def skewed(rng: np.random.Generator, count: int) -> Figures:
    """Draws of mean zero, variance one and skewness one: few visits far above the usual pressure."""
    result: Figures = (rng.gamma(4.0, 1.0, count) - 4) / 2
    return result


def body(age: float, readings: Figures, *, treated: bool = False) -> dict[str, Any]:
    """A person's newest visit with those before as history; ``readings`` by visit, reading and pressure."""
    *before, newest = readings
    sittings = [
        {
            "taken_from": (NEWEST - timedelta(days=30 * (len(before) - place))).isoformat(),
            "setting": "office",
            "site": "left-upper-arm",
            "systolic_mmhg": float(visit[:, 0].mean()),
            "diastolic_mmhg": float(visit[:, 1].mean()),
            "readings_counted": 2,
            "value_rule": "all",
        }
        for place, visit in enumerate(before)
    ]
    return {
        "subject": {
            "identifier": {"system": "urn:example:world", "value": "p"},
            "birth_date": f"{2026 - int(age)}-01-15",
            "antihypertensive_treatment": "yes" if treated else "no",
        },
        "visit": "follow-up",
        "protocol": "office-one-arm",
        "closed": True,
        "guidelines": GUIDELINES,
        "history": {"as_of": NEWEST.isoformat(), "sittings": sittings},
        "readings": [
            {
                "taken_at": (NEWEST + timedelta(minutes=place)).isoformat(),
                "systolic_mmhg": float(systolic),
                "diastolic_mmhg": float(diastolic),
                "site": "left-upper-arm",
                "position": "sitting",
                "method": "oscillometric",
            }
            for place, (systolic, diastolic) in enumerate(newest)
        ],
    }


def count_world(
    world: World, visits: int, people: Figures, usual: Figures, age: Figures, rulebook: Rulebook
) -> dict[str, Count]:
    """By guideline, how often settled labels are right in a world."""
    rng = np.random.default_rng([SEED, visits])
    true = usual[people] + np.array(world.referred)
    played = play(world, true, age[people], visits, rng, rulebook)
    counts = {name: Count() for name in GUIDELINES}
    for person in range(len(people)):
        sitting = msgspec.convert(body(age[people][person], played[..., person], treated=world.treated), ReadingSet)
        answer = evaluate(sitting, sitting.history, rulebook)
        for entry in answer.certainty:
            count, guideline = counts[entry.guideline], rulebook.guidelines[entry.guideline]
            count.labels += 1
            if entry.settled:
                label = next(it.category for it in answer.categories if it.guideline == entry.guideline)
                row = place(guideline, *true[person]).row
                count.settled += 1
                count.right += label in (row.category, row.unconfirmed_category)
    return counts


def whole(counts: dict[str, Count]) -> Count:
    """All guidelines together."""
    every = counts.values()
    return Count(
        labels=sum(each.labels for each in every),
        settled=sum(each.settled for each in every),
        right=sum(each.right for each in every),
    )


def tell(count: Count) -> str:
    """How many labels are settled, and how many of these are right, in per cent."""
    return f"{100 * count.settled / count.labels:.0f}: {100 * count.share_right():.1f}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--people", type=int, default=4685)
    options = parser.parse_args()
    rulebook = load_rulebook()
    age, usual = usual_pressures(rulebook)
    people = np.random.default_rng(SEED).permutation(len(age))[: options.people]
    for name, world in WORLDS.items():
        for visits in VISITS:
            counts = count_world(world, visits, people, usual, age, rulebook)
            told = [tell(each) for each in counts.values()]
            told.append(tell(whole(counts)))
            print(f"| {name} | {visits} | {' | '.join(told)} |", flush=True)


if __name__ == "__main__":
    main()
