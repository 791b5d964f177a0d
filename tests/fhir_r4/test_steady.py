"""Paging while what is paged is being changed: nothing that was there at the start is skipped or shown twice, in any order."""

from __future__ import annotations

import random
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import parse_qsl, urlsplit

import pytest

from fhir_r4.archive import link_of, storable_bodies
from fhir_r4.stored_sets import Clinic, open_clinic
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import Store

SETS, PERSONS, COUNT = 24, 3, 17
ORDERS = [None, "date", "-date", "_lastUpdated", "-_lastUpdated"]


class Ward:
    """A clinic whose people go on working: each turn some sets are corrected, one is voided, one is new."""

    def __init__(self, clinic: Clinic, stored: list[dict[str, Any]], bodies: list[dict[str, Any]]) -> None:
        self.clinic, self.bodies, self.rng = clinic, bodies, random.Random(7)
        self.sets = {one["id"]: one for one in stored}
        self.moved = 0

    async def work(self) -> None:
        for set_id in self.rng.sample(sorted(self.sets), 4):
            readings = self.sets[set_id]["reading_set"]["readings"]
            taken = datetime.fromisoformat(readings[0]["taken_at"])
            later = {"taken_at": (taken + timedelta(hours=self.rng.choice([-300, -2, 5, 400]))).isoformat()}
            value = {"systolic_mmhg": 100 + self.rng.randint(0, 80), "diastolic_mmhg": 70}
            await self.change(set_id, {"change": "amend-reading", "index": 0, "set": self.rng.choice([later, value, value])})
        await self.change(self.rng.choice(sorted(self.sets)), {"change": "void-set"})
        await self.clinic.receive(self.bodies.pop())

    async def change(self, set_id: str, change: dict[str, Any]) -> None:
        known = self.sets[set_id]
        changed = await self.clinic.try_to_correct(set_id, known["version"], change)
        if changed is None or changed["status"] == "voided":
            del self.sets[set_id]
        if changed is not None:
            self.moved += 1
            self.sets |= {set_id: changed} if changed["status"] == "active" else {}


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


@pytest.mark.parametrize("order", ORDERS)
async def test_what_was_there_is_shown_once(store: Store, rulebook: Rulebook, order: str | None) -> None:
    clinic = await open_clinic(store, rulebook)
    bodies = storable_bodies(SETS + 40, PERSONS)
    stored = await clinic.receive_all(bodies[:SETS])
    ward = Ward(clinic, stored, bodies[SETS:])
    await ward.work()
    there = await every_id(clinic)
    items = [("_count", str(COUNT)), *([("_sort", order)] if order else [])]
    bundle, seen = await clinic.search(*items), []
    while True:
        seen += [entry["resource"]["id"] for entry in bundle.get("entry", [])]
        following = link_of(bundle, "next")
        if following is None:
            break
        await ward.work()
        bundle = await clinic.search(*parse_qsl(urlsplit(following).query, keep_blank_values=True))
    assert ward.moved > 10
    assert len(seen) == len(set(seen)), "shown twice"
    assert there - set(seen) == set(), "skipped"
    assert len(seen) > 4 * COUNT


async def every_id(clinic: Clinic) -> set[str]:
    bundle = await clinic.search(("_count", "200"))
    ids = [entry["resource"]["id"] for entry in bundle["entry"]]
    while (following := link_of(bundle, "next")) is not None:
        bundle = await clinic.search(*parse_qsl(urlsplit(following).query, keep_blank_values=True))
        ids += [entry["resource"]["id"] for entry in bundle["entry"]]
    assert len(ids) == len(set(ids))
    return set(ids)
