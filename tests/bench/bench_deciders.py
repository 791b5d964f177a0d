"""How much faster a server stores sittings over HTTP where other processes evaluate them, or where there are several workers.

    python tests/bench/bench_deciders.py [--sets 3000] [--rounds 3] [--deciders 1] [--only sqlite|postgresql]
    python tests/bench/bench_deciders.py --workers 2

Two servers, with and without deciders (or, on PostgreSQL, of one worker and of several, all without), each on a database of
its own, are sent the same invented sittings in turn over 64 connections. The client writes bytes that were made before and
looks at little more than the status, so that it takes little of the processors. Printed are sets a second by the clock, and
processor time a set of each server, of its first process and of those that it started.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
os.environ.setdefault("XDG_RUNTIME_DIR", tempfile.mkdtemp(prefix="quietcuff-"))

from api.serving import new_key
from bench.bench_batch import CONNECTIONS, served
from bench.bench_import import sittings
from bench.bench_storage import databases

TICKS = os.sysconf("SC_CLK_TCK")


def processor_seconds(process_id: int) -> tuple[float, float]:
    """Processor time of a process, and of the processes that it has started."""
    own = seconds_of(process_id)
    children = [
        int(child)
        for thread in Path(f"/proc/{process_id}/task").iterdir()
        for child in (thread / "children").read_text().split()
    ]
    return own, sum(seconds_of(child) for child in children)


def seconds_of(process_id: int) -> float:
    parts = Path(f"/proc/{process_id}/stat").read_text().rpartition(")")[2].split()
    return (int(parts[11]) + int(parts[12])) / TICKS


async def send_all(port: int, requests: list[bytes]) -> float:
    """Seconds until every request is answered with 201."""
    todo = iter(requests)

    async def call() -> None:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        for request in todo:
            is_stored = False
            while not is_stored:
                writer.write(request)
                head = await reader.readuntil(b"\r\n\r\n")
                length = next(line for line in head.lower().split(b"\r\n") if line.startswith(b"content-length:"))
                await reader.readexactly(int(length.partition(b":")[2]))
                is_stored = head.startswith(b"HTTP/1.1 201")
                if not is_stored and not head.startswith(b"HTTP/1.1 503"):
                    raise SystemExit(head.decode())
                # A machine that is busy otherwise answers too slowly now and then, and the server refuses some.
                await asyncio.sleep(0 if is_stored else 0.05)
        writer.close()

    began = time.perf_counter()
    await asyncio.gather(*(call() for _ in range(CONNECTIONS)))
    return time.perf_counter() - began


def requests_of(key: str, lines: list[bytes]) -> Iterator[bytes]:
    for line in lines:
        head = f"POST /v1/reading-sets HTTP/1.1\r\nHost: here\r\nAuthorization: Bearer {key}\r\n"
        yield f"{head}Content-Type: application/json\r\nContent-Length: {len(line)}\r\n\r\n".encode() + line


def compare(kind: str, sets: int, rounds: int, what: str, most: int) -> None:
    """Measure one kind of database with the least and the most deciders or workers, and print it."""
    least = 0 if what == "deciders" else 1
    lines = list(sittings(sets * (rounds + 1)))
    with ExitStack() as opened:
        source = opened.enter_context(databases(kind))
        servers = {}
        for number in (least, most):
            url, folder = source.new(), Path(opened.enter_context(tempfile.TemporaryDirectory()))
            key = new_key(url)
            asked = {"deciders": 0, "workers": 1} | {what: number}
            options = [part for name, count in asked.items() for part in (f"--{name}", str(count))]
            address, process = opened.enter_context(served(url, folder, *options))
            servers[number] = int(address.rpartition(":")[2]), process, list(requests_of(key, lines))
        rates: dict[int, list[float]] = {number: [] for number in servers}
        used: dict[int, list[tuple[float, float]]] = {number: [] for number in servers}
        for turn in range(rounds + 1):
            for number, (port, process, requests) in servers.items():
                before = processor_seconds(process.pid)
                seconds = asyncio.run(send_all(port, requests[turn * sets : (turn + 1) * sets]))
                # In the first round the workers start, and the server learns how fast it answers.
                if turn:
                    rates[number].append(sets / seconds)
                    after = processor_seconds(process.pid)
                    used[number].append(tuple((late - early) / sets * 1000 for early, late in zip(before, after, strict=True)))
    for number in servers:
        low, middle, high = min(rates[number]), statistics.median(rates[number]), max(rates[number])
        own, beside = (statistics.median(part) for part in zip(*used[number], strict=True))
        print(f"{kind}, {number} {what}: {middle:.0f} sets/s ({low:.0f} to {high:.0f})", end="; ")
        print(f"processor time a set: the first process {own:.2f} ms, those that it started {beside:.2f} ms")
    ratios = [many / none for many, none in zip(rates[most], rates[least], strict=True)]
    print(f"  ratio {statistics.median(ratios):.2f} ({min(ratios):.2f} to {max(ratios):.2f})", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sets", type=int, default=3_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--deciders", type=int, default=1)
    parser.add_argument("--only", choices=["sqlite", "postgresql"])
    parser.add_argument("--workers", type=int, help="compare so many workers with one, on PostgreSQL")
    chosen = parser.parse_args()
    if chosen.workers:
        compare("postgresql", chosen.sets, chosen.rounds, "workers", chosen.workers)
        return
    for kind in [chosen.only] if chosen.only else ["sqlite", "postgresql"]:
        compare(kind, chosen.sets, chosen.rounds, "deciders", chosen.deciders)


if __name__ == "__main__":
    main()
