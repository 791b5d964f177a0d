"""Figures of the running service for Prometheus. No label names a person, a sitting, a tenant or a key.

One process counts in its memory. Several workers count in files of a folder, which the library reads together; the command
``serve`` names that folder before anything of the library is loaded.
"""

from __future__ import annotations

import asyncio
import os
import re
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Literal

from prometheus_client import (
    CollectorRegistry,
    Counter,
    Gauge,
    Histogram,
    Metric,
    ProcessCollector,
    generate_latest,
    start_http_server,
)
from prometheus_client.multiprocess import MultiProcessCollector, mark_process_dead

from quietcuff import __version__
from quietcuff.api.service import Service
from quietcuff.application.waiting_work import waiting_work
from quietcuff.core.model.errors import QuietcuffError
from quietcuff.settings import FIGURES_FOLDER, THIS_MACHINE
from quietcuff.storage.engine.migrate import NEWEST_REVISION, require_newest_schema
from quietcuff.storage.engine.store import NO_TENANT, Store

SECONDS_BETWEEN_LOOKS = 15
# A look at very many tenants takes long; it must stay a small part of what the database does.
MOST_OF_THE_TIME = 0.05
METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})
REFUSED = (429, 503)
GROUP_SIZES = (1, 2, 4, 8, 16, 32, 64)
SECONDS = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10)


Mode = Literal["livemostrecent", "livesum", "livemin", "liveall"]


class Figures:
    """The counters and gauges of one application, in a registry of their own."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self._process = ProcessCollector(registry=None if is_shared() else self.registry)
        self._of_process: dict[str, Gauge] = {}
        self._requests: dict[tuple[str, str, int], Histogram] = {}
        self._request_seconds = self._histogram(
            "quietcuff_request_seconds", "Requests by their time.", SECONDS, "route", "method", "status"
        )
        self._refused = self._counter("quietcuff_requests_refused", "Requests refused with 429 or 503.", "status")
        self._writes_refused = self._counter("quietcuff_write_queue_refused", "Work refused because too much waited.")
        self._write_waiting = self._gauge("quietcuff_write_queue_waiting", "Work that waits for its commit.", mode="livesum")
        self._group_jobs = self._histogram("quietcuff_write_group_jobs", "Work that shared a commit.", GROUP_SIZES)
        self._group_seconds = self._histogram(
            "quietcuff_write_group_seconds", "Time of a group: its work and its commit.", SECONDS
        )
        self._decided = self._counter(
            "quietcuff_sittings_decided_ahead", "Sittings that workers evaluated before their writing."
        )
        self._lost = self._counter("quietcuff_deciders_lost", "Times that workers ended by themselves; they are started again.")
        self._waiting = self._gauge("quietcuff_deliveries_waiting", "Deliveries that wait.")
        self._retried = self._gauge("quietcuff_deliveries_failing", "Deliveries that wait and have failed before.")
        self._given_up = self._gauge("quietcuff_deliveries_given_up", "Deliveries that were given up.")
        self._oldest = self._gauge("quietcuff_deliveries_oldest_seconds", "Age of the delivery that waits longest.")
        self._jobs = self._gauge("quietcuff_jobs_open", "Jobs that wait or run.", "kind")
        self._reachable = self._gauge("quietcuff_database_reachable", "1 if the last look reached it.", mode="livemin")
        self._schema = self._gauge(
            "quietcuff_database_schema_current", "1 if the schema is the one needed, which the label names.", "needed"
        )
        self._looked_at = self._gauge("quietcuff_database_looked_at_seconds", "Time of the last look, since 1970.")
        self._build = self._gauge("quietcuff_build_info", "Version of the program and digest of its rules.", "version", "rules")

    def count_request(self, route: str, method: str, status: int, seconds: float) -> None:
        """Count an answered request."""
        key = route, method, status // 100
        known = self._requests.get(key)
        if known is None:
            # A client may send any word as its method, and each would be a row for ever.
            labels = route, method if method in METHODS else "other", f"{status // 100}xx" if status else "none"
            known = self._requests[key] = self._request_seconds.labels(*labels)
        known.observe(seconds)
        if status in REFUSED:
            self._refused.labels(str(status)).inc()

    def count_group(self, jobs: int, seconds: float) -> None:
        """Count a group of work that was written together."""
        self._group_jobs.observe(jobs)
        self._group_seconds.observe(seconds)

    def count_refused(self) -> None:
        """Count work that the store refused."""
        self._writes_refused.inc()

    def count_decided(self, sittings: int) -> None:
        """Count sittings that a worker evaluated."""
        self._decided.inc(sittings)

    def count_lost(self) -> None:
        """Count a loss of workers."""
        self._lost.inc()

    def name_rules(self, digest: str) -> None:
        """Tell the version of the program and the digest of its rules."""
        self._build.labels(__version__, digest).set(1)

    def note_queue(self, store: Store) -> None:
        """Note how much waits to be written by this process."""
        self._write_waiting.set(store.waiting)

    async def look(self, service: Service) -> None:
        """Look at the database: whether it is reached, its schema, and what waits in it."""
        desk = service.desk
        self.note_queue(desk.store)
        self._copy_process()
        try:
            # Whatever is wrong is a figure here; the log tells of it where a request or the upkeep meets it.
            found = await waiting_work(desk)
            self._schema.labels(NEWEST_REVISION).set(await has_newest_schema(desk.store))
        except Exception:
            self._reachable.set(0)
            return
        self._reachable.set(1)
        self._looked_at.set(time.time())
        self._waiting.set(found.deliveries)
        self._retried.set(found.failing)
        self._given_up.set(found.given_up)
        self._oldest.set(found.oldest_seconds)
        self._jobs.labels("export").set(found.exports)
        self._jobs.labels("what-if").set(found.what_ifs)

    async def keep_looking(self, service: Service) -> None:
        """Look again and again."""
        while True:
            began = time.monotonic()
            await self.look(service)
            await asyncio.sleep(max(SECONDS_BETWEEN_LOOKS, (time.monotonic() - began) / MOST_OF_THE_TIME))

    def text(self, store: Store) -> bytes:
        """Everything in Prometheus's text format."""
        self.note_queue(store)
        return generate_latest(together() if is_shared() else self.registry)

    def _copy_process(self) -> None:
        """Processes that count together tell of each process by its number, which the library leaves out."""
        for metric in self._process.collect() if is_shared() else ():
            for sample in metric.samples:
                gauge = self._of_process.get(sample.name)
                if gauge is None:
                    gauge = self._of_process[sample.name] = self._gauge(sample.name, metric.documentation, mode="liveall")
                gauge.set(sample.value)

    def _counter(self, name: str, about: str, *labels: str) -> Counter:
        return Counter(name, about, labels, registry=self.registry)

    def _gauge(self, name: str, about: str, *labels: str, mode: Mode = "livemostrecent") -> Gauge:
        return Gauge(name, about, labels, registry=self.registry, multiprocess_mode=mode)

    def _histogram(self, name: str, about: str, buckets: Iterable[float], *labels: str) -> Histogram:
        return Histogram(name, about, labels, registry=self.registry, buckets=tuple(buckets))


class LivingProcesses(MultiProcessCollector):
    """The figures of all processes. What gauges of processes said that are gone is forgotten first."""

    def collect(self) -> Iterable[Metric]:
        """Every figure, each added up as its kind wants it."""
        folder = Path(os.environ[FIGURES_FOLDER])
        for process_id in {
            int(number) for path in folder.glob("gauge_live*.db") for number in re.findall(r"_(\d+)$", path.stem)
        }:
            if not is_alive(process_id):
                mark_process_dead(process_id, str(folder))  # type: ignore[no-untyped-call]
        return super().collect()  # type: ignore[no-untyped-call, no-any-return]


def is_shared() -> bool:
    """True where several processes count together."""
    return FIGURES_FOLDER in os.environ


def is_alive(process_id: int) -> bool:
    """True where a process of this number runs."""
    try:
        os.kill(process_id, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def together() -> CollectorRegistry:
    """A registry of what all processes counted."""
    registry = CollectorRegistry()
    LivingProcesses(registry)  # type: ignore[no-untyped-call]
    return registry


@contextmanager
def told_on(port: int, registry: CollectorRegistry) -> Iterator[None]:
    """Answer ``/metrics`` without a key on a port of this machine alone, from a thread of its own; on none if it is 0."""
    if not port:
        yield
        return
    server, thread = start_http_server(port, THIS_MACHINE, registry)
    try:
        yield
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


async def has_newest_schema(store: Store) -> bool:
    """True where the schema is the one that this program needs."""
    try:
        await store.read(NO_TENANT, require_newest_schema)
    except QuietcuffError:
        return False
    return True
