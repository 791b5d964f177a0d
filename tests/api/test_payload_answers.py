"""Each answer that docs/gateway.md and docs/hl7v2.md state for FHIR in and for HL7 v2, with its fault or its ERR."""

from __future__ import annotations

import gzip
import json
from collections.abc import Callable
from typing import Any, NamedTuple
from uuid import uuid4

import hl7
import httpx
import pytest

from api.serving import Server, problem, serving
from api.test_fhir_payloads import FHIR, FHIR_JSON, bundle, panel, post
from api.test_hl7v2 import ROUTE, sent
from databases import SqliteFiles
from decode.hl7_messages import OBR, message, pair, row

Send = Callable[[httpx.Client], httpx.Response]


def raw(resource: Any, **headers: str) -> Send:
    return lambda client: client.post(FHIR, content=json.dumps(resource), headers={**FHIR_JSON, **headers})


def with_key_of_another(client: httpx.Client) -> httpx.Response:
    key = str(uuid4())
    assert raw(panel(), **{"Idempotency-Key": key})(client).status_code == 201
    return raw(panel(), **{"Idempotency-Key": key})(client)


def packed(client: httpx.Client) -> httpx.Response:
    body = gzip.compress(json.dumps(panel()).encode())
    return client.post(FHIR, content=body, headers={**FHIR_JSON, "Content-Encoding": "gzip"})


def other_value(client: httpx.Client) -> httpx.Response:
    said = panel()
    assert post(client, said).status_code == 201
    said["component"][0]["valueQuantity"]["value"] = 150
    return post(client, said)


REFUSALS: dict[str, tuple[Send, int, str, str | None]] = {
    "no JSON": (lambda client: post(client, b"{"), 400, "not-readable", "not-json"),
    "empty key": (raw(panel(), **{"Idempotency-Key": ""}), 400, "bad-header", "bad-header"),
    "another type": (lambda client: client.post(FHIR, json=panel()), 415, "unsupported-media-type", None),
    "packed": (packed, 415, "unsupported-media-type", None),
    "too long": (raw(panel(note=[{"text": "x" * 300_000}])), 413, "too-large", None),
    "no person": (raw(panel(subject=None)), 422, "not-acceptable", "not-identified"),
    "no reading": (raw({"resourceType": "Patient"}), 422, "not-acceptable", "unknown-code"),
    "key of another": (with_key_of_another, 422, "not-acceptable", "key-reused"),
    "another value": (other_value, 422, "not-acceptable", "differs-from-stored"),
    "correction of nothing": (raw(panel(status="entered-in-error")), 422, "not-acceptable", "no-such-reading"),
}


@pytest.mark.parametrize("name", REFUSALS)
def test_fhir_that_is_refused(client: httpx.Client, name: str) -> None:
    send, status, slug, code = REFUSALS[name]
    told = problem(send(client), status, slug)
    assert code is None or [fault["code"] for fault in told["errors"]] == [code]


def test_fhir_that_is_stored_known_or_refused_in_part(client: httpx.Client) -> None:
    said, key = panel(), {"Idempotency-Key": str(uuid4())}
    first = raw(said, **key)(client)
    assert first.status_code == 201 and first.json()["replayed"] == 0
    again = raw(said)(client)
    assert again.status_code == 200 and again.json()["replayed"] == 1 and again.json()["reading_sets"]
    repeated = raw(said, **key)(client)
    assert (repeated.status_code, repeated.content) == (201, first.content)
    assert repeated.headers["Idempotency-Replayed"] == "true"
    part = post(client, bundle(panel(), panel(subject=None)))
    assert part.status_code == 201 and [one["code"] for one in part.json()["refused"]] == ["not-identified"]


def test_who_may_not_send_is_told_so(server: Server, stranger: httpx.Client) -> None:
    problem(post(stranger, panel()), 401, "not-authenticated")
    with server.client(scopes="system/Observation.cruds") as narrow:
        problem(post(narrow, panel()), 403, "not-allowed")
        assert narrow.get(FHIR).status_code == 405


def test_who_sends_too_often_is_told_when_to_come_again(sqlite_files: SqliteFiles) -> None:
    with serving(sqlite_files.new(), key_requests_a_minute=1) as server, server.client() as client:
        answers = [post(client, panel()) for _ in range(20)]
        late = next(answer for answer in answers if answer.status_code != 201)
        assert problem(late, 429, "too-often") and int(late.headers["Retry-After"]) > 0


class Said(NamedTuple):
    """A message, its MSA-1, and the number in ERR-3 with our own word in ERR-5."""

    body: bytes
    code: str
    errors: list[tuple[str, str]]


GOOD = pair(142, 91)
MESSAGES = {
    "training": Said(message(*GOOD, processing="T"), "AA", []),
    "another message": Said(message(*GOOD).replace(b"ORU^R01^ORU_R01", b"ADT^A01"), "AR", [("200", "unknown-message")]),
    "another version": Said(message(*GOOD, head="9.9"), "AR", [("203", "unknown-version")]),
    "another processing": Said(message(*GOOD, processing="X"), "AR", [("202", "unknown-processing")]),
    "another character set": Said(message(*GOOD, head="2.5.1||||||ISO IR87"), "AR", [("103", "charset")]),
    "no control id": Said(message(*GOOD, control=""), "AR", [("101", "missing")]),
    "commit, another version": Said(message(*GOOD, head="9.9|||AL|AL"), "CR", [("203", "unknown-version")]),
    "no person": Said(message(*GOOD, pid=""), "AE", [("101", "subject-missing")]),
    "unknown code": Said(message(*pair(142, 91), row("pulse", "x", "2")), "AE", [("102", "not-a-number")]),
    "commit, no person": Said(message(*GOOD, pid="", head="2.5.1|||AL|NE"), "CE", [("101", "subject-missing")]),
}


@pytest.mark.parametrize("name", MESSAGES)
def test_a_message_that_is_not_good(client: httpx.Client, name: str) -> None:
    """Source: HL7 v2.5.1 tables 0008 and 0357, from memory."""
    wanted = MESSAGES[name]
    (told,) = sent(client, wanted.body)
    assert str(told.segment("MSA")[1]) == wanted.code
    assert errors_of(told) == wanted.errors


def errors_of(told: hl7.Message) -> list[tuple[str, str]]:
    lines = [line.split("|") for line in str(told).split("\r") if line.startswith("ERR|")]
    assert all(line[4] == "E" and line[8] for line in lines)
    return [(line[3].split("^")[0], line[5].split("^")[0]) for line in lines]


def test_what_is_known_contradicted_or_corrected_by_hl7(client: httpx.Client) -> None:
    number = uuid4().hex[:12]

    def told(*rows: str, order: str = "F-1") -> tuple[str, list[tuple[str, str]]]:
        pid = f"PID|1||{number}^^^WESTWING^MR||Invented^Person|"
        (answer,) = sent(client, message(*rows, pid=pid, obr=OBR.replace("F-1", f"{order}-{number}")))
        return str(answer.segment("MSA")[1]), errors_of(answer)

    def as_status(rows: tuple[str, ...] | list[str], status: str) -> list[str]:
        return [line.replace("|||||F", f"|||||{status}") for line in rows]

    assert told(*GOOD) == ("AA", []) and told(*GOOD) == ("AA", [])
    code, errors = told(*pair(150, 91))
    assert (code, set(errors)) == ("AE", {("205", "differs-from-stored")})
    assert told(*as_status(pair(150, 91), "C")) == ("AA", [])
    code, errors = told(*as_status(pair(150, 91), "C"), order="F-2")
    assert (code, set(errors)) == ("AE", {("205", "reading-elsewhere")}), "a second system, which names no device"
    code, errors = told(*as_status(pair(150, 91), "D"), order="F-3")
    assert (code, set(errors)) == ("AE", {("205", "reading-elsewhere")})


def test_without_a_head_it_is_a_problem(client: httpx.Client) -> None:
    answer = client.post(ROUTE, content=b"PID|1", headers={"Content-Type": "application/hl7-v2"})
    assert problem(answer, 400, "not-readable")["errors"][0]["refused_payload_id"]
    problem(client.post(ROUTE, content=b"MSH|", headers={"Content-Type": "text/csv"}), 415, "unsupported-media-type")
