"""Figures for Prometheus, read with Prometheus's own parser."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families

from api.serving import Server, problem, serving
from api.test_reading_sets import named
from bodies import OPENED_SET
from databases import SqliteFiles
from quietcuff.api.metrics import Figures
from quietcuff.core.model.errors import Busy
from quietcuff.security.scopes import METRICS
from quietcuff.storage.engine.migrate import NEWEST_REVISION
from quietcuff.storage.engine.store import MOST_WAITING, NO_TENANT, Store

Samples = dict[tuple[str, tuple[tuple[str, str], ...]], float]
LABELS = {"route", "method", "status", "le", "kind", "needed", "version", "rules", "pid"}


def samples_of(text: str) -> Samples:
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def value(samples: Samples, name: str, **labels: str) -> float:
    return samples[name, tuple(sorted(labels.items()))]


def free_port() -> int:
    import socket

    with socket.socket() as asked:
        asked.bind(("127.0.0.1", 0))
        return int(asked.getsockname()[1])


@pytest.fixture(scope="module")
def metered(sqlite_files: SqliteFiles) -> Iterator[tuple[Server, int]]:
    """A server with a port for its figures, which no other test asks."""
    port = free_port()
    with serving(sqlite_files.new(), metrics_port=port) as running:
        yield running, port


def test_figures_count_what_was_asked_and_name_nobody(metered: tuple[Server, int]) -> None:
    server, port = metered
    body = named(OPENED_SET)
    with server.client(tenant="a clinic of its own") as client, server.client(scopes=METRICS) as reader:
        stored = client.post("/v1/reading-sets", json=body).json()
        for _ in range(3):
            client.get(f"/v1/reading-sets/{stored['id']}")
        client.request("PROPFIND", "/v1/reading-sets/Wilhelmina")
        client.get("/v1/nowhere/Wilhelmina")
        answer = reader.get("/metrics")
        assert answer.headers["Content-Type"] == "text/plain; version=0.0.4; charset=utf-8"
        # The port tells the same: but for times, and for the request that has just been counted.
        by_port = httpx.get(f"http://127.0.0.1:{port}/metrics", trust_env=False)
        key = client.headers["Authorization"]
    samples = samples_of(answer.text)
    route = "/v1/reading-sets/{set_id}"
    assert value(samples, "quietcuff_request_seconds_count", route=route, method="GET", status="2xx") == 3
    assert value(samples, "quietcuff_request_seconds_count", route="/v1/reading-sets", method="POST", status="2xx") == 1
    assert value(samples, "quietcuff_request_seconds_count", route="unmatched", method="GET", status="4xx") == 1
    assert value(samples, "quietcuff_request_seconds_bucket", route=route, method="GET", status="2xx", le="+Inf") == 3
    assert value(samples, "quietcuff_write_group_jobs_sum") >= 1 and value(samples, "quietcuff_write_group_seconds_sum") > 0
    assert value(samples, "quietcuff_database_reachable") == 1
    assert value(samples, "quietcuff_database_schema_current", needed=NEWEST_REVISION) == 1
    assert value(samples, "quietcuff_deliveries_waiting") == 0 and value(samples, "quietcuff_jobs_open", kind="export") == 0
    assert value(samples, "process_resident_memory_bytes") > 1e6
    assert {label for _, labels in samples for label, _ in labels} <= LABELS
    assert {labels for _, labels in samples_of(by_port.text)} >= {labels for _, labels in samples}
    told = answer.text + by_port.text
    secrets = (stored["id"], stored["subject_id"], body["subject"]["identifier"]["value"], "Wilhelmina", "PROPFIND", key[7:])
    assert not any(secret in told for secret in (*secrets, "a clinic of its own"))


def test_no_star_opens_the_figures_and_their_scope_opens_nothing_else(metered: tuple[Server, int]) -> None:
    server, _ = metered
    with server.client_of(None) as stranger, server.client() as clinic, server.client(scopes=METRICS) as reader:
        problem(stranger.get("/metrics"), 401, "not-authenticated")
        assert METRICS in problem(clinic.get("/metrics"), 403, "not-allowed")["detail"]
        problem(reader.get("/v1/reading-sets"), 403, "not-allowed")


async def test_refused_work_is_counted_and_what_waits_is_told(store: Store) -> None:
    figures = store.watch = Figures()
    store._waiting.extend([None] * MOST_WAITING)  # type: ignore[list-item]
    with pytest.raises(Busy):
        await store.write(NO_TENANT, lambda transaction: None)
    samples = samples_of(figures.text(store).decode())
    store._waiting.clear()
    assert value(samples, "quietcuff_write_queue_refused_total") == 1
    assert value(samples, "quietcuff_write_queue_waiting") == MOST_WAITING


COUNTING = """
import os, sys
from quietcuff.api.metrics import Figures, together
from prometheus_client import generate_latest
figures = Figures()
for _ in range(int(sys.argv[1])):
    figures.count_request("/metrics", "GET", 200, 0.01)
figures._write_waiting.set(5)
sys.stdout.write(generate_latest(together()).decode())
"""


def test_workers_count_together_and_what_waited_in_one_that_is_gone_is_forgotten(tmp_path: Path) -> None:
    environment = {**os.environ, "PROMETHEUS_MULTIPROC_DIR": str(tmp_path)}
    told = [
        subprocess.run(
            [sys.executable, "-c", COUNTING, str(count)], env=environment, capture_output=True, text=True, check=True
        ).stdout
        for count in (3, 4)
    ]
    samples = samples_of(told[1])
    assert value(samples, "quietcuff_request_seconds_count", route="/metrics", method="GET", status="2xx") == 7
    assert value(samples, "quietcuff_write_queue_waiting") == 5
