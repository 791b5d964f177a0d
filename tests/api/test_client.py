"""The client against a running server: safety first, nothing twice whatever is lost, refusals with their faults."""

from __future__ import annotations

import re
import runpy
import subprocess
import sys
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from uuid import uuid4

import httpx
import msgspec
import pytest

from api.between import Between, BetweenAsync, Fault, busy
from api.relay import relaying
from api.serving import Server, new_key
from quietcuff.client import (
    Append,
    AsyncClient,
    Client,
    Context,
    Correction,
    GattBody,
    GattValue,
    Identifier,
    Patience,
    Reading,
    ReadingSet,
    Subject,
    ToldSitting,
    synchronous,
)
from quietcuff.core.model.changes import AmendReading, ContextChange, ReadingChange
from quietcuff.core.model.errors import (
    Busy,
    Conflict,
    NotAcceptable,
    NotAllowed,
    NotAuthenticated,
    NotFound,
    ServiceFailed,
    VersionStale,
)

AT = datetime.fromisoformat("2026-05-04T09:00:00+02:00")
QUICK = Patience(first_wait_seconds=0)
VALUE = "1e8e005b006c00ea07030e0705094d00020000"


def reading(minutes: int, systolic: float, diastolic: float) -> Reading:
    return Reading(
        taken_at=AT + timedelta(minutes=minutes),
        systolic_mmhg=systolic,
        diastolic_mmhg=diastolic,
        site="left-upper-arm",
        position="sitting",
    )


def sitting(*readings: Reading, closed: bool = False) -> ReadingSet:
    subject = Subject(identifier=Identifier(system="urn:example:person", value=f"p-{uuid4()}"))
    return ReadingSet(subject=subject, visit="follow-up", closed=closed, readings=list(readings), context=Context(talking="no"))


def count_of(server: Server, key: str, subject_id: str) -> int:
    with server.client_of(key) as plain:
        return len(plain.get("/v1/reading-sets", params={"subject_id": subject_id}).json()["items"])


@pytest.fixture
def key(server: Server) -> str:
    return new_key(server.database_url)


@pytest.fixture
def gateway(server: Server, key: str) -> Iterator[Client]:
    with Client(server.url, key, patience=QUICK) as made:
        yield made


def behind(server: Server, key: str, *faults: Fault) -> tuple[Client, Between]:
    between = Between(*faults)
    return Client(server.url, key, patience=QUICK, http=httpx.Client(transport=between)), between


def test_a_sitting_from_its_first_reading_to_its_end(gateway: Client) -> None:
    safety, step, opened = gateway.open(sitting(reading(0, 156, 92)))
    assert (safety.level, step.action, opened.etag, opened.envelope.closed) == ("none", "take-reading", '"1"', False)
    more = Append(readings=[reading(2, 139, 84), reading(4, 136, 83)], context=ContextChange(back_supported="yes"))
    _, step, appended = gateway.append(opened, more)
    assert (appended.etag, step.action) == ('"2"', "close")
    _, _, closed = gateway.close(appended)
    # The mean of the second and third reading, as the README has it.
    result = closed.evaluation.result
    assert closed.envelope.closed and result is not None and (result.systolic_mmhg, result.diastolic_mmhg) == (138, 84)
    change = AmendReading(index=2, set=ReadingChange(systolic_mmhg=130))
    _, _, corrected = gateway.correct(closed, Correction(reason="typing error", changes=[change]))
    assert corrected.envelope.reading_set.readings[2].systolic_mmhg == 130
    assert gateway.read(closed.id).sitting.etag == corrected.etag
    assert gateway.summary(corrected.envelope.subject_id).subject_id == corrected.envelope.subject_id
    assert gateway.void(corrected, "another person's").sitting.envelope.status == "voided"


def test_what_must_not_wait_comes_first_and_is_told_before_the_answer(server: Server, key: str) -> None:
    heard: list[ToldSitting] = []
    with Client(server.url, key, on_concern=heard.append) as client:
        told = client.open(sitting(reading(0, 190, 124)))
        assert told[0] is told.safety and told.safety.level == "confirm" and told.safety.readings == [0]
        assert told.next_step.action == "confirm-now"
        client.open(sitting(reading(0, 120, 78)))
    assert [each.sitting.id for each in heard] == [told.sitting.id]


@pytest.mark.parametrize(
    "faults",
    [("drop", "drop"), ("lose",), (busy(), "lose", busy(), "drop"), (httpx.Response(502, text="<p>gone</p>"),)],
    ids=["dropped", "lost after commit", "busy, lost, busy, dropped", "something between"],
)
def test_whatever_is_lost_on_the_way_a_sitting_is_stored_once(server: Server, key: str, faults: tuple[Fault, ...]) -> None:
    client, between = behind(server, key, *faults)
    with client:
        _, _, opened = client.open(sitting(reading(0, 138, 84)))
        between.faults = list(faults)
        _, _, appended = client.append(opened, Append(readings=[reading(2, 136, 83)]))
    assert opened.replayed is appended.replayed is ("lose" in faults)
    assert appended.etag == '"2"' and len(appended.envelope.reading_set.readings) == 2
    assert count_of(server, key, opened.envelope.subject_id) == 1
    keys = [request.headers["Idempotency-Key"] for request in between.seen]
    assert len(keys) == 2 * (len(faults) + 1) and len(set(keys)) == 2


def test_bytes_of_a_cuff_become_a_next_step_and_one_reading_however_often_they_are_sent(server: Server, key: str) -> None:
    subject = Subject(identifier=Identifier(system="urn:example:person", value=f"p-{uuid4()}"))
    value = GattValue(characteristic="2A35", value_hex=VALUE)
    body = GattBody(
        subject=subject,
        site="left-upper-arm",
        received_at=datetime.fromisoformat("2026-03-14T07:05:20+01:00"),
        payloads=[value],
    )
    client, between = behind(server, key, "lose", "drop")
    with client:
        told = client.forward(body, key="visit-1-value-1")
        assert told.safety is not None and told.next_step is not None and told.refused == []
        (first,) = told.sittings
        # 0x8e and 0x5b in the bytes.
        (stored,) = first.sitting.envelope.reading_set.readings
        assert (stored.systolic_mmhg, stored.diastolic_mmhg, told.next_step) == (142, 91, first.next_step)
        again = client.forward(body)
        assert (again.replayed, [each.sitting.id for each in again.sittings]) == (1, [first.sitting.id])
    assert [request.headers["Idempotency-Key"] for request in between.seen][:3] == ["visit-1-value-1"] * 3


def test_a_refusal_is_an_error_with_its_faults_and_is_not_asked_again(server: Server, key: str) -> None:
    client, between = behind(server, key)
    with client:
        with pytest.raises(NotAcceptable) as refused:
            client.open(sitting(closed=True))
        assert [(fault.pointer, fault.code) for fault in refused.value.faults] == [("/readings", "too-few")]
        assert "urn:uuid:" in refused.value.__notes__[0]
        assert len(between.seen) == 1
        with pytest.raises(NotFound):
            client.read(str(uuid4()))
        with pytest.raises(ValueError, match="id"):
            client.read("../subjects")
        _, _, opened = client.open(sitting(reading(0, 138, 84)))
        client.append(opened, Append(readings=[reading(2, 136, 83)]))
        with pytest.raises(VersionStale) as stale:
            client.append(opened, Append(readings=[reading(4, 136, 83)]))
        assert stale.value.newest == 2
        _, _, closed = client.close(client.read(opened.id).sitting)
        with pytest.raises(Conflict) as conflict:
            client.append(closed, Append(readings=[reading(6, 136, 83)]))
        assert conflict.value.code == "set-closed"


def test_a_key_that_is_not_good_is_told_apart(server: Server) -> None:
    with Client(server.url, "qc_nobody", patience=QUICK) as stranger, pytest.raises(NotAuthenticated):
        stranger.read(str(uuid4()))
    reader = new_key(server.database_url, scopes="system/Observation.r")
    with Client(server.url, reader, patience=QUICK) as client, pytest.raises(NotAllowed) as refused:
        client.open(sitting(reading(0, 138, 84)))
    assert refused.value.scope == "system/Observation.c"


def test_patience_ends(server: Server, key: str) -> None:
    client, between = behind(server, key, *["drop"] * 9)
    with client, pytest.raises(ServiceFailed, match="same key"):
        client.open(sitting(reading(0, 138, 84)))
    assert len(between.seen) == QUICK.most_tries
    client, between = behind(server, key, busy("3600"))
    with client, pytest.raises(Busy) as refused:
        client.open(sitting(reading(0, 138, 84)))
    assert (refused.value.retry_after_seconds, len(between.seen)) == (3600, 1)
    client, _ = behind(server, key, httpx.Response(200, json={"id": 1}))
    with client, pytest.raises(ServiceFailed, match="another version"):
        client.open(sitting(reading(0, 138, 84)))


async def test_the_client_for_coroutines_does_the_same(server: Server, key: str) -> None:
    between = BetweenAsync("drop", "lose", busy())
    heard: list[ToldSitting] = []
    http = httpx.AsyncClient(transport=between)
    async with AsyncClient(server.url, key, patience=QUICK, on_concern=heard.append, http=http) as client:
        _, _, opened = await client.open(sitting(reading(0, 190, 124)))
        assert opened.replayed and [each.sitting.id for each in heard] == [opened.id]
        _, _, appended = await client.append(opened, Append(readings=[reading(2, 136, 83)]))
        _, _, closed = await client.close(appended)
        assert (await client.read(closed.id)).sitting.envelope == closed.envelope
        assert (await client.summary(closed.envelope.subject_id)).subject_id == closed.envelope.subject_id
        change = AmendReading(index=1, set=ReadingChange(systolic_mmhg=130))
        _, _, corrected = await client.correct(closed, Correction(reason="typing error", changes=[change]))
        assert (await client.void(corrected, "another person's")).sitting.envelope.status == "voided"
        with pytest.raises(NotAcceptable):
            await client.forward(GattBody(subject=opened.envelope.reading_set.subject, payloads=[]))
    assert count_of(server, key, opened.envelope.subject_id) == 1


def test_the_client_brings_along_neither_database_nor_web_framework() -> None:
    heavy = "'sqlalchemy', 'litestar', 'alembic', 'uvicorn', 'asyncpg', 'numpy', 'fhir'"
    asked = f"import sys, quietcuff.client; print(sorted({{{heavy}}} & sys.modules.keys()))"
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout == "[]\n"


def test_what_the_client_sends_is_what_the_service_reads() -> None:
    whole = sitting(reading(0, 138, 84))
    assert msgspec.json.decode(msgspec.json.encode(whole), type=ReadingSet) == whole


def test_the_lines_of_the_gateway_page_store_one_reading_through_a_bad_network(
    server: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Real connections: one dropped unread, one cut off after the service has stored, one turned away for two seconds."""
    page = (Path(__file__).parents[2] / "docs/gateway.md").read_text("utf-8")
    (lines,) = re.findall(r"^```python\n(.*?)^```$", page, re.M | re.S)
    key, waited = new_key(server.database_url, tenant=f"page-{uuid4()}"), []
    monkeypatch.setenv("KEY", key)
    monkeypatch.setattr(synchronous, "time", SimpleNamespace(sleep=waited.append))
    with relaying(server.url, "drop", "lose", "busy") as relay:
        (tmp_path / "lines.py").write_text(lines.replace("http://127.0.0.1:8080", relay.url))
        runpy.run_path(str(tmp_path / "lines.py"))
    assert (relay.connections, len(waited)) == (4, 4)
    assert waited[0] == 0 < waited[1] < 0.63 < waited[2] <= 1.25 < 2 <= waited[3] <= 2.5
    assert f"```text\n{capsys.readouterr().out}```" in page
    with server.client_of(key) as plain:
        (stored,) = plain.get("/v1/reading-sets").json()["items"]
        envelope = plain.get(f"/v1/reading-sets/{stored['id']}").json()
    # 0x8e and 0x5b in the bytes.
    assert [(each["systolic_mmhg"], each["diastolic_mmhg"]) for each in envelope["reading_set"]["readings"]] == [(142, 91)]
