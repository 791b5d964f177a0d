"""Worker processes that are there at once: a program that has everything imported, and makes a worker of itself on request.

``python nursery.py DATABASE_URL LEASE_SECONDS`` reads a line for each worker that is wanted and answers its process id.
"""

from __future__ import annotations

import asyncio
import os
import signal
import ssl
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

from quietcuff.application.context import Tenants
from quietcuff.delivery.http_sender import HttpSender
from quietcuff.delivery.worker import DeliveryWorker, Work
from quietcuff.security.allowed_addresses import read_allowances
from quietcuff.storage.engine.store import open_store

PUBLIC_URL = "https://bp.example.org"
TRUST = ssl.create_default_context()


def clock() -> datetime:
    return datetime.now(UTC)


def complain(error: BaseException, request_id: str) -> None:
    sys.stderr.write(f"{error!r}\n")


async def work(database_url: str, lease_seconds: float, *, once: bool = False) -> None:
    store = open_store(database_url)
    sender = HttpSender(read_allowances(["127.0.0.0/8"]), clock, seconds=10, context=TRUST)
    parts = {"store": store, "tenants": Tenants(store, clock), "sender": sender, "clock": clock, "log": complain}
    worker = DeliveryWorker(Work(**parts, public_url=PUBLIC_URL, lease=timedelta(seconds=lease_seconds)))  # type: ignore[arg-type]
    if once:
        await worker.work_off()
        await store.close()
    else:
        await worker.run(seconds_between=0.05)


def main(database_url: str, lease_seconds: float) -> None:
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    # What is loaded and prepared here need not be in every worker.
    asyncio.run(work(database_url, lease_seconds, once=True))
    for _ in sys.stdin:
        child = os.fork()
        if child == 0:
            signal.signal(signal.SIGCHLD, signal.SIG_DFL)
            asyncio.run(work(database_url, lease_seconds))
            os._exit(0)
        sys.stdout.write(f"{child}\n")
        sys.stdout.flush()


class Nursery:
    """Makes workers, and kills them as SIGKILL does: at whatever they are."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process
        self.alive: list[int] = []

    def make(self) -> int:
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.write("\n")
        self._process.stdin.flush()
        self.alive.append(int(self._process.stdout.readline()))
        return self.alive[-1]

    def kill(self, worker: int) -> None:
        os.kill(worker, signal.SIGKILL)
        self.alive.remove(worker)


@contextmanager
def nursery(database_url: str, lease_seconds: float) -> Iterator[Nursery]:
    """A nursery, for the length of the block; no worker outlives it."""
    command = [sys.executable, __file__, database_url, str(lease_seconds)]
    # In a home of its own: nothing of the tests is imported by a worker.
    with subprocess.Popen(command, cwd=Path(__file__).parent, stdin=-1, stdout=-1, text=True) as process:
        made = Nursery(process)
        try:
            yield made
        finally:
            for worker in list(made.alive):
                made.kill(worker)
            process.communicate()


if __name__ == "__main__":
    main(sys.argv[1], float(sys.argv[2]))
