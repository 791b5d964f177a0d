"""How much faster a server stores sittings over HTTP where other processes evaluate them.

    python tests/bench/bench_deciders.py [--sets 3000] [--rounds 3] [--deciders 1] [--only sqlite|postgresql]

Two servers, with and without deciders, each on a database of its own, are sent the same invented sittings in turn over 64
connections. The client writes bytes that were made before and looks at little more than the status, so that it takes little of
the processors. Printed are sets a second by the clock, and processor time a set of each server with its deciders.
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


def compare(kind: str, sets: int, rounds: int, deciders: int) -> None:
    """Measure one kind of database, and print it."""
    lines = list(sittings(sets * (rounds + 1)))
    with ExitStack() as opened:
        source = opened.enter_context(databases(kind))
        servers = {}
        for number in (0, deciders):
            url, folder = source.new(), Path(opened.enter_context(tempfile.TemporaryDirectory()))
            key = new_key(url)
            os.environ["QUIETCUFF_DECIDERS"] = str(number)
            address, process = opened.enter_context(served(url, folder))
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
        print(f"{kind}, {number} deciders: {middle:.0f} sets/s ({low:.0f} to {high:.0f})", end="; ")
        print(f"processor time a set: server {own:.2f} ms, deciders {beside:.2f} ms")
    ratios = [many / none for many, none in zip(rates[deciders], rates[0], strict=True)]
    print(f"  ratio {statistics.median(ratios):.2f} ({min(ratios):.2f} to {max(ratios):.2f})", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sets", type=int, default=3_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--deciders", type=int, default=1)
    parser.add_argument("--only", choices=["sqlite", "postgresql"])
    chosen = parser.parse_args()
    for kind in [chosen.only] if chosen.only else ["sqlite", "postgresql"]:
        compare(kind, chosen.sets, chosen.rounds, chosen.deciders)


if __name__ == "__main__":
    main()
