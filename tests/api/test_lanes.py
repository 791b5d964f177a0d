"""Admission: by the time that would be waited, by tenant, and by how often a key asks."""

from __future__ import annotations

import asyncio
import threading
from concurrent.futures import ThreadPoolExecutor, as_completed
from itertools import islice
from typing import Any

import pytest

from api.serving import problem, serving
from api.test_reading_sets import named
from bodies import OPENED_SET
from databases import SqliteFiles
from quietcuff.api.lanes import KINDS, Kind, Lane
from quietcuff.core.model.errors import Busy, TooOften
from quietcuff.security.api_keys import Rates
from quietcuff.storage.engine.store import Store


class Bench:
    """A lane with a clock of its own, and one server that answers so many a second in the order in which they came.

    As in the store, what has waited four of the five seconds is turned away when its turn comes.
    """

    def __init__(self, kind: Kind, a_second: float) -> None:
        self.now = 0.0
        self.lane = Lane(kind, 5.0, lambda: self.now)
        self.each = 1 / a_second
        self.waiting: list[tuple[float, Any]] = []
        self.free_at = 0.0
        self.waits: list[float] = []
        self.turned_away: list[float] = []
        self.refused = 0

    def arrive(self, at: float, tenant: int = 1) -> bool:
        self.serve_until(at)
        self.now = at
        try:
            self.waiting.append((at, self.lane.enter(tenant)))
        except Busy as busy:
            assert 1 <= busy.retry_after_seconds <= 30
            self.refused += 1
            return False
        return True

    def serve_until(self, until: float) -> None:
        while self.waiting:
            came, leave = self.waiting[0]
            begins = max(self.free_at, came)
            is_late = begins - came > 4.0
            done = begins if is_late else begins + self.each
            if done > until:
                return
            self.waiting.pop(0)
            self.now = self.free_at = done
            if is_late:
                self.turned_away.append(done)
            else:
                self.waits.append(done - came)
            leave(not is_late)


@pytest.mark.parametrize("a_second", [20.0, 150.0, 800.0])
@pytest.mark.parametrize("load", [1.5, 3.0, 10.0])
def test_who_is_let_in_is_answered_in_time_whatever_the_load(a_second: float, load: float) -> None:
    """Little's law: what is inside, over the rate, is the wait. The lane does not know the rate beforehand."""
    bench = Bench(KINDS["write"], a_second)
    arrivals = int(30 * a_second * load)
    for number in range(arrivals):
        bench.arrive(30 * number / arrivals)
    assert max(bench.waits) < 5.0
    # Only while it is still learnt how slow the server is may anybody wait in vain.
    assert all(at < 10 for at in bench.turned_away)
    assert len(bench.waits) >= 0.9 * 29 * a_second
    assert bench.refused > 0.8 * (arrivals - 30 * a_second - 5 * a_second)


def test_nobody_is_refused_below_capacity() -> None:
    bench = Bench(KINDS["write"], 150.0)
    assert all(bench.arrive(number / 120) for number in range(3_600))


def test_a_server_that_became_slow_takes_less() -> None:
    bench = Bench(KINDS["write"], 400.0)
    for number in range(8_000):
        bench.arrive(number / 800)
    bench.each = 1 / 40
    for number in range(1_600):
        bench.arrive(10 + number / 80)
    assert max(bench.waits) < 5.0
    assert bench.turned_away and all(at < 20 for at in bench.turned_away)


def test_a_tenant_that_floods_leaves_room_for_the_others() -> None:
    bench = Bench(KINDS["write"], 150.0)
    for number in range(9_000):
        bench.arrive(number / 600, tenant=1)
    quiet = []
    for number in range(3_000):
        at = 15 + number / 600
        bench.arrive(at, tenant=1)
        if number % 60 == 0:
            quiet.append(bench.arrive(at, tenant=2))
    assert all(quiet)


def test_pictures_wait_for_each_other_only_so_long() -> None:
    lane = Lane(KINDS["picture"], 5.0, lambda: 0.0)
    inside = 0
    with pytest.raises(Busy):
        for _ in range(1_000):
            lane.enter(1)
            inside += 1
    assert 2 <= inside <= 10


def test_requests_that_would_wait_too_long_are_told_at_once_and_what_was_let_in_is_stored(
    sqlite_files: SqliteFiles, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(KINDS, "write", Kind(guess_a_second=10.0, always=4))
    write, gate = Store.write, threading.Event()

    async def slow(self: Store, *arguments: Any, **more: Any) -> Any:
        while not gate.is_set():
            await asyncio.sleep(0.01)
        return await write(self, *arguments, **more)

    with serving(sqlite_files.new()) as server, server.client() as client, ThreadPoolExecutor(60) as callers:
        assert client.get("/v1/reading-sets").status_code == 200
        monkeypatch.setattr(Store, "write", slow)
        asked = [callers.submit(client.post, "/v1/reading-sets", json=named(OPENED_SET)) for _ in range(60)]
        try:
            refused = [task.result().status_code for task in islice(as_completed(asked, timeout=3), 40)]
        finally:
            gate.set()
        assert refused == [503] * 40
        answers = [task.result() for task in asked]
        stored = [answer for answer in answers if answer.status_code == 201]
        for answer in answers:
            if answer.status_code != 201:
                problem(answer, 503, "busy")
                assert 1 <= int(answer.headers["Retry-After"]) <= 30
        assert len(client.get("/v1/reading-sets?limit=100").json()["items"]) == len(stored)
        assert 10 <= len(stored) <= 20


async def test_a_key_has_so_many_requests_a_minute() -> None:
    now = [60.0]
    rates = Rates(3, clock=lambda: now[0])
    for _ in range(3):
        await rates.take("key:a")
    with pytest.raises(TooOften) as caught:
        await rates.take("key:a")
    assert caught.value.retry_after_seconds == 60
    await rates.take("key:b")
    now[0] = 120.0
    await rates.take("key:a")


async def test_processes_share_what_a_key_may_ask_and_seldom_ask_the_database() -> None:
    taken: dict[tuple[str, int], int] = {}
    asked = []

    async def lease(actor: str, minute: int, count: int) -> int:
        asked.append(count)
        await asyncio.sleep(0)
        taken[actor, minute] = taken.get((actor, minute), 0) + count
        return taken[actor, minute]

    processes = [Rates(1_000, lease, clock=lambda: 90.0) for _ in range(4)]
    told = await asyncio.gather(*(processes[number % 4].take("key:a") for number in range(4_000)), return_exceptions=True)
    assert sum(one is None for one in told) == 1_000
    assert sum(isinstance(one, TooOften) for one in told) == 3_000
    assert len(asked) <= 30


@pytest.mark.parametrize("servers", [1, 2])
def test_a_key_that_asks_too_often_is_told_when_to_ask_again(database_url: str, servers: int) -> None:
    if database_url.startswith("sqlite"):
        servers = 1
    with serving(database_url, key_requests_a_minute=40) as one, one.client() as client:
        key = client.headers["Authorization"].split(" ")[1]
        if servers == 1:
            answers = [client.get("/v1/protocols") for _ in range(100)]
        else:
            with serving(database_url, key_requests_a_minute=40) as two, two.client_of(key) as other:
                answers = [(client, other)[number % 2].get("/v1/protocols") for number in range(100)]
        refused = [answer for answer in answers if answer.status_code != 200]
        # A minute may end in between.
        assert 20 <= len(refused) <= 60
        for answer in refused:
            problem(answer, 429, "too-often")
            assert 1 <= int(answer.headers["Retry-After"]) <= 60
