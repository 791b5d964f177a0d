"""Many sittings in one request, over HTTP: a line in, a line out, in order, and one at the end."""

from __future__ import annotations

import gzip
import json
import socket
import time
from collections.abc import Iterator
from typing import Any

import httpx
import msgspec
import pytest

from api.serving import Server, new_key, problem
from api.test_reading_sets import named, reading
from bodies import FIRST_READING, OPENED_SET
from quietcuff.api.routes.batches import IN_MEMORY_BYTES

PATH = "/v1/reading-sets/batch"
NDJSON = {"Content-Type": "application/x-ndjson"}
Body = dict[str, Any]


def post(client: httpx.Client, *lines: Body | bytes, **headers: str) -> list[Body]:
    """The lines that are answered."""
    raw = b"\n".join(line if isinstance(line, bytes) else json.dumps(line).encode() for line in lines)
    answer = client.post(PATH, content=raw, headers={**NDJSON, **headers})
    assert (answer.status_code, answer.headers["Content-Type"]) == (200, "application/x-ndjson"), answer.text[:500]
    return [json.loads(line) for line in answer.text.splitlines()]


def whole(**more: Any) -> Body:
    readings = [FIRST_READING, reading(70, 150, 92), reading(140, 146, 90), reading(210, 144, 90)]
    return named(OPENED_SET, closed=True, readings=readings, **more)


def test_each_line_is_answered_in_order_and_the_last_line_counts(desk: httpx.Client) -> None:
    first = whole()
    severe = named(OPENED_SET, readings=[{**FIRST_READING, "systolic_mmhg": 190, "diastolic_mmhg": 124}])
    wrong = {**whole(), "colour": "red", "readings": [{**FIRST_READING, "site": "knee"}]}
    stored, confirm, refused, replayed, taken, end = post(desk, first, b"", severe, wrong, first, {**first, "closed": False})
    envelope = desk.get(f"/v1/reading-sets/{stored['id']}").json()
    assert stored == {
        "line": 1, "status": 201, "id": envelope["id"], "version": 1, "replayed": False,
        "state": "complete", "safety_level": "none",
    }  # fmt: skip
    assert envelope["reading_set"]["identifier"] == first["identifier"]
    assert (confirm["line"], confirm["state"], confirm["safety_level"]) == (3, "in-progress", "confirm")
    assert (refused["line"], refused["status"], refused["problem"]["type"]) == (4, 422, "/problems/not-acceptable")
    assert refused["problem"]["instance"].startswith("urn:uuid:") and refused["problem"]["instance"].endswith("#4")
    assert [fault["pointer"] for fault in refused["problem"]["errors"]] == ["/colour", "/readings/0/site"]
    assert replayed == {**stored, "line": 5, "replayed": True}
    assert (taken["status"], taken["problem"]["errors"][0]["code"]) == (409, "identifier-taken")
    assert end == {"end": True, "lines": 5, "stored": 2, "replayed": 1, "refused": 2}


def test_the_whole_of_each_set_is_answered_to_who_prefers_it(desk: httpx.Client) -> None:
    for prefer in ("return=representation", 'respond-async, Return="representation"; x=1'):
        body = whole()
        stored, refused, _ = post(desk, body, b"{", Prefer=prefer)
        assert stored["envelope"] == desk.get(f"/v1/reading-sets/{stored['id']}").json()
        assert "envelope" not in refused
    assert "envelope" not in post(desk, whole(), Prefer="return=minimal")[0]
    answer = desk.post(PATH, content=b"", headers={**NDJSON, "Prefer": "return=representation"})
    assert answer.headers["Preference-Applied"] == "return=representation"


def test_the_whole_of_each_set_is_answered_in_the_language_asked_for(desk: httpx.Client) -> None:
    headers = {**NDJSON, "Prefer": "return=representation"}
    for path, more in ((f"{PATH}?lang=de", {}), (PATH, {"Accept-Language": "de"})):
        answer = desk.post(path, content=json.dumps(whole()), headers={**headers, **more})
        stored = json.loads(answer.text.splitlines()[0])
        alone = desk.get(f"/v1/reading-sets/{stored['id']}?lang=de")
        assert stored["envelope"] == alone.json() and stored["envelope"]["words"]["language"] == "de"
        assert answer.headers["Content-Language"] == "de" and "Accept-Language" in answer.headers["Vary"]


def test_an_empty_body_is_an_empty_batch(client: httpx.Client) -> None:
    for raw in (b"", b"\n \r\n"):
        assert post(client, raw) == [{"end": True, "lines": 0, "stored": 0, "replayed": 0, "refused": 0}]


def test_lines_without_identifier_are_known_by_key_and_number(client: httpx.Client) -> None:
    bare = [{**whole(), "identifier": None} for _ in range(3)]
    first = post(client, *bare, **{"Idempotency-Key": '"night-1"'})
    again = post(client, *bare, **{"Idempotency-Key": "night-1"})
    assert [line["id"] for line in again[:3]] == [line["id"] for line in first[:3]] and again[3]["replayed"] == 3
    shifted = post(client, *bare[1:], **{"Idempotency-Key": "night-1"})
    assert [line["problem"]["errors"][0]["code"] for line in shifted[:2]] == ["key-reused"] * 2
    assert post(client, *bare)[3]["stored"] == 3
    answer = client.post(PATH, content=b"{}", headers={**NDJSON, "Idempotency-Key": "two words"})
    problem(answer, 400, "bad-header")


def test_what_is_no_ndjson_by_its_headers_is_refused_before_it_is_read(server: Server, client: httpx.Client) -> None:
    for headers in ({"Content-Type": "application/json"}, {}, {**NDJSON, "Content-Encoding": "gzip"}):
        refused = problem(client.post(PATH, content=gzip.compress(b"{}"), headers=headers), 415, "unsupported-media-type")
        assert "application/x-ndjson" in refused["detail"]
    with server.client(scopes="system/Observation.rs") as reader, server.client_of(None) as stranger:
        problem(reader.post(PATH, content=b"{}", headers=NDJSON), 403, "not-allowed")
        problem(stranger.post(PATH, content=b"{}", headers=NDJSON), 401, "not-authenticated")
    assert client.get(PATH).status_code == 405


def test_a_long_line_is_refused_alone_and_the_body_may_be_longer_than_any_other(client: httpx.Client) -> None:
    long = b'{"x": "' + b"x" * 3_000_000 + b'"}'
    padded = json.dumps(whole()).encode() + b" " * 200_000
    stored, refused, more, end = post(client, padded, long, padded.replace(b"142", b"143"))
    assert (stored["status"], refused["status"]) == (201, 400)
    assert refused["problem"]["errors"][0]["code"] == "body-too-large"
    assert more["status"] == 409 and end["lines"] == 3


def raw_request(key: str, length: int) -> bytes:
    head = f"POST {PATH} HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {key}\r\nContent-Type: application/x-ndjson\r\n"
    return f"{head}Content-Length: {length}\r\nConnection: close\r\n\r\n".encode()


def connect(server: Server) -> socket.socket:
    host, port = server.url.removeprefix("http://").split(":")
    return socket.create_connection((host, int(port)), timeout=60)


def test_forty_thousand_lines_are_answered_to_a_client_that_reads_only_at_the_end(server: Server) -> None:
    every = 2_000
    lines = [json.dumps(whole()).encode() if number % every == 0 else b"x" * (number % 90 + 1) for number in range(40_000)]
    raw = b"\n".join(lines)
    with connect(server) as connection:
        connection.sendall(raw_request(new_key(server.database_url), len(raw)) + raw)
        head, _, body = b"".join(iter(lambda: connection.recv(1 << 16), b"")).partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 200") and len(body) > IN_MEMORY_BYTES
    assert f"content-length: {len(body)}".encode() in head.lower()
    answered = body.splitlines()
    assert len(answered) == 40_001
    assert json.loads(answered[-1]) == {"end": True, "lines": 40_000, "stored": 20, "replayed": 0, "refused": 39_980}
    numbers = [msgspec.json.decode(line, type=dict[str, msgspec.Raw])["line"] for line in answered[:-1]]
    assert [int(bytes(number)) for number in numbers] == list(range(1, 40_001))


def test_what_a_client_sent_whole_before_it_went_away_is_stored_and_no_more(server: Server, client: httpx.Client) -> None:
    bodies = [whole(subject={**OPENED_SET["subject"], "identifier": whole()["subject"]["identifier"]})] * 3
    bodies = [{**body, "identifier": whole()["identifier"]} for body in bodies]
    lines = [json.dumps(body).encode() + b"\n" for body in bodies]
    with connect(server) as connection:
        connection.sendall(raw_request(new_key(server.database_url), 100_000) + lines[0] + lines[1] + lines[2][:-40])
        person = found_person(client, bodies[0])
        wait_for(lambda: len(client.get("/v1/reading-sets", params={"subject_id": person}).json()["items"]) == 2)
    time.sleep(0.2)
    items = client.get("/v1/reading-sets", params={"subject_id": person}).json()["items"]
    assert len(items) == 2
    assert [line.get("replayed") for line in post(client, *bodies)[:3]] == [True, True, False]


def found_person(client: httpx.Client, body: Body) -> str:
    """The id of the person of a body, once a line of theirs is stored."""
    asked = {"identifier": body["subject"]["identifier"]}
    wait_for(lambda: client.post("/v1/subjects/find", json=asked).status_code == 200)
    found: str = client.post("/v1/subjects/find", json=asked).json()["id"]
    return found


def wait_for(holds: Any) -> None:
    for _ in range(500):
        if holds():
            return
        time.sleep(0.02)
    raise AssertionError("it does not come to hold")


def test_a_batch_that_goes_on_holds_up_nobody(server: Server, client: httpx.Client) -> None:
    """Others are answered while a client sends line by line, and its lines are stored before the last one is there."""

    def slowly() -> Iterator[bytes]:
        for body in bodies:
            yield json.dumps(body).encode() + b"\n"
            with server.client() as other:
                asked = {"identifier": body["subject"]["identifier"]}
                wait_for(lambda asked=asked: other.post("/v1/subjects/find", json=asked).status_code == 200)

    bodies = [whole() for _ in range(3)]
    answer = client.post(PATH, content=slowly(), headers=NDJSON)
    assert [json.loads(line).get("status") for line in answer.text.splitlines()] == [201, 201, 201, None]


@pytest.mark.parametrize("name", ["busy", "defect"])
def test_a_failure_of_the_service_is_told_by_line(client: httpx.Client, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    from quietcuff.application import batch
    from quietcuff.core.model.errors import Busy

    async def fail(*arguments: Any) -> Any:
        raise Busy(2) if name == "busy" else RuntimeError("p-0001 has 142/88")

    monkeypatch.setattr(batch, "take_in", fail)
    told, end = post(client, whole())
    assert (told["status"], told["problem"]["type"]) == (
        (503, "/problems/busy") if name == "busy" else (500, "/problems/internal-error")
    )
    # Both whole: the number of the request, which is drawn, may have some digits of them in it.
    assert not any(secret in json.dumps(told) for secret in ("p-0001", "142/88")) and end["refused"] == 1
