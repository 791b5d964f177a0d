"""What becomes of requests when three times as many come as can be served, beside as many as can.

    python tests/bench/bench_overload.py [--seconds 60] [--times 3]

A real server on a SQLite file of its own, over loopback. First 32 callers, each asking again once it is answered: that is the
capacity. Then arrivals at half of it, and at so many times of it, that wait for nobody, for so many seconds. Told are the times
of what was let in and of what was refused, the most memory that the server held, and whether what was let in is in the file
afterwards. Ends by itself within half a minute more than ``--seconds``. People and readings are invented.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import socket
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from api.serving import new_key
from bench.bench_evaluate import make_bodies
from quietcuff.demo.server import free_port
from quietcuff.storage.engine import migrate

CALLERS = 32
CAPACITY_SECONDS = 8
HALF_SECONDS = 6
MOST_CONNECTIONS = 900
GOALS = {"p99 of what was let in": 5.0, "longest refusal": 0.5, "MB": 200}


class Figures:
    """Times by status, and the ids of what was stored."""

    def __init__(self) -> None:
        self.seconds: dict[int, list[float]] = {}
        self.stored: list[str] = []
        self.unsent = 0

    def note(self, status: int, seconds: float, head: bytes) -> None:
        self.seconds.setdefault(status, []).append(seconds)
        if status == 201:
            self.stored.append(head.lower().split(b"location: /v1/reading-sets/")[1][:36].decode())
        if status == 503 and b"retry-after: " not in head.lower():
            raise SystemExit("a refusal without Retry-After")

    def row(self, status: int) -> str:
        found = sorted(self.seconds.get(status, []))
        if not found:
            return f"{0:8d}" + " " * 27
        parts = statistics.median(found), found[int(len(found) * 0.99) - 1 if len(found) > 1 else 0], found[-1]
        return f"{len(found):8d}" + "".join(f"{part:9.3f}" for part in parts)


class Caller:
    """Connections of HTTP/1.1 that are used again."""

    def __init__(self, port: int, key: str) -> None:
        self._port = port
        self._head = (
            f"POST /v1/reading-sets HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer {key}\r\n"
            "Content-Type: application/json\r\nContent-Length: "
        ).encode()
        self._idle: list[tuple[asyncio.StreamReader, asyncio.StreamWriter]] = []
        self.open = 0

    async def ask(self, body: bytes, figures: Figures) -> None:
        """Send one sitting, and note what came of it."""
        if not self._idle and self.open >= MOST_CONNECTIONS:
            figures.unsent += 1
            return
        began = time.perf_counter()
        while True:
            is_used = bool(self._idle)
            if is_used:
                reader, writer = self._idle.pop()
            else:
                self.open += 1
                reader, writer = await asyncio.open_connection("127.0.0.1", self._port)
            try:
                writer.write(self._head + str(len(body)).encode() + b"\r\n\r\n" + body)
                head = await reader.readuntil(b"\r\n\r\n")
                break
            except (asyncio.IncompleteReadError, ConnectionError):
                # The server closes what was idle for long; whoever used it meanwhile sends again, as every client does.
                self.open -= 1
                writer.close()
                if not is_used:
                    raise
        length = int(head.lower().split(b"content-length: ")[1].split(b"\r\n")[0])
        await reader.readexactly(length)
        figures.note(int(head[9:12]), time.perf_counter() - began, head)
        if b"connection: close" in head.lower():
            self.open -= 1
            writer.close()
        else:
            self._idle.append((reader, writer))


def bodies(count: int, name: str) -> list[bytes]:
    """Sittings of as many people, each with an identifier of its own."""
    made = []
    varied = make_bodies(min(count, 500))
    for number in range(count):
        fields: dict[str, Any] = json.loads(varied[number % len(varied)])
        fields |= {"identifier": {"system": "urn:example:visit", "value": f"{name}-{number}"}, "history": None, "intake": None}
        fields["subject"] = {"identifier": {"system": "urn:example:person", "value": f"{name}-{number}"}}
        made.append(json.dumps(fields).encode())
    return made


async def closed(caller: Caller, seconds: float) -> tuple[float, Figures]:
    """The capacity: answers a second to callers that wait for each answer."""
    figures, todo = Figures(), iter(bodies(6_000, "closed"))
    until = time.perf_counter() + seconds

    async def call() -> None:
        while time.perf_counter() < until:
            await caller.ask(next(todo), figures)

    began = time.perf_counter()
    await asyncio.gather(*(call() for _ in range(CALLERS)))
    return len(figures.seconds.get(201, [])) / (time.perf_counter() - began), figures


async def arrivals(caller: Caller, a_second: float, seconds: float, name: str) -> Figures:
    """So many a second, whoever waits; then until the last is answered."""
    figures, asked = Figures(), []
    sent = await asyncio.to_thread(bodies, int(a_second * seconds), name)
    began = time.perf_counter()
    for number, body in enumerate(sent):
        ahead = number / a_second - (time.perf_counter() - began)
        if ahead > 0:
            await asyncio.sleep(ahead)
        asked.append(asyncio.create_task(caller.ask(body, figures)))
    await asyncio.gather(*asked)
    return figures


def most_memory_mb(process: int) -> float:
    status = Path(f"/proc/{process}/status").read_text("ascii")
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


def missing(path: Path, stored: list[str]) -> int:
    """How many that were answered with 201 are not in the file."""
    connection = sqlite3.connect(path)
    there = {row[0] for row in connection.execute("SELECT set_id FROM reading_set")}
    connection.close()
    return sum(bytes.fromhex(one.replace("-", "")) not in there for one in stored)


async def look_behind(behind: list[float]) -> None:
    """How late this client's own loop is, which every time above has in it."""
    while True:
        due = time.perf_counter() + 0.02
        await asyncio.sleep(0.02)
        behind.append(time.perf_counter() - due)


async def ask_all(port: int, key: str, seconds: float, times: float) -> dict[str, Figures]:
    caller = Caller(port, key)
    capacity, first = await closed(caller, CAPACITY_SECONDS)
    print(f"capacity: {capacity:.0f} sittings a second with {CALLERS} callers")
    behind: list[float] = []
    watch = asyncio.create_task(look_behind(behind))
    half = await arrivals(caller, capacity / 2, HALF_SECONDS, "half")
    over = await arrivals(caller, capacity * times, seconds, "over")
    watch.cancel()
    print(f"this client itself was behind by p99 {sorted(behind)[int(len(behind) * 0.99)]:.3f} s, at most {max(behind):.3f} s")
    return {"at capacity": first, "at half of it": half, f"at {times:g} times": over}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--times", type=float, default=3)
    said = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="quietcuff-") as folder:
        path, port = Path(folder) / "overload.db", free_port()
        url = f"sqlite:///{path}"
        migrate.upgrade(url)
        key = new_key(url)
        environment = {**os.environ, "QUIETCUFF_DATABASE_URL": url, "QUIETCUFF_LOG_LEVEL": "warning"}
        command = [sys.executable, "-m", "quietcuff", "serve", "--port", str(port)]
        server = subprocess.Popen(command, env=environment, stderr=subprocess.DEVNULL)
        try:
            wait_for(port)
            found = asyncio.run(ask_all(port, key, said.seconds, said.times))
            memory = most_memory_mb(server.pid)
        finally:
            server.terminate()
            server.wait(30)
        lost = sum(missing(path, figures.stored) for figures in found.values())
    return tell(found, memory, lost)


def wait_for(port: int) -> None:
    for _ in range(300):
        try:
            socket.create_connection(("127.0.0.1", port), 1).close()
        except OSError:
            time.sleep(0.1)
        else:
            return
    raise SystemExit("the server did not start")


def tell(found: dict[str, Figures], memory: float, lost: int) -> int:
    """The table, and 1 where a goal was missed."""
    print(f"{'':16}{'':9}{'answers':>8}{'p50 s':>9}{'p99 s':>9}{'most s':>9}")
    for name, figures in found.items():
        for status in sorted({201, 503} | set(figures.seconds)):
            print(f"{name:16}{status:>9}{figures.row(status)}")
        if figures.unsent:
            print(f"{name:16}{'unsent':>9}{figures.unsent:8d}")
    over = list(found.values())[-1]
    let_in = sorted(over.seconds.get(201, [9e9]))
    reached = {
        "p99 of what was let in": let_in[int(len(let_in) * 0.99) - 1],
        "longest refusal": max(over.seconds.get(503, [0.0])),
        "MB": memory,
    }
    for name, goal in GOALS.items():
        print(f"{name}: {reached[name]:.3f}, goal {goal:g}")
    print(f"let in and lost: {lost}")
    others = {status for figures in found.values() for status in figures.seconds} - {201, 503}
    return int(bool(lost or others or any(reached[name] > goal for name, goal in GOALS.items())))


if __name__ == "__main__":
    raise SystemExit(main())
