"""Two workers on one database, each with callers at once that change the same sittings: what they are answered is what doing it
one after the other would give.

The reference is a model in a dozen lines: a sitting is a list of versions, each the change of the one that its caller named.
"""

from __future__ import annotations

import asyncio
import random
from collections import Counter
from dataclasses import dataclass, field

import pytest

from api.crashing import flaws_of
from application.clinic import Clinic, open_clinic, reading, sitting, told
from quietcuff import application
from quietcuff.application import Answer
from quietcuff.core.model.errors import Conflict, NotAcceptable, VersionStale
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.storage.engine.store import open_store

CALLERS, CHANGES_OF_EACH, PEOPLE = 5, 14, 4
Pressures = tuple[float, ...]


@dataclass
class Model:
    """The systolic pressures in mmHg of every version that somebody was answered, by set."""

    versions: dict[str, dict[int, Pressures]] = field(default_factory=dict)
    outcomes: Counter[str] = field(default_factory=Counter)

    def keep(self, answer: Answer, expected: Pressures) -> None:
        """Note an answer. Nobody may have been answered this version before, and it holds the change that was asked for."""
        known = self.versions.setdefault(answer.set_id, {})
        assert answer.version not in known
        assert pressures_of(answer) == expected
        known[answer.version] = expected

    def choose(self, rng: random.Random) -> tuple[str, int, Pressures] | None:
        """A set, with its newest version that anybody was answered so far: it may be stale by the time it is named."""
        if not self.versions:
            return None
        set_id = rng.choice(sorted(self.versions))
        version = max(self.versions[set_id])
        return set_id, version, self.versions[set_id][version]


def pressures_of(answer: Answer) -> Pressures:
    return tuple(one["systolic_mmhg"] for one in told(answer)["reading_set"]["readings"])


async def change(clinics: list[Clinic], model: Model, rng: random.Random) -> None:
    """One change by one of the workers; a retry goes to either, as it may behind a balancer."""
    clinic, other = rng.sample(clinics, 2)
    chosen, systolic = model.choose(rng), rng.randint(110, 170)
    if chosen is None or rng.random() < 0.25:
        body = sitting([reading(0, systolic)], f"p-{rng.randrange(PEOPLE)}", closed=False)
        # The same twice at once: one of them stores, both are told the same.
        both = await asyncio.gather(clinic.receive(body, key=f"k-{id(body)}"), other.receive(body, key=f"k-{id(body)}"))
        assert both[0].body == both[1].body and both[0].replayed != both[1].replayed
        model.keep(both[0], (systolic,))
        return
    set_id, version, before = chosen
    named = frozenset([version])
    if rng.random() < 0.5:
        minute = len(before) + 1
        answer = await clinic.append(set_id, {"readings": [reading(minute, systolic)]}, if_match=named)
        model.keep(answer, (*before, systolic))
    else:
        place = rng.randrange(len(before))
        fields = {"change": "amend-reading", "index": place, "set": {"systolic_mmhg": systolic}}
        stale = Answer(set_id=set_id, version=version, body=b"", created=False, replayed=False)
        answer = await clinic.correct(stale, fields)
        model.keep(answer, (*before[:place], systolic, *before[place + 1 :]))


async def call(clinics: list[Clinic], model: Model, seed: int) -> None:
    rng = random.Random(seed)
    for _ in range(CHANGES_OF_EACH):
        try:
            await change(clinics, model, rng)
            model.outcomes["done"] += 1
        except (VersionStale, Conflict, NotAcceptable) as refused:
            model.outcomes[type(refused).__name__] += 1


async def compete(url: str, rulebook: Rulebook, seed: int) -> Model:
    stores = [open_store(url) for _ in range(2)]
    clinics = [await open_clinic(store, rulebook) for store in stores]
    model = Model()
    await asyncio.gather(*(call(clinics, model, seed * 100 + number) for number in range(CALLERS)))
    for set_id, versions in model.versions.items():
        assert sorted(versions) == list(range(1, len(versions) + 1))
        for clinic in clinics:
            newest = await application.read_set(clinic.desk, clinic.caller, set_id)
            assert (newest.version, pressures_of(newest)) == (len(versions), versions[len(versions)])
    assert await clinics[0].count("set_version") == sum(len(versions) for versions in model.versions.values())
    for store in stores:
        await store.close()
    return model


@pytest.mark.parametrize("seed", [1, 2])
def test_rivals_in_two_workers_are_answered_as_one_after_the_other(postgresql_url: str, rulebook: Rulebook, seed: int) -> None:
    model = asyncio.run(compete(postgresql_url, rulebook, seed))
    # Otherwise nobody has competed.
    assert model.outcomes["done"] > 30 and model.outcomes["VersionStale"] >= 3, model.outcomes
    assert flaws_of(postgresql_url) == []
