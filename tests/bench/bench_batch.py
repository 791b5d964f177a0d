"""How fast the batch route stores lines, against the same sittings sent one by one, and how much memory the server takes.

    python tests/bench/bench_batch.py [--lines 5000] [--only sqlite|postgresql]

A server of its own is started for each part. The batch goes up as it is made, and its answer is read at the end, whole; the
single sittings go over 64 connections. Only ratios of one run mean anything. The people and readings are invented.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import httpx

from api.serving import new_key
from bench.bench_import import MEGABYTE, peak_memory_bytes, sittings
from bench.bench_storage import databases
from quietcuff.demo.server import free_port, wait_until_ready

CONNECTIONS = 64


@contextmanager
def served(url: str, folder: Path, *options: str) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """A server on the database, and its process."""
    port = free_port()
    environment = {**os.environ, "QUIETCUFF_DATABASE_URL": url, "QUIETCUFF_LOG_LEVEL": "warning"}
    with (folder / "server.log").open("wb") as log:
        command = [sys.executable, "-m", "quietcuff", "serve", "--port", str(port), *options]
        process = subprocess.Popen(command, env=environment, stderr=log)
    wait_until_ready(process, port, folder / "server.log")
    try:
        yield f"http://127.0.0.1:{port}", process
    finally:
        process.terminate()
        process.wait()


def send_batch(address: str, key: str, lines: list[bytes]) -> float:
    """Seconds until the last line of the answer."""
    headers = {"Authorization": f"Bearer {key}", "Content-Type": "application/x-ndjson"}
    began = time.monotonic()
    with httpx.Client(trust_env=False, timeout=None) as client:  # noqa: S113 - it takes as long as it takes
        answer = client.post(f"{address}/v1/reading-sets/batch", content=iter(lines), headers=headers)
    seconds = time.monotonic() - began
    last = answer.text.splitlines()[-1]
    if f'"stored":{len(lines)}' not in last:
        raise SystemExit(last)
    return seconds


async def send_singly(address: str, key: str, lines: list[bytes]) -> float:
    """Seconds until the last answer."""
    headers = {"Authorization": f"Bearer {key}", "Content-Type": "application/json"}
    limits = httpx.Limits(max_connections=CONNECTIONS)
    todo = iter(lines)
    async with httpx.AsyncClient(base_url=address, headers=headers, trust_env=False, timeout=60, limits=limits) as client:

        async def send() -> None:
            for line in todo:
                answer = await client.post("/v1/reading-sets", content=line)
                answer.raise_for_status()

        began = time.monotonic()
        await asyncio.gather(*(send() for _ in range(CONNECTIONS)))
        return time.monotonic() - began


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--lines", type=int, default=5_000)
    parser.add_argument("--only", choices=["sqlite", "postgresql"])
    chosen = parser.parse_args()
    lines = list(sittings(chosen.lines))
    for kind in [chosen.only] if chosen.only else ["sqlite", "postgresql"]:
        rates = {}
        with databases(kind) as source:
            for way in ("batch", "singly"):
                url = source.new()
                key = new_key(url)
                with tempfile.TemporaryDirectory() as folder, served(url, Path(folder)) as (address, process):
                    before = peak_memory_bytes(process)
                    singly = way == "singly"
                    seconds = asyncio.run(send_singly(address, key, lines)) if singly else send_batch(address, key, lines)
                    rates[way] = len(lines) / seconds
                    grown = (peak_memory_bytes(process) - before) / MEGABYTE
                memory = f"peak memory grew by {grown:.1f} MB from {before / MEGABYTE:.1f} MB"
                print(f"{kind}, {way:6}: {rates[way]:6.0f} sittings/s, {memory}")
        print(f"{kind}: batch / singly {rates['batch'] / rates['singly']:.2f}")


if __name__ == "__main__":
    main()
