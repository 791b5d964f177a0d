"""What DEVELOPERS.md says of files: the walk of one reading against a run of it, and what a new protocol touches."""

from __future__ import annotations

import re
import threading
from collections.abc import Callable
from pathlib import Path

import httpx

from api.serving import new_key, serving
from bench.bench_evaluate import make_bodies
from bench.trace_sitting import Trace

TOP = Path(__file__).parents[1]
DEVELOPERS = TOP / "DEVELOPERS.md"
Step = tuple[str, str]


def walked() -> list[list[Step]]:
    """The steps of the page: those of the POST, then those of the GET."""
    section = DEVELOPERS.read_text("utf-8").split("## One reading from the wire to the Observation\n")[1].split("\n## ")[0]
    came_in, went_out = section.split("The Observation goes out")
    return [re.findall(r"^\d+\. `(\S+\.py)` `([\w.]+)`: ", part, re.M) for part in (came_in, went_out)]


def calls_of(trace: Trace, request: Callable[[], httpx.Response]) -> tuple[list[Step], httpx.Response]:
    """The functions that are called during a request, in order; what the server does beside it is among them."""
    trace.steps.clear()
    trace.is_on = True
    answer = request()
    trace.is_on = False
    answer.raise_for_status()
    return list(trace.steps), answer


def first_missed(steps: list[Step], called: list[Step]) -> Step | None:
    """The first step that does not come after the one before it, if any does not."""
    rest = iter(called)
    return next((step for step in steps if step not in rest), None)


def test_the_walk_of_a_reading_is_the_one_that_it_takes(sqlite_url: str) -> None:
    trace, (body,) = Trace(), make_bodies(1)
    headers = {"Content-Type": "application/json"}
    threading.setprofile(trace.see)
    try:
        with serving(sqlite_url) as server, server.client_of(new_key(sqlite_url)) as client:
            posted, answer = calls_of(trace, lambda: client.post("/v1/reading-sets", content=body, headers=headers))
            reading = f"/fhir/R4/Observation/{answer.json()['id']}-r1"
            read, _ = calls_of(trace, lambda: client.get(reading))
    finally:
        threading.setprofile(None)  # type: ignore[arg-type]
    for steps, called in zip(walked(), (posted, read), strict=True):
        assert len(steps) > 7
        assert [step for step in steps if step not in called] == []
        assert first_missed(steps, called) is None


def test_the_files_that_a_new_protocol_touches_are_there() -> None:
    section = DEVELOPERS.read_text("utf-8").split("### Add a protocol\n")[1].split("\n### ")[0]
    files = re.findall(r"`([\w./*-]+/[\w*-]+\.\w+)`", section.replace("/ID.toml", "/*.toml"))
    assert len(files) > 14
    assert [name for name in files if not any([*TOP.glob(name), *TOP.glob(f"service/quietcuff/{name}")])] == []
