"""The demonstration: its morning, how it is told, and the whole of it against a real server."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
from datetime import datetime, timedelta, timezone
from io import StringIO
from pathlib import Path
from typing import Any

import httpx
import msgspec
import pytest
from rich.console import Console

from fhir_r4.profiles import faults_of
from paper_desk import PaperDesk
from quietcuff.core.model.errors import DemoFailed
from quietcuff.demo.gateway import ChangeAnswer
from quietcuff.demo.play import compare_end, play
from quietcuff.demo.run import play_morning, report
from quietcuff.demo.scenario import Morning, Taken, last_noon, load_morning
from quietcuff.demo.summary import VisitOutcome, show_summary
from quietcuff.rules.catalog import load_rulebook
from quietcuff.words.sure import degree_of

NOON = datetime(2026, 5, 4, 12, tzinfo=timezone(timedelta(hours=2)))
COMMAND = [sys.executable, "-m", "quietcuff", "demo"]


class Listening(PaperDesk):
    """Keeps every body that is sent."""

    def __init__(self) -> None:
        super().__init__(load_rulebook())
        self.bodies: list[dict[str, Any]] = []

    def open_set(self, reading_set: dict[str, Any], retry_key: str) -> ChangeAnswer:
        self.bodies.append(reading_set)
        return super().open_set(reading_set, retry_key)

    def append(self, last: ChangeAnswer, arrived: dict[str, Any], retry_key: str) -> ChangeAnswer:
        self.bodies.append(arrived)
        return super().append(last, arrived, retry_key)

    def correct(self, last: ChangeAnswer, correction: dict[str, Any], retry_key: str) -> ChangeAnswer:
        self.bodies.append(correction)
        return super().correct(last, correction, retry_key)


@pytest.fixture(scope="module")
def morning() -> Morning:
    return load_morning()


def told(width: int, desk: PaperDesk, morning: Morning) -> tuple[str, list[VisitOutcome], list[str]]:
    """The morning as it is printed to a file of that width."""
    console = Console(file=StringIO(), width=width, highlight=False)
    outcomes, mishaps = play_morning(console, desk, morning, NOON)
    show_summary(console, outcomes)
    assert isinstance(console.file, StringIO)
    return console.file.getvalue(), outcomes, mishaps


def test_every_answer_of_the_morning_is_as_it_must_be(morning: Morning) -> None:
    _, outcomes, mishaps = told(80, PaperDesk(load_rulebook()), morning)
    assert mishaps == []
    assert len(outcomes) == len(morning.visits)
    report(Console(file=StringIO()), mishaps)


def test_an_answer_that_differs_is_named_and_fails_the_demonstration(morning: Morning) -> None:
    bram = morning.visits[0]
    wrong = msgspec.structs.replace(
        bram,
        events=[msgspec.structs.replace(bram.events[0], next="close"), *bram.events[1:]],
        expect=msgspec.structs.replace(bram.expect, reported=(141, 88), findings=["severe-reading"]),
    )
    text, _, mishaps = told(80, PaperDesk(load_rulebook()), msgspec.structs.replace(morning, visits=[wrong]))
    assert mishaps == [
        "Bram Wickerly: next step: measure-other-arm, not close",
        "Bram Wickerly: at the end: result: [142,88], not [141,88]",
        "Bram Wickerly: at the end: finding severe-reading: false, not true",
    ]
    assert "NOT AS IT MUST BE: next step: measure-other-arm, not close" in text
    with pytest.raises(DemoFailed, match="Bram Wickerly: next step"):
        report(Console(file=StringIO()), mishaps)


def test_the_morning_shows_what_it_promises(morning: Morning) -> None:
    desk = PaperDesk(load_rulebook())
    ends = {}
    for number, visit in enumerate(morning.visits, 1):
        *_, last = play(desk, morning, number, NOON)
        ends[visit.who] = last.answer.envelope.evaluation
    reasons = {outcome.reason for evaluation in ends.values() for outcome in evaluation.readings}
    codes = {finding.code for evaluation in ends.values() for finding in evaluation.findings}
    provisional = {code for end in ends.values() for entry in end.categories for code in entry.provisional_because}
    assert {"other-arm", "first-discarded", "other-method", "wrong-cuff", "restricted-arm", "too-few"} <= reasons
    assert {"irregular-rhythm", "severe-confirmed", "interval-too-short", "other-arm-excluded"} <= codes
    assert "anxiety-or-stress" in provisional
    assert {evaluation.safety.level for evaluation in ends.values()} == {"none", "same-day"}


def test_no_name_is_sent(morning: Morning) -> None:
    desk = Listening()
    told(80, desk, morning)
    sent = json.dumps(desk.bodies)
    for visit in morning.visits:
        for name in visit.who.split():
            assert name not in sent


@pytest.mark.parametrize("hours", [-11, 0, 5.75, 14])
@pytest.mark.parametrize("hour", [0, 8, 11, 12, 23])
def test_nothing_of_the_morning_lies_in_the_future(morning: Morning, hour: int, hours: float) -> None:
    now = datetime(2026, 3, 1, hour, 59, 30, tzinfo=timezone(timedelta(hours=hours)))
    noon = last_noon(now)
    assert now - timedelta(days=1) < noon <= now
    times = [event.at for visit in morning.visits for event in visit.events if isinstance(event, Taken)]
    assert max(times) < noon.time()


@pytest.mark.parametrize("width", [80, 100, 120])
def test_what_is_told_fits_the_terminal_and_is_plain_in_a_file(morning: Morning, width: int) -> None:
    rulebook = load_rulebook()
    text, outcomes, _ = told(width, PaperDesk(rulebook), morning)
    reasons = rulebook.wording.reason
    assert "\x1b" not in text
    assert max(len(line) for line in text.splitlines()) <= width
    table = text[text.index("The morning in one table") :]
    for outcome in outcomes:
        assert outcome.visit.who in table
        for reading, verdict in zip(outcome.envelope.reading_set.readings, outcome.envelope.evaluation.readings, strict=True):
            said = "counts" if verdict.reason is None else reasons[verdict.reason].split()[0]
            line = rf"{reading.site.split('-')[0]} +{reading.systolic_mmhg}/{reading.diastolic_mmhg} +{said}"
            assert re.search(line, table), line
        for certainty in outcome.envelope.evaluation.certainty:
            assert degree_of(certainty).replace("-", " ") in " ".join(table.split())
        result = outcome.envelope.evaluation.result
        assert (f"{result.systolic_mmhg}/{result.diastolic_mmhg} mmHg" if result else "no result: too few readings") in table
        for category in outcome.envelope.evaluation.categories:
            assert category.label is None or category.label.split(",")[0] in table


def test_a_difference_at_the_end_is_told_by_name(morning: Morning) -> None:
    *_, last = play(PaperDesk(load_rulebook()), morning, 8, NOON)
    expected = msgspec.structs.replace(morning.visits[7].expect, state="complete", safety="urgent", reasons=["counts"])
    assert compare_end(expected, last.answer.envelope.evaluation) == [
        "state: not-usable, not complete",
        "safety: none, not urgent",
        'readings: ["too-few"], not ["counts"]',
    ]


def run_to_its_end(*arguments: str, folder: Path, columns: int = 80) -> subprocess.CompletedProcess[str]:
    """The command as someone at a terminal starts it, its own temporary files under ``folder``."""
    environment = {**os.environ, "TMPDIR": str(folder), "COLUMNS": str(columns)}
    return subprocess.run([*COMMAND, *arguments], capture_output=True, text=True, env=environment, timeout=120, check=False)


def test_it_ends_by_itself_and_leaves_nothing_behind(tmp_path: Path) -> None:
    bundle_file = tmp_path / "bundle.json"
    work = tmp_path / "work"
    work.mkdir()
    done = run_to_its_end("--bundle", str(bundle_file), folder=work)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Everything was answered as it must be." in done.stdout
    assert "\x1b" not in done.stdout
    assert list(work.iterdir()) == []
    bundle = json.loads(bundle_file.read_bytes())
    assert bundle["resourceType"] == "Bundle"
    assert f"{len(bundle['entry'])} entries" in done.stdout
    # The table comes last, and no JSON is shown.
    assert '"resourceType"' not in done.stdout and "valueQuantity" not in done.stdout
    table, cautions = (done.stdout.index(heading) for heading in ("The morning in one table", "Cautions, as they came"))
    assert cautions < table


def test_it_fails_where_its_server_cannot_start(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        done = run_to_its_end("--port", str(taken.getsockname()[1]), folder=tmp_path)
    assert done.returncode == 1
    assert "The server ended on port" in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_keep_leaves_the_server_up_until_it_is_stopped(tmp_path: Path) -> None:
    environment = {**os.environ, "TMPDIR": str(tmp_path), "PYTHONUNBUFFERED": "1"}
    with subprocess.Popen([*COMMAND, "--keep"], stdout=subprocess.PIPE, text=True, env=environment) as demo:
        assert demo.stdout is not None
        shown = {}
        for line in demo.stdout:
            label, _, value = line.strip().partition(" ")
            shown[label] = value.strip()
            if label == "Guided":
                break
        headers = {"Authorization": f"Bearer {shown['Key']}"}
        with httpx.Client(base_url=shown["URL"], headers=headers) as client:
            stored = client.get("/v1/reading-sets?limit=200").json()["items"]
            bundles = [client.get(f"/v1/reading-sets/{item['id']}/fhir").json() for item in stored]
        assert len(bundles) == 10
        assert [fault for bundle in bundles for fault in faults_of(bundle)] == []
        assert httpx.get(shown["Docs"]).status_code == 200
        # The guided sitting, with a key that opens a sitting of an invented person and sees nothing but sittings.
        page = next(word for word in shown["Guided"].split() if word.startswith("http"))
        assert "Quietcuff" in httpx.get(page).text and 'href="bedside/"' in httpx.get(shown["URL"]).text
        own = httpx.get(f"{page}key", headers={"Sec-Fetch-Site": "same-origin"}).json()["key"]
        with httpx.Client(base_url=shown["URL"], headers={"Authorization": f"Bearer {own}"}) as sitting:
            assert own != shown["Key"] and sitting.post("/v1/devices", json={}).status_code == 403
            assert sitting.get("/v1/words?lang=de").json()["words"]["bedside"]
        demo.send_signal(signal.SIGTERM)
        demo.wait(30)
    assert list(tmp_path.iterdir()) == []
    port = int(shown["URL"].rpartition(":")[2])
    deadline = time.monotonic() + 5
    with socket.socket() as probe:
        while probe.connect_ex(("127.0.0.1", port)) == 0 and time.monotonic() < deadline:
            time.sleep(0.1)
        assert probe.connect_ex(("127.0.0.1", port)) != 0
