"""Gateways that write while something is killed under them, and repeat with its key whatever was not answered."""

from __future__ import annotations

import asyncio
import multiprocessing
import os
import socket
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout, suppress
from functools import partial
from typing import Any
from uuid import uuid4

import httpx

from bodies import OPENED_SET
from quietcuff.application import deciders
from quietcuff.cli import main
from quietcuff.storage.engine.store import NO_TENANT, open_store
from quietcuff.storage.rows.tenants import all_tenant_ids
from quietcuff.storage.rows.verify import SLICES, look_through
from quietcuff.storage.trail.checking import TrailCheck, rows_after
from quietcuff.storage.trail.seals import all_seals

WRITERS = 4


class Gateways:
    """Some threads that store sittings of people of their own, until they are told to stop."""

    def __init__(self, url: str, key: str) -> None:
        self.url, self.key = url, key
        self.stored: dict[str, str] = {}
        self.statuses: Counter[int] = Counter()
        self.unfit: list[str] = []
        self.lost_connections = 0
        self._stopping = threading.Event()
        self._threads = [threading.Thread(target=self._write, args=(number,)) for number in range(WRITERS)]

    def __enter__(self) -> Gateways:
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        """Each finishes the sitting that it is at."""
        self._stopping.set()
        for thread in self._threads:
            thread.join()

    def client(self) -> httpx.Client:
        return httpx.Client(base_url=self.url, headers={"Authorization": f"Bearer {self.key}"}, timeout=30, trust_env=False)

    def _write(self, number: int) -> None:
        with self.client() as client:
            count = 0
            while not self._stopping.is_set():
                count += 1
                self._store(client, f"{number}-{count}")

    def _store(self, client: httpx.Client, name: str) -> None:
        """Send a sitting until it is answered. Its key alone makes it one: it has no identifier of its own."""
        person = {**OPENED_SET["subject"], "identifier": {"system": "urn:example:mrn", "value": f"{name}-{uuid4()}"}}
        body, headers = {**OPENED_SET, "identifier": None, "subject": person}, {"Idempotency-Key": name}
        patience = time.monotonic() + 30
        while time.monotonic() < patience:
            try:
                answer = client.post("/v1/reading-sets", json=body, headers=headers)
            except httpx.TransportError:
                self.lost_connections += 1
                time.sleep(0.02)
                continue
            self.statuses[answer.status_code] += 1
            if answer.status_code == 201:
                self.stored[name] = answer.json()["id"]
                return
            if answer.status_code != 503 or int(answer.headers.get("Retry-After", "0")) < 1:
                self.unfit.append(f"{answer.status_code} {answer.text[:300]}")
                return
            time.sleep(0.02)
        self.unfit.append(f"{name} was never answered")

    def writes(self, more: int) -> None:
        """Wait until so many more are stored."""
        wanted, patience = len(self.stored) + more, time.monotonic() + 30
        while len(self.stored) < wanted:
            assert time.monotonic() < patience and not self.unfit, self.unfit
            time.sleep(0.005)

    def check(self, client: httpx.Client) -> None:
        """Each that was answered is there, once, and nothing else is; nobody was told of a failure."""
        assert not self.unfit and self.statuses.keys() <= {201, 503}, (self.unfit, self.statuses)
        listed, path = [], "/v1/reading-sets?limit=100"
        while path:
            page = client.get(path).json()
            listed += [item["id"] for item in page["items"]]
            path = "" if page["next"] is None else page["next"][page["next"].index("/v1/") :]
        assert len(self.stored) > 10 and sorted(listed) == sorted(self.stored.values())
        for name, set_id in list(self.stored.items())[::7]:
            assert client.get(f"/v1/reading-sets/{set_id}").status_code == 200, name


def flaws_of(database_url: str) -> list[str]:
    """Whatever is not whole in the trail or among the sets. Seals are made first, as ``quietcuff trail seal`` does."""

    async def look() -> list[str]:
        store = open_store(database_url)
        found: list[str] = []
        tenant_ids = await store.read(NO_TENANT, all_tenant_ids)
        await store.seal(tenant_ids)
        for one in tenant_ids:
            check = TrailCheck(one, (), await store.read(one, partial(all_seals, tenant_id=one)), [])
            after = (-1, 0)
            while page := await store.read(one, partial(rows_after, tenant_id=one, after=after)):
                check.see(page)
                after = page[-1].lane, page[-1].position
            checked = check.end()
            assert checked.rows > 10 and checked.newest_seal_at is not None
            found += [flaw.as_line(str(one)) for flaw in checked.flaws]
            for number in range(SLICES):
                _, flaws = await store.read(one, partial(look_through, tenant_id=one, number=number))
                found += [f"{flaw.set_id}: {flaw.what}" for flaw in flaws]
        await store.close()
        return found

    return asyncio.run(look())


def free_port() -> int:
    with socket.socket() as trying:
        trying.bind(("127.0.0.1", 0))
        port: int = trying.getsockname()[1]
    return port


def serve_at(database_url: str, port: int) -> None:
    """``quietcuff serve``, for a process of its own, with a worker that evaluates from the first requests on."""
    deciders.WORTH_STARTING = 1
    for name in [name for name in os.environ if name.startswith("QUIETCUFF_")]:
        del os.environ[name]
    os.environ |= {"QUIETCUFF_DATABASE_URL": database_url, "QUIETCUFF_DELIVER": "off"}
    with open(os.devnull, "w") as nowhere, redirect_stderr(nowhere), redirect_stdout(nowhere):
        sys.exit(main(["serve", "--port", str(port), "--deciders", "1"]))


class ServerProcess:
    """The service as a process of its own, which can be killed and started again; made by one that has everything imported."""

    def __init__(self, database_url: str) -> None:
        self._database_url, self._port = database_url, free_port()
        self.url = f"http://127.0.0.1:{self._port}"
        self._maker = multiprocessing.get_context("forkserver")
        self._maker.set_forkserver_preload(["httpx", "uvicorn", "quietcuff.api.app", "quietcuff.cli.serve"])
        self._process: Any = None

    def start(self) -> None:
        """Start it, and wait until it says that it is ready."""
        self._process = self._maker.Process(target=serve_at, args=(self._database_url, self._port))
        self._process.start()
        patience = time.monotonic() + 30
        while time.monotonic() < patience:
            assert self._process.is_alive(), "the server ended"
            with suppress(httpx.TransportError):
                if httpx.get(f"{self.url}/health/ready", trust_env=False).status_code == 200:
                    return
            time.sleep(0.05)
        raise AssertionError("the server is not ready")

    def kill(self) -> None:
        """End it by SIGKILL."""
        self._process.kill()
        self._process.join()


@contextmanager
def server_process(database_url: str) -> Iterator[ServerProcess]:
    process = ServerProcess(database_url)
    process.start()
    try:
        yield process
    finally:
        process.kill()
