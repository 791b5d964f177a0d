"""Paging while others write at the same time: whatever was stored when the first page was asked for is shown exactly once."""

from __future__ import annotations

import asyncio
import contextlib
import random
import threading
import time
from collections.abc import AsyncIterator
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import parse_qsl, urlsplit

import msgspec
import pytest

from fhir_r4.archive import link_of, storable_bodies
from fhir_r4.stored_sets import STARTED_AT, Clinic, open_clinic
from quietcuff import application
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.fhir.model.logical_ids import place_name
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import Store, open_store
from quietcuff.storage.search.observations import Snapshot, find_observations
from quietcuff.storage.search.query import ObservationKey, ObservationQuery

SETS, PERSONS, WRITERS, COUNT = 40, 4, 3, 23
ORDERS = ["date", "-date", "_lastUpdated", "-_lastUpdated", None]
MORE_THAN_ALL = 100_000
PAUSE_SECONDS = 0.2


def running_clock() -> datetime:
    """A clock that goes on, as a server's does, from a day that the invented sittings are before."""
    return STARTED_AT + timedelta(seconds=time.monotonic())


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


@pytest.fixture
async def clinic(store: Store, rulebook: Rulebook) -> Clinic:
    clinic = await open_clinic(store, rulebook)
    clinic.desk = application.open_desk(store, rulebook, clock=running_clock)
    return clinic


def name_of(key: ObservationKey) -> str:
    return f"{key.set_id}-{'mean' if key.kind == 'mean' else place_name(key.kind, key.index)}"


async def every_id(clinic: Clinic) -> set[str]:
    """Every Observation in one snapshot."""

    def all_at_once(snapshot: Snapshot) -> set[str]:
        query = ObservationQuery(order="date", limit=MORE_THAN_ALL)
        return {name_of(entry.key) for entry in find_observations(snapshot, clinic.tenant.tenant_id, query)}

    return await clinic.store.read(clinic.tenant.tenant_id, all_at_once)


async def pages(clinic: Clinic, order: str | None, count: int = COUNT) -> AsyncIterator[list[str]]:
    """The ids of page after page, as a client follows them."""
    bundle = await clinic.search(("_count", str(count)), *([("_sort", order)] if order else []))
    while True:
        yield [entry["resource"]["id"] for entry in bundle.get("entry", [])]
        following = link_of(bundle, "next")
        if following is None:
            return
        bundle = await clinic.search(*parse_qsl(urlsplit(following).query, keep_blank_values=True))


class Writer:
    """One of several who correct what is there, add to what is open and bring new sittings, each without a pause."""

    def __init__(self, clinic: Clinic, seed: int, stored: list[dict[str, Any]], bodies: list[dict[str, Any]]) -> None:
        self.clinic, self.rng, self.bodies = clinic, random.Random(seed), bodies
        self.sets = {one["id"]: one for one in stored}
        self.written = {"move": 0, "append": 0, "bring": 0}

    async def work(self, until: asyncio.Event) -> None:
        while not until.is_set():
            name = self.rng.choice(["move", "move", "append", "bring"])
            with contextlib.suppress(NotAcceptable):
                await getattr(self, name)(self.rng.choice(sorted(self.sets)))
                self.written[name] += 1

    async def move(self, set_id: str) -> None:
        """Another value or another time for the first reading."""
        known = self.sets[set_id]
        taken = datetime.fromisoformat(known["reading_set"]["readings"][0]["taken_at"])
        value = {"systolic_mmhg": 100 + self.rng.randint(0, 80), "diastolic_mmhg": 70}
        later = {"taken_at": (taken + timedelta(minutes=self.rng.choice([-9000, -3, 4, 9000]))).isoformat()}
        change = {"change": "amend-reading", "index": 0, "set": self.rng.choice([value, later])}
        self.sets[set_id] = await self.clinic.correct(set_id, known["version"], change)

    async def append(self, set_id: str) -> None:
        """One more reading, where the sitting is open."""
        readings = self.sets[set_id]["reading_set"]["readings"]
        taken = datetime.fromisoformat(readings[-1]["taken_at"]) + timedelta(seconds=70)
        more = {"taken_at": taken.isoformat(), "systolic_mmhg": 141, "diastolic_mmhg": 88, "site": "left-upper-arm"}
        if not self.sets[set_id]["closed"]:
            self.sets[set_id] = await self.clinic.append(set_id, readings=[more])

    async def bring(self, _: str) -> None:
        if self.bodies:
            await self.clinic.receive(self.bodies.pop())


async def more_is_written(writers: list[Writer], at_work: list[asyncio.Task[None]]) -> None:
    before = [sum(writer.written.values()) for writer in writers]
    while before == [sum(writer.written.values()) for writer in writers]:
        assert not any(task.done() for task in at_work)
        await asyncio.sleep(0.001)


async def test_what_was_there_is_shown_once_while_others_write(clinic: Clinic) -> None:
    bodies = storable_bodies(SETS + 120, PERSONS)
    stored = await clinic.receive_all({**body, "closed": number % 2 == 0} for number, body in enumerate(bodies[:SETS]))
    writers = [Writer(clinic, seed, stored[seed::WRITERS], bodies[SETS + seed :: WRITERS]) for seed in range(WRITERS)]
    over = asyncio.Event()
    at_work = [asyncio.create_task(writer.work(over)) for writer in writers]
    try:
        for order in ORDERS:
            there, seen = await every_id(clinic), []
            async for page in pages(clinic, order):
                seen += page
                await more_is_written(writers, at_work)
            assert len(seen) == len(set(seen)), (order, "shown twice")
            assert there - set(seen) == set(), (order, "skipped")
    finally:
        over.set()
        await asyncio.gather(*at_work)
    assert all(sum(writer.written[name] for writer in writers) for name in ("move", "append", "bring"))


def moved_by(stored: dict[str, Any], minutes: int) -> dict[str, Any]:
    """The first reading, measured earlier or later than was said."""
    taken = datetime.fromisoformat(stored["reading_set"]["readings"][0]["taken_at"]) + timedelta(minutes=minutes)
    return {"change": "amend-reading", "index": 0, "set": {"taken_at": taken.isoformat()}}


@pytest.mark.parametrize("order", ORDERS)
async def test_a_change_that_is_stored_late_moves_nothing_under_a_reader(
    clinic: Clinic, rulebook: Rulebook, database_url: str, order: str | None
) -> None:
    """A writer in another process has the time of its change, but has not committed it as the first page is read; a later
    change is there already."""
    stored = {one["id"]: one for one in await clinic.receive_all(storable_bodies(6, 1))}
    listed = [name[:36] async for page in pages(clinic, order, 5) for name in page]
    # By the oldest change it would leave the first page for the last; else the last page for the first.
    first, second = (stored[one] for one in (listed[0], listed[-1])[:: 1 if order == "_lastUpdated" else -1])
    change = moved_by(first, -300_000 if order == "date" else 60_000)
    stamped, committed = threading.Event(), threading.Event()

    def slow_clock() -> datetime:
        moment = running_clock()
        stamped.set()
        time.sleep(PAUSE_SECONDS)
        return moment

    async def correct_slowly() -> None:
        store = open_store(database_url)
        other = Clinic(store, rulebook, clinic.tenant)
        other.desk = msgspec.structs.replace(application.open_desk(store, rulebook, clock=running_clock), clock=slow_clock)
        await other.correct(first["id"], 1, change)
        await store.close()
        committed.set()

    thread = threading.Thread(target=lambda: asyncio.run(correct_slowly()))
    thread.start()
    await asyncio.to_thread(stamped.wait)
    await asyncio.sleep(PAUSE_SECONDS / 10)
    await clinic.correct(second["id"], 1, moved_by(second, 1))
    there, seen = await every_id(clinic), []
    async for page in pages(clinic, order, 5):
        seen += page
        await asyncio.to_thread(committed.wait)
    await asyncio.to_thread(thread.join)
    assert len(seen) == len(set(seen)), "shown twice"
    assert there - set(seen) == set(), "skipped"
