"""The rows of the table of speed: each measures ours and its floor in turn, in one run, and returns what both took."""

from __future__ import annotations

import asyncio
import gc
import multiprocessing
import re
import socket
import tempfile
import threading
import time
from collections.abc import Awaitable, Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import msgspec

from application.exports import plan_of
from bench import bench_columns, bench_evaluate, bench_export, bench_search, bench_start, bench_storage
from quietcuff.analytics.columns.batch import as_batch
from quietcuff.analytics.columns.kernel import Kernel
from quietcuff.application.bulk import worker
from quietcuff.core.evaluate import evaluate
from quietcuff.fhir.bulk.gzip_files import JobFiles
from quietcuff.fhir.bulk.pages import Produced, Walk
from quietcuff.fhir.bulk.plan import Progress
from quietcuff.fhir.model.resources import Observation, Provenance
from quietcuff.fhir.search.date_values import Clock
from quietcuff.fhir.search.request import parse_search
from quietcuff.fhir.search.searchset import searchset
from quietcuff.fhir.search.types import SEARCHED
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine import migrate
from quietcuff.storage.engine.store import open_store
from quietcuff.storage.search.observations import Snapshot

BODIES, SETS, EXPORTED, STORED, PAGES, COLUMNS = 600, 400, 600, 2_000, 30, 20_000
PUBLIC_URL = "https://bp.example.org"
encode = msgspec.json.Encoder().encode
# Ours and the floor, in microseconds or seconds of processor time, one pair a round.
Pairs = list[tuple[float, float]]


def processor(work: Callable[[], object], times: int) -> float:
    """Microseconds of processor time of one of so many things that one call does."""
    gc.collect()
    began = time.process_time()
    work()
    return (time.process_time() - began) / times * 1e6


async def processor_of(work: Awaitable[object], times: int) -> float:
    gc.collect()
    began = time.process_time()
    await work
    return (time.process_time() - began) / times * 1e6


def evaluating(rounds: int) -> Pairs:
    """``evaluate`` of a sitting, against a Litestar server that answers its body with itself."""
    rulebook, bodies = load_rulebook(), bench_evaluate.make_bodies(BODIES)
    listener = socket.create_server(("127.0.0.1", 0))
    ours, theirs = multiprocessing.Pipe()
    echo = multiprocessing.get_context("fork").Process(target=bench_evaluate.serve_echo, args=(listener, theirs))
    echo.start()
    theirs.close()
    try:
        figures = bench_evaluate.measure(rounds, bodies, rulebook, ours, listener.getsockname())
    finally:
        ours.send("stop")
        echo.join(5)
    return list(zip(figures["evaluate"], figures["Litestar echo"], strict=True))


def storing(kind: str) -> Callable[[int], Pairs]:
    """The whole flow of a stored sitting for 64 callers, against the driver with the same rows, both without the server."""

    def measure(rounds: int) -> Pairs:
        sets, pairs = bench_storage.make_sets(SETS), []
        with bench_storage.databases(kind) as source:
            for _ in range(rounds):
                _, used, rows = asyncio.run(bench_storage.ours(source.new(), sets, bench_storage.CALLERS))
                url = source.new()
                if kind == "sqlite":
                    floor = processor(lambda url=url, rows=rows: bench_storage.sqlite_floor(url, rows, SETS), SETS)
                else:
                    floor = asyncio.run(processor_of(bench_storage.postgresql_floor(url, rows, SETS), SETS))
                pairs.append((used / SETS * 1e6, floor))
        return pairs

    return measure


def posting(rounds: int) -> Pairs:
    """A stored sitting over HTTP on SQLite, 64 connections, against the echo: the processor time of both servers."""
    bodies = bench_evaluate.make_bodies(BODIES * (rounds + 1))
    listener = socket.create_server(("127.0.0.1", 0))
    ours, theirs = multiprocessing.Pipe()
    echo = multiprocessing.get_context("fork").Process(target=bench_evaluate.serve_echo, args=(listener, theirs))
    echo.start()
    theirs.close()
    with tempfile.TemporaryDirectory(prefix="quietcuff-") as name:
        folder, here = Path(name), bench_start.HERE
        create = ("keys", "create", "--tenant", "invented", "--name", "bench", "--scope", "system/*.cruds")
        told, _ = bench_start.start(here, folder, *create).communicate(timeout=60)
        key = next(word for word in re.findall(r"\S+", told) if word.startswith("qc_"))
        port = bench_start.free_port()
        # Alone: what deciders use beside it would not be counted.
        server = bench_start.start(here, folder, "serve", "--port", port, "--deciders", "0")
        try:
            bench_start.wait_until_ready(server)
            # Its log must be read, or it waits for somebody to do so.
            assert server.stderr is not None
            threading.Thread(target=server.stderr.read, daemon=True).start()
            pairs: Pairs = []
            for begin in range(0, len(bodies), BODIES):
                part = bodies[begin : begin + BODIES]
                before = bench_start.processor_seconds(server.pid)
                asyncio.run(bench_evaluate.send_all(("127.0.0.1", int(port)), [posted(body, key) for body in part], 201))
                stored = bench_start.processor_seconds(server.pid) - before
                before = bench_evaluate.ask_time(ours)
                requests = [bench_evaluate.request_of(body) for body in part]
                asyncio.run(bench_evaluate.send_all(listener.getsockname(), requests))
                pairs.append((stored / BODIES * 1e6, (bench_evaluate.ask_time(ours) - before) / BODIES * 1e6))
        finally:
            server.terminate()
            server.wait(60)
            ours.send("stop")
            echo.join(5)
    # The first round warms what is remembered.
    return pairs[1:]


def posted(body: bytes, key: str) -> bytes:
    """A sitting to store, as a whole HTTP request."""
    head = f"POST /v1/reading-sets HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {key}\r\nContent-Type: application/json\r\n"
    return f"{head}Content-Length: {len(body)}\r\n\r\n".encode() + body


def exporting(rounds: int) -> Pairs:
    """A resource of an export on SQLite, read, made, deflated and counted, against the same resources as structs that are
    there already: encoded, deflated in pieces of the same size and written to a file."""
    with bench_storage.databases("sqlite") as source, tempfile.TemporaryFile() as file:
        url = source.new()
        asyncio.run(bench_export.fill(url, EXPORTED))
        return asyncio.run(export_pairs(url, rounds, file))


async def export_pairs(url: str, rounds: int, file: Any) -> Pairs:
    clinic = await bench_export.clinic_of(url)
    tenant_id = clinic.tenant.tenant_id
    at = await worker.moment_with_all_before(clinic.desk, tenant_id)
    publisher = Publisher(tenant=clinic.tenant, public_url=PUBLIC_URL)
    walk = Walk(publisher=publisher, plan=plan_of(), at=at)
    parts: list[list[Any]] = []

    async def export(see: Callable[[Produced], None] = lambda produced: None) -> None:
        progress, shelf = Progress(), JobFiles([], 100_000)
        while progress.step != "end":
            page = await clinic.store.read(tenant_id, worker.reading_of(walk, progress))
            produced, _ = worker.produce(walk, progress, page, shelf)
            # Forgotten again page by page, as the service does once a page is stored.
            see(produced)
            progress = produced.progress

    def keep(produced: Produced) -> None:
        for (_, kind), lines in produced.lines.items():
            shape = {"Observation": Observation, "Provenance": Provenance}.get(kind)
            if shape is not None:
                parts.append([msgspec.json.decode(line, type=shape) for line in lines])

    await export(keep)
    resources = sum(map(len, parts))

    def write() -> None:
        shelf = JobFiles([], 100_000)
        for part in parts:
            packed = shelf.pack("output", "Observation", [encode(one) for one in part])
            file.writelines(chunk.data for chunk in packed.chunks)

    pairs = [(await processor_of(export(), resources), processor(write, resources)) for _ in range(rounds)]
    await clinic.store.close()
    return pairs


def searching(rounds: int) -> Pairs:
    """Pages of 50 Observations by date on SQLite, as bytes, against the same statements run again by the driver alone."""
    with tempfile.TemporaryDirectory(prefix="quietcuff-") as folder:
        url = f"sqlite:///{folder}/search.db"
        migrate.upgrade(url)
        return asyncio.run(search_pairs(url, rounds))


async def search_pairs(url: str, rounds: int) -> Pairs:
    store = open_store(url)
    clinic, known = await bench_search.patterns(store)
    await bench_search.fill(store, clinic, known, STORED, 0)

    def pages(snapshot: Snapshot) -> None:
        for page in range(PAGES):
            day = bench_search.BASE + timedelta(hours=page + 24)
            asked = [("date", f"ge{day:%Y-%m-%dT%H:%M:%SZ}"), ("_sort", "date"), ("_count", "50"), ("_total", "none")]
            clock = Clock(clinic.tenant.zone, day)
            search = parse_search(
                SEARCHED["Observation"].asking,
                asked,
                publisher=clinic.publisher,
                clock=clock,
                is_strict=True,
                snapshot=snapshot,
            )
            if searchset(snapshot, clinic.publisher, search).count(b'"fullUrl"') != 50:
                raise RuntimeError("a page was not full")

    def measure(snapshot: Snapshot) -> Pairs:
        driver: Any = snapshot.connection.dbapi_connection
        asked: list[str] = []
        driver.set_trace_callback(asked.append)
        pages(snapshot)
        driver.set_trace_callback(None)

        def run_again() -> None:
            for text in asked:
                driver.execute(text).fetchall()

        run_again()
        return [(processor(lambda: pages(snapshot), PAGES), processor(run_again, PAGES)) for _ in range(rounds)]

    pairs = await store.read(clinic.tenant.tenant_id, measure)
    await store.close()
    return pairs


def evaluating_columns(rounds: int) -> Pairs:
    """``evaluate`` in a loop against many sittings at once over columns; here the loop is ours."""
    rulebook, cases = load_rulebook(), bench_columns.make_cases(COLUMNS)
    batch, kernel = as_batch(cases), Kernel(rulebook, threads=1)
    looped = cases[:BODIES]
    kernel.evaluate(batch)
    return [
        (
            processor(lambda: [evaluate(each, history, rulebook) for _, each, history in looped], len(looped)),
            processor(lambda: kernel.evaluate(batch), COLUMNS),
        )
        for _ in range(rounds)
    ]


def starting(name: str) -> Callable[[int], Pairs]:
    """Seconds of a start, against a second."""

    def measure(rounds: int) -> Pairs:
        here = bench_start.HERE
        with bench_start.prepared(here) as folder:
            if name == "serve":
                return [(bench_start.seconds_to_ready(here, folder), 1.0) for _ in range(rounds)]
            return [(bench_start.seconds_of_command(here, folder, bench_start.COMMANDS[name]), 1.0) for _ in range(rounds)]

    return measure
