"""The cost of counting for Prometheus: one request through the whole application, counted and not, in turns of one run.

``PROMETHEUS_MULTIPROC_DIR`` names an empty folder to count as several workers do.
"""

from __future__ import annotations

import asyncio
import statistics
import tempfile
import time
from pathlib import Path
from typing import Any

import httpx

from api.serving import new_key
from bodies import OPENED_SET
from quietcuff.api.app import create_app
from quietcuff.api.metrics import Figures
from quietcuff.settings import Settings
from quietcuff.storage.engine.migrate import upgrade

TURNS, EACH = 60, 40


class Uncounted(Figures):
    """Figures that count no request."""

    def count_request(self, route: str, method: str, status: int, seconds: float) -> None:
        """Do nothing."""


async def measure() -> None:
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{Path(folder) / 'bench.db'}"
        upgrade(url)
        key = await asyncio.to_thread(new_key, url)
        shell: Any = create_app(Settings(database_url=url, deliver="off", log_level="error"))
        counted, uncounted = shell.figures, Uncounted.__new__(Uncounted)
        transport = httpx.ASGITransport(app=shell)
        async with (
            shell.app.lifespan(),
            httpx.AsyncClient(
                transport=transport, base_url="http://test", headers={"Authorization": f"Bearer {key}"}
            ) as client,
        ):
            for name, ask in {
                "GET /health/live": lambda: client.get("/health/live"),
                "POST /v1/evaluations": lambda: client.post("/v1/evaluations", json=OPENED_SET),
            }.items():
                took: dict[bool, list[float]] = {True: [], False: []}
                for turn in range(TURNS):
                    is_counted = turn % 2 == 0
                    shell.figures = counted if is_counted else uncounted
                    began = time.process_time()
                    for _ in range(EACH):
                        assert (await ask()).status_code == 200
                    took[is_counted].append((time.process_time() - began) / EACH * 1e6)
                with_it, without = statistics.median(took[True]), statistics.median(took[False])
                print(f"{name:22} {with_it:8.1f} µs counted, {without:8.1f} µs not: ratio {with_it / without:.3f}")
        began = time.process_time()
        for _ in range(100_000):
            counted.count_request("/v1/evaluations", "POST", 200, 0.004)
        print(f"count_request alone    {(time.process_time() - began) * 10:8.2f} µs")


if __name__ == "__main__":
    asyncio.run(measure())
