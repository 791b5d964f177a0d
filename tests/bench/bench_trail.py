"""What the trail costs: sittings stored and read with it and without, in one run, and how fast it is verified.

    python tests/bench/bench_trail.py [--sets 1000] [--reads 5000] [--rounds 3] [--only sqlite|postgresql]

Without means that no row is made at all; plain and keyed are its two ways of being chained, sealed at the end. Reads are
answered by the flow, without HTTP, which would hide the cost; their rows are written beside them each second, as the service
does it. Figures are of this process's own processor time, so that other work on the machine counts little; PostgreSQL's is
not in them. Rounds are interleaved and only ratios of one run mean anything. The people and readings are invented.
"""

from __future__ import annotations

import argparse
import asyncio
import statistics
import sys
import tempfile
import time
from functools import partial
from pathlib import Path
from typing import Any
from unittest import mock
from uuid import UUID

sys.path.insert(0, str(Path(__file__).parents[1]))

from application.clinic import Clinic, open_clinic
from bench.bench_storage import CALLERS, databases, make_sets, receive_all
from quietcuff import application
from quietcuff.application.read_trail import ReadRecord, Reads
from quietcuff.core.model.readings import ReadingSet
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import open_store
from quietcuff.storage.trail.checking import TrailCheck, rows_after
from quietcuff.storage.trail.keys import TrailFiles, add_trail_key
from quietcuff.storage.trail.seals import all_seals
from quietcuff.storage.trail.trail import TrailEntry, record

WAYS = ("without", "plain", "keyed")
Figures = dict[str, list[float]]


async def measure_once(url: str, sets: list[ReadingSet], reads: int, files: TrailFiles, way: str) -> tuple[float, float, float]:
    """Microseconds of processor for a set stored, a set read, and a row verified."""
    store = open_store(url, trail=files)
    clinic = await open_clinic(store, load_rulebook())
    stored = (await receive_all(clinic, sets, CALLERS))[1] / len(sets) * 1e6
    await store.seal()
    found = [one for (one,) in await clinic.rows("SELECT set_id FROM reading_set")]
    ids = [str(UUID(bytes=one) if isinstance(one, bytes) else one) for one in found]
    read = await read_all(clinic, [ids[number % len(ids)] for number in range(reads)], told=way != "without") / reads * 1e6
    verified = 0.0 if way == "without" else await verify(clinic, files)
    await store.close()
    return stored, read, verified


async def read_all(clinic: Clinic, ids: list[str], *, told: bool) -> float:
    """Processor seconds until every set is answered and, where the trail is told, all of it is written."""
    reads, todo = Reads(), iter(ids)

    async def call() -> None:
        for set_id in todo:
            await application.read_set(clinic.desk, clinic.caller, set_id)
            if told:
                who = {name: getattr(clinic.caller, name) for name in ("tenant_id", "actor", "request_id")}
                reads.add(
                    ReadRecord(**who, at=clinic.clock.now, action="read", what="get_reading_set", found=1, set_id=UUID(set_id))
                )

    async def write() -> None:
        while True:
            await asyncio.sleep(1)
            await reads.write(clinic.desk)

    began = time.process_time()
    writer = asyncio.create_task(write())
    await asyncio.gather(*(call() for _ in range(CALLERS)))
    writer.cancel()
    await asyncio.wait([writer])
    await reads.write(clinic.desk)
    return time.process_time() - began


async def verify(clinic: Clinic, files: TrailFiles) -> float:
    """Microseconds for a row verified."""
    tenant_id, store = clinic.tenant.tenant_id, clinic.desk.store
    began, after = time.process_time(), (-1, 0)
    check = TrailCheck(
        tenant_id, files.read_keys(), await store.read(tenant_id, lambda snapshot: all_seals(snapshot, tenant_id))
    )
    while page := await store.read(tenant_id, partial(rows_after, tenant_id=tenant_id, after=after)):
        check.see(page)
        after = page[-1].lane, page[-1].position
    checked = check.end()
    if checked.flaws:
        raise SystemExit(f"flaws in a trail that nobody touched: {checked.flaws[:3]}")
    return (time.process_time() - began) / checked.rows * 1e6


def no_record(connection: Any, entry: TrailEntry) -> None:
    """What the flow calls where there is to be no trail."""


def measure(kind: str, sets: list[ReadingSet], reads: int, rounds: int, keys: str) -> None:
    figures: dict[str, Figures] = {what: {way: [] for way in WAYS} for what in ("stored", "read", "verified")}
    with databases(kind) as source:
        for _ in range(rounds):
            for way in WAYS:
                files = TrailFiles(keys=keys if way == "keyed" else None)
                with mock.patch("quietcuff.application.context.record", record if way != "without" else no_record):
                    found = asyncio.run(measure_once(source.new(), sets, reads, files, way))
                for what, rate in zip(figures, found, strict=True):
                    figures[what][way].append(rate)
    print(f"{kind}: us of processor each, median (range) of {rounds} rounds")
    for what, by_way in figures.items():
        base = statistics.median(by_way["without"])
        for way, rates in by_way.items():
            rate = statistics.median(rates)
            if rate:
                ratio = f"  {rate / base:5.2f} of without" if base else ""
                print(f"  {what:9}{way:8} {rate:8.0f}  ({min(rates):.0f} to {max(rates):.0f}){ratio}")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--sets", type=int, default=1000)
    parser.add_argument("--reads", type=int, default=5000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--only", choices=["sqlite", "postgresql"])
    chosen = parser.parse_args()
    sets = make_sets(chosen.sets)
    with tempfile.TemporaryDirectory(prefix="quietcuff-") as folder:
        keys = str(Path(folder) / "keys")
        add_trail_key(keys, rotate=False)
        for kind in [chosen.only] if chosen.only else ["sqlite", "postgresql"]:
            measure(kind, sets, chosen.reads, chosen.rounds, keys)


if __name__ == "__main__":
    main()
