"""What a resource costs in a bulk export as more and more is stored, how much memory it takes, and whether all of it is valid.

    python tests/bench/bench_export.py [--sets 10000 100000] [--only sqlite|postgresql] [--validate] [--rounds 3]

Sittings of every shape are stored (invented, from a seed; three to a person), then exported as a job, as the service does it,
in a process of its own whose peak of memory is told with what it had before it began. Only ratios of one run mean anything.
``--validate`` holds every resource of the largest export against the table of profile facts and base R4 (fhirkit), and every
reference against what is there. A million sets take hours to store one by one: with ``--stored 10000`` so many are stored, and
the rest are rows copied from them under new ids: ``--sets 10000 100000 1000000 --stored 10000``.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))
os.environ.setdefault("XDG_RUNTIME_DIR", tempfile.mkdtemp(prefix="quietcuff-"))

from sqlalchemy import make_url

from application.exports import plan_of
from bench.bench_storage import databases
from databases import PostgresqlServer
from fhir_r4.generated import generated_bodies
from fhir_r4.profiles import faults_of
from fhir_r4.stored_sets import Clinic, open_clinic
from quietcuff import application
from quietcuff.application.bulk.jobs import export_file, read_export, start_export
from quietcuff.application.bulk.worker import ExportLimits, ExportWorker
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import open_store
from quietcuff.storage.schema.base import Instant
from quietcuff.storage.schema.sittings import reading, reading_set, set_version, subject

CALLERS = 64
GROWTH_GOAL = 1.3
PUBLIC_URL = "https://bp.example.org"
LIMITS = ExportLimits(jobs=100)
LINES_AT_ONCE = 20_000
WEEKS = 4


def bodies() -> Iterator[dict[str, Any]]:
    """Sittings of every shape, of people who come three times."""
    for number, body in enumerate(generated_bodies(20260504)):
        person = body["subject"]["identifier"]
        body["subject"]["identifier"] = {"system": person["system"], "value": f"p-{number // 3}"}
        yield body


async def clinic_of(url: str) -> Clinic:
    """The one clinic, by the machine's own clock."""
    store = open_store(url)
    clinic = await open_clinic(store, load_rulebook())
    clinic.desk = application.open_desk(store, clinic.desk.rulebook)
    return clinic


async def fill(url: str, count: int) -> None:
    """Store so many sets; bodies that are no one sitting are passed over."""
    clinic, source, stored = await clinic_of(url), bodies(), 0

    async def call() -> None:
        nonlocal stored
        while stored < count:
            stored += 1
            try:
                await clinic.receive(next(source))
            except NotAcceptable:
                stored -= 1

    await asyncio.gather(*(call() for _ in range(CALLERS)))
    await clinic.store.close()


async def copy(url: str, rounds: int) -> None:
    """Copy everything that was stored so many times under new ids."""
    clinic = await clinic_of(url)
    write = partial(clinic.store.write, clinic.tenant.tenant_id)
    await write(remember_ids)
    for number in range(1, rounds + 1):
        await write(partial(copy_once, tenant_id=clinic.tenant.tenant_id, number=number))
    await clinic.store.close()


def remember_ids(connection: Any) -> None:
    """Note whom and what there is to copy."""
    run = connection.exec_driver_sql
    for name, table, key in (("first_person", "subject", "subject_id"), ("first_set", "reading_set", "set_id")):
        run(f"CREATE TABLE {name} AS SELECT {key} AS old, {key} AS new FROM {table}")
        run(f"CREATE INDEX ix_{name} ON {name} (old)")


def copy_once(connection: Any, tenant_id: int, number: int) -> None:
    """One more copy of the first rows, some weeks older. Its ids begin alike and its times are its own, so that every index
    grows at one place: many times as fast."""
    run = connection.exec_driver_sql
    if connection.dialect.name == "postgresql":
        run("SET LOCAL statement_timeout = 0")
        earlier = f"t.%s - interval '{number * WEEKS} weeks'"
        new_id = f"('{number:04x}' || substr(gen_random_uuid()::text, 5))::uuid"
    else:
        run("PRAGMA cache_size = -1000000")
        earlier = f"t.%s - {number * WEEKS * 7 * 86_400_000_000}"
        new_id = f"CAST(x'{number:04x}' || randomblob(14) AS BLOB)"
    run(f"UPDATE first_person SET new = {new_id}")
    run(f"UPDATE first_set SET new = {new_id}")
    for table in (subject, reading_set, set_version, reading):
        names = [column.name for column in table.columns]
        own = {"subject_id": "p.new", "set_id": "s.new"}
        own |= {column.name: earlier % column.name for column in table.columns if isinstance(column.type, Instant)}
        chosen = [own.get(name, f"t.{name}") for name in names]
        is_of_set = "set_id" in names
        of_set = " JOIN first_set s ON s.old = t.set_id" if is_of_set else ""
        run(
            f"INSERT INTO {table.name} ({', '.join(names)}) SELECT {', '.join(chosen)} "
            # From the people, and with the tenant, so that the first rows are found by their key among ever more.
            f"FROM first_person p CROSS JOIN {table.name} t{of_set} WHERE t.tenant_id = {tenant_id} AND t.subject_id = p.old "
            f"ORDER BY p.new{', s.new' if is_of_set else ''}"
        )


def peak_mb() -> float:
    """The most memory that this program has held, MB. What getrusage says would count the parent's with it."""
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


async def measure(url: str) -> dict[str, Any]:
    """One export, as the service does it; run in a process of its own."""
    clinic = await clinic_of(url)
    before = peak_mb()
    job_id = await start_export(clinic.desk, clinic.caller, plan_of(), LIMITS)
    began, used = time.perf_counter(), time.process_time()
    await ExportWorker(clinic.desk, PUBLIC_URL, LIMITS).work()
    seconds, processor = time.perf_counter() - began, time.process_time() - used
    peak = peak_mb()
    done = await read_export(clinic.desk, clinic.caller, job_id)
    await clinic.store.close()
    return {
        "job": job_id,
        "resources": sum(file.resources for file in done.files),
        "seconds": seconds,
        "processor": processor,
        "before_mb": before,
        "peak_mb": peak,
        "plain_mb": sum(file.plain_bytes for file in done.files) / 2**20,
        "packed_mb": sum(file.packed_bytes for file in done.files) / 2**20,
    }


def measured(url: str) -> dict[str, Any]:
    """The same, from outside."""
    command = [sys.executable, __file__, "--measure", url]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


def judged(lines: list[bytes]) -> tuple[list[str], set[str], set[str]]:
    """What is wrong with some lines, which resources they are, and what they point to."""
    faults, there, pointed = [], set(), set()
    for line in lines:
        one = json.loads(line)
        name = f"{one['resourceType']}/{one['id']}"
        there.add(name)
        faults += [f"{name}: {fault}" for fault in faults_of(one)]
        pointed |= {found for found in references(one) if not found.startswith("#")}
    return faults, there, pointed


def references(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        if isinstance(value.get("reference"), str):
            yield value["reference"]
        value = list(value.values())
    if isinstance(value, list):
        for item in value:
            yield from references(item)


async def lines_of(url: str, job_id: str) -> list[list[bytes]]:
    """The lines of an export, in parts."""
    clinic, parts = await clinic_of(url), []
    done = await read_export(clinic.desk, clinic.caller, job_id)
    for file in done.files:
        plain = b"".join([part async for part in export_file(clinic.desk, clinic.caller, job_id, file, packed=False)])
        lines = iter(plain.splitlines())
        while part := list(islice(lines, LINES_AT_ONCE)):
            parts.append(part)
    await clinic.store.close()
    return parts


def validate(url: str, job_id: str) -> bool:
    parts = asyncio.run(lines_of(url, job_id))
    faults: list[str] = []
    there: set[str] = set()
    pointed: set[str] = set()
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        for found in pool.map(judged, parts):
            faults += found[0]
            there |= found[1]
            pointed |= found[2]
    count = sum(len(part) for part in parts)
    print(f"  {count} resources judged, each once: {count == len(there)}; {len(faults)} faults; ", end="")
    print(f"{len(pointed - there)} references that lead nowhere")
    for fault in faults[:10]:
        print(f"    {fault}")
    return not faults and not pointed - there and count == len(there)


def filled(source: Any, kind: str, size: int, stored_at_most: int | None) -> str:
    """The address of a database with so many sets."""
    url, began = source.new(), time.perf_counter()
    stored = min(size, stored_at_most or size)
    asyncio.run(fill(url, stored))
    if size > stored:
        owner = source.as_owner(str(make_url(url).database)) if isinstance(source, PostgresqlServer) else url
        asyncio.run(copy(owner, size // stored - 1))
    if isinstance(source, PostgresqlServer):
        source.analyze(str(make_url(url).database))
    print(f"{kind}: {size} sets, {stored} of them stored, in {time.perf_counter() - began:.0f} s", flush=True)
    return str(url)


def measure_all(kind: str, sizes: list[int], rounds: int, stored_at_most: int | None, *, is_judged: bool) -> bool:
    """Measure every size; the smallest before and after the others, as the machine may have changed meanwhile."""
    with databases(kind) as source:
        urls = [filled(source, kind, size, stored_at_most) for size in sizes]
        small = [measured(urls[0]) for _ in range(rounds)]
        large = [measured(url) for url in urls[1:]]
        small += [measured(urls[0]) for _ in range(rounds)]
        costs = [cost_of(small), *(cost_of([run]) for run in large)]
        for size, runs, cost in zip(sizes, [small, *([run] for run in large)], costs, strict=True):
            last, rate = runs[-1], statistics.median(run["resources"] / run["seconds"] for run in runs)
            print(
                f"  {size} sets: {last['resources']} resources, {last['plain_mb']:.0f} MB, stored as {last['packed_mb']:.0f} MB"
            )
            print(f"    {cost:.1f} us of processor a resource, {rate:.0f} resources/s")
            print(f"    peak of memory {last['peak_mb']:.0f} MB, of which {last['before_mb']:.0f} before it began", flush=True)
        is_good = not is_judged or validate(urls[-1], (large or small)[-1]["job"])
    for size, cost in zip(sizes[1:], costs[1:], strict=True):
        print(f"  processor a resource, {size} to {sizes[0]} sets: {cost / costs[0]:.2f}  (goal {GROWTH_GOAL})")
    return is_good and costs[-1] / costs[0] <= GROWTH_GOAL


def cost_of(runs: list[dict[str, Any]]) -> float:
    """Microseconds of processor a resource."""
    return statistics.median(run["processor"] / run["resources"] for run in runs) * 1e6


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--sets", type=int, nargs="+", default=[10_000, 100_000])
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--stored", type=int, help="store no more than so many; the rest are copies under new ids")
    parser.add_argument("--only", choices=["sqlite", "postgresql"])
    parser.add_argument("--validate", action="store_true")
    parser.add_argument("--measure", help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.measure:
        print(json.dumps(asyncio.run(measure(chosen.measure))))
        return
    kinds = [chosen.only] if chosen.only else ["sqlite", "postgresql"]
    reached = [
        measure_all(kind, sorted(chosen.sets), chosen.rounds, chosen.stored, is_judged=chosen.validate) for kind in kinds
    ]
    raise SystemExit(0 if all(reached) else 1)


if __name__ == "__main__":
    main()
