"""Sittings over HTTP: stored, fed reading by reading, closed, corrected, read back; every promise of headers and statuses."""

from __future__ import annotations

import itertools
import json
from concurrent.futures import ThreadPoolExecutor
from typing import Any
from uuid import uuid4

import httpx
import msgspec
import pytest

from api.serving import Server, problem
from bodies import FIRST_READING, OPENED_SET, changed
from quietcuff.answered import Envelope
from quietcuff.api.openapi import SetPage, VersionList

PATH = "/v1/reading-sets"


def named(body: dict[str, Any], **more: Any) -> dict[str, Any]:
    """The body with an identifier of its own, and a person of its own."""
    name = str(uuid4())
    subject = {**body["subject"], "identifier": {"system": "urn:example:mrn", "value": name}}
    return {**body, "identifier": {"system": "urn:example:visit", "value": name}, "subject": subject, **more}


def reading(second: int, systolic: float = 150, diastolic: float = 92, **more: Any) -> dict[str, Any]:
    """A reading in the right arm, so many seconds after nine."""
    at = f"2026-05-04T09:{second // 60:02}:{second % 60:02}+02:00"
    site = "right-upper-arm"
    return {**FIRST_READING, "taken_at": at, "systolic_mmhg": systolic, "diastolic_mmhg": diastolic, "site": site, **more}


def open_set(client: httpx.Client) -> tuple[str, dict[str, Any]]:
    """The path and the envelope of a new open set with one reading."""
    answer = client.post(PATH, json=named(OPENED_SET))
    assert answer.status_code == 201, answer.text
    return answer.headers["Location"], answer.json()


def append(client: httpx.Client, path: str, version: int | str, **body: Any) -> httpx.Response:
    """Add to an open set."""
    match = version if isinstance(version, str) else f'"{version}"'
    return client.post(f"{path}/readings", json=body, headers={"If-Match": match})


def whole_set(client: httpx.Client) -> tuple[str, dict[str, Any]]:
    """The path and the envelope of a closed set of four readings."""
    readings = [FIRST_READING, reading(70, 150, 92), reading(140, 146, 90), reading(210, 144, 90)]
    answer = client.post(PATH, json=named(OPENED_SET, closed=True, readings=readings))
    assert answer.status_code == 201, answer.text
    return answer.headers["Location"], answer.json()


def test_a_stored_set_is_answered_whole_with_its_place_and_version(desk: httpx.Client) -> None:
    body = named(OPENED_SET)
    answer = desk.post(PATH, json=body)
    assert (answer.status_code, answer.headers["ETag"]) == (201, '"1"')
    envelope = answer.json()
    assert answer.headers["Location"] == f"{PATH}/{envelope['id']}"
    # Words come only where a language was asked for.
    assert set(envelope) == set(Envelope.__struct_fields__) - {"words"}
    assert (envelope["version"], envelope["status"], envelope["closed"]) == (1, "active", False)
    assert envelope["closes_at"] is not None and envelope["created_at"].endswith("Z")
    assert envelope["evaluation"]["next_step"]["action"] == "measure-other-arm"
    assert envelope["reading_set"]["identifier"] == body["identifier"]
    assert envelope["reading_set"]["readings"][0]["taken_at"] == FIRST_READING["taken_at"]
    assert "Idempotency-Replayed" not in answer.headers


def test_every_answer_holds_every_key_of_its_type(desk: httpx.Client) -> None:
    path, envelope = whole_set(desk)
    decode = msgspec.json.decode
    assert decode(desk.get(path).content, type=Envelope).version == 1
    assert_whole(envelope, Envelope)
    versions = desk.get(f"{path}/versions").json()
    assert_whole(versions, VersionList)
    page = desk.get(PATH, params={"subject_id": envelope["subject_id"]}).json()
    assert_whole(page, SetPage)
    assert_whole(desk.get(f"{path}/versions/1").json(), Envelope)


def assert_whole(value: Any, shape: Any) -> None:
    """Everything that encoding the struct again would write is in the answer, and nothing else."""
    again = msgspec.to_builtins(msgspec.convert(value, shape))
    assert keys_of(value) == keys_of(again)


def keys_of(value: Any, place: str = "") -> set[str]:
    if isinstance(value, dict):
        return {f"{place}/{key}" for key in value}.union(*(keys_of(item, f"{place}/{key}") for key, item in value.items()))
    if isinstance(value, list):
        return set().union(*(keys_of(item, f"{place}/{n}") for n, item in enumerate(value)))
    return set()


def test_what_is_stored_pasted_into_a_dry_run_gives_the_same_bytes(desk: httpx.Client) -> None:
    path, envelope = whole_set(desk)
    dry = desk.post("/v1/evaluations", json=envelope["reading_set"])
    assert dry.status_code == 200, dry.text
    stored = desk.get(path).content
    assert dry.content == stored[stored.index(b',"evaluation":') + len(b',"evaluation":') : -1]


def test_a_sitting_fed_reading_by_reading_to_its_end(desk: httpx.Client) -> None:
    path, envelope = open_set(desk)
    for version, second in enumerate((70, 140, 210), start=1):
        answer = append(desk, path, version, readings=[reading(second)])
        assert (answer.status_code, answer.headers["ETag"]) == (200, f'"{version + 1}"')
        envelope = answer.json()
        assert "Location" not in answer.headers
    assert envelope["evaluation"]["next_step"]["action"] == "close"
    closed = append(desk, path, 4, closed=True).json()
    assert (closed["closed"], closed["closes_at"], closed["evaluation"]["state"]) == (True, None, "complete")
    causes = [item["cause"] for item in desk.get(f"{path}/versions").json()["items"]]
    assert causes == ["created", "appended", "appended", "appended", "closed"]
    for number in range(1, 6):
        assert desk.get(f"{path}/versions/{number}").json()["version"] == number
    problem(append(desk, path, 5, readings=[reading(300)]), 409, "conflict")


def test_an_append_repeated_with_its_key_is_answered_as_the_first_time(desk: httpx.Client) -> None:
    path, _ = open_set(desk)
    headers = {"If-Match": '"1"', "Idempotency-Key": f"append-{uuid4()}"}
    body = {"readings": [reading(70)]}
    first = desk.post(f"{path}/readings", json=body, headers=headers)
    append(desk, path, 2, readings=[reading(140)])
    again = desk.post(f"{path}/readings", json=body, headers=headers)
    assert (again.status_code, again.content, again.headers["ETag"]) == (200, first.content, '"2"')
    assert again.headers["Idempotency-Replayed"] == "true" and "Idempotency-Replayed" not in first.headers
    assert len(desk.get(path).json()["reading_set"]["readings"]) == 3


def test_a_set_repeated_with_its_key_is_answered_201_again(desk: httpx.Client) -> None:
    body = {key: value for key, value in named(OPENED_SET).items() if key != "identifier"}
    key = f"visit {uuid4()}".replace(" ", "-")
    first = desk.post(PATH, json=body, headers={"Idempotency-Key": key})
    again = desk.post(
        PATH,
        content=json.dumps(dict(reversed(body.items())), indent=1),
        headers={"Idempotency-Key": f'"{key}"', "Content-Type": "application/json"},
    )
    assert (again.status_code, again.content) == (201, first.content)
    assert again.headers["Location"] == first.headers["Location"]
    assert again.headers["Idempotency-Replayed"] == "true"
    other = desk.post(PATH, json=changed(body, "/readings/0/systolic_mmhg", 143), headers={"Idempotency-Key": key})
    found = problem(other, 422, "not-acceptable")
    assert [(fault["header"], fault["code"]) for fault in found["errors"]] == [("Idempotency-Key", "key-reused")]


def test_an_identifier_stands_for_one_body(desk: httpx.Client) -> None:
    body = named(OPENED_SET)
    first = desk.post(PATH, json=body)
    again = desk.post(PATH, json=changed(body, "/readings/0/systolic_mmhg", 142.0))
    assert (again.status_code, again.content) == (201, first.content)
    other = problem(desk.post(PATH, json=changed(body, "/readings/0/systolic_mmhg", 143)), 409, "conflict")
    assert [(fault["code"], fault["set_id"]) for fault in other["errors"]] == [("identifier-taken", first.json()["id"])]


def test_a_refused_request_leaves_its_key_free(desk: httpx.Client) -> None:
    headers = {"Idempotency-Key": f"free-{uuid4()}"}
    body = named(OPENED_SET)
    problem(desk.post(PATH, json=changed(body, "/protocol", "nobody-has-this"), headers=headers), 422, "not-acceptable")
    assert desk.post(PATH, json=body, headers=headers).status_code == 201


def test_twins_at_once_are_one_set(service: Server) -> None:
    body, key = named(OPENED_SET), f"twin-{uuid4()}"
    with service.client() as desk, ThreadPoolExecutor(10) as threads:
        answers = list(threads.map(lambda _: desk.post(PATH, json=body, headers={"Idempotency-Key": key}), range(20)))
        assert {answer.status_code for answer in answers} == {201}
        assert len({answer.content for answer in answers}) == 1
        assert sum("Idempotency-Replayed" in answer.headers for answer in answers) == 19


@pytest.mark.parametrize("key", ['""', "", "two words", "k" * 256, "gedächtnis"])
def test_a_key_that_cannot_be_one_is_a_bad_header(client: httpx.Client, key: str) -> None:
    headers = httpx.Headers({"Content-Type": "application/json"}.items())
    headers = httpx.Headers([*headers.raw, (b"Idempotency-Key", key.encode())])
    answer = client.post(PATH, content=json.dumps(named(OPENED_SET)), headers=headers)
    assert [fault["header"] for fault in problem(answer, 400, "bad-header")["errors"]] == ["Idempotency-Key"]


def test_a_change_must_name_the_version_it_is_meant_for(desk: httpx.Client) -> None:
    path, _ = open_set(desk)
    for action, body in (("readings", {"readings": [reading(70)]}), ("corrections", void(0))):
        problem(desk.post(f"{path}/{action}", json=body), 428, "version-not-named")
        for match in ('W/"1"', "1", '"1', "W/1", "", "*, 1"):
            answer = desk.post(f"{path}/{action}", json=body, headers={"If-Match": match})
            problem(answer, 400, "bad-header")
        for match in ('"2"', '"0"', '"abc"', '"01"', '"2", "3"'):
            answer = desk.post(f"{path}/{action}", json=body, headers={"If-Match": match})
            problem(answer, 412, "version-stale")
            assert answer.headers["ETag"] == '"1"'
    problem(desk.post(f"{path}/reopen"), 428, "version-not-named")
    problem(desk.post(f"{path}/corrections", json=void(0), headers={"If-Match": "*"}), 428, "version-not-named")
    assert append(desk, path, "*", readings=[reading(70)]).status_code == 200
    assert append(desk, path, '"7", "2"', readings=[reading(140)]).status_code == 200


def void(index: int) -> dict[str, Any]:
    return {"reason": "another person's", "changes": [{"change": "void-reading", "index": index}]}


def test_a_correction_makes_a_version_and_keeps_the_earlier_one(desk: httpx.Client) -> None:
    path, before = whole_set(desk)
    body = {
        "reason": "typed 146 for 164",
        "author": {"system": "urn:example:staff", "value": "n-17"},
        "changes": [{"change": "amend-reading", "index": 2, "set": {"systolic_mmhg": 164}}, *void(1)["changes"]],
    }
    answer = desk.post(f"{path}/corrections", json=body, headers={"If-Match": '"1"'})
    assert (answer.status_code, answer.headers["ETag"]) == (200, '"2"')
    after = answer.json()
    assert after["reading_set"]["readings"][2]["systolic_mmhg"] == 164
    assert after["reading_set"]["readings"][1]["voided"] is True
    assert desk.get(f"{path}/versions/1").json() == before
    noted = desk.get(f"{path}/versions").json()["items"][1]
    assert (noted["cause"], noted["reason"], noted["author"]) == ("corrected", body["reason"], body["author"])
    nothing = {"reason": "none", "changes": [{"change": "amend-reading", "index": 2, "set": {"systolic_mmhg": 164}}]}
    found = problem(desk.post(f"{path}/corrections", json=nothing, headers={"If-Match": '"2"'}), 422, "not-acceptable")
    assert [fault["code"] for fault in found["errors"]] == ["nothing-to-change"]


def test_a_voided_set_stays_readable_and_takes_nothing_more(desk: httpx.Client) -> None:
    path, _ = whole_set(desk)
    body = {"reason": "measured on another patient", "changes": [{"change": "void-set"}]}
    assert desk.post(f"{path}/corrections", json=body, headers={"If-Match": '"1"'}).json()["status"] == "voided"
    assert desk.get(path).json()["status"] == "voided"
    again = desk.post(f"{path}/corrections", json=void(0), headers={"If-Match": '"2"'})
    assert [fault["code"] for fault in problem(again, 409, "conflict")["errors"]] == ["set-voided"]


def test_a_closed_set_may_be_reopened(desk: httpx.Client) -> None:
    path, _ = whole_set(desk)
    reopened = desk.post(f"{path}/reopen", headers={"If-Match": '"1"'})
    assert (reopened.status_code, reopened.json()["closed"]) == (200, False)
    again = desk.post(f"{path}/reopen", headers={"If-Match": '"2"'})
    assert [fault["code"] for fault in problem(again, 409, "conflict")["errors"]] == ["set-open"]


def test_readings_of_another_day_are_another_sitting(desk: httpx.Client) -> None:
    path, _ = open_set(desk)
    answer = append(desk, path, 1, readings=[{**reading(0), "taken_at": "2026-05-05T09:00:00+02:00"}])
    assert [fault["code"] for fault in problem(answer, 409, "conflict")["errors"]] == ["sitting-over"]


def test_an_append_names_its_faults_in_its_own_places(desk: httpx.Client) -> None:
    path, _ = open_set(desk)
    answer = append(desk, path, 1, readings=[reading(70), reading(140, systolic=150, diastolic=None)])
    found = problem(answer, 422, "not-acceptable")
    assert [fault["pointer"] for fault in found["errors"]] == ["/readings/1/diastolic_mmhg"]
    problem(append(desk, path, 1), 422, "not-acceptable")


@pytest.mark.parametrize(
    ("name", "value"), [("history", {"as_of": "2026-05-04T09:00:00Z"}), ("intake", {"closed_by_timeout": True})]
)
def test_what_the_service_adds_is_not_accepted_where_it_stores(desk: httpx.Client, name: str, value: Any) -> None:
    found = problem(desk.post(PATH, json=named(OPENED_SET, **{name: value})), 422, "not-acceptable")
    assert [(fault["pointer"], fault["code"]) for fault in found["errors"]] == [(f"/{name}", "not-accepted-here")]


def test_what_the_caller_has_is_not_sent_again(desk: httpx.Client) -> None:
    path, _ = open_set(desk)
    fresh = desk.get(path, headers={"If-None-Match": '"1"'})
    assert (fresh.status_code, fresh.content, fresh.headers["ETag"]) == (304, b"", '"1"')
    for held in ('"2"', 'W/"2"', "nonsense", ""):
        assert desk.get(path, headers={"If-None-Match": held}).status_code == 200
    assert desk.get(path, headers={"If-None-Match": 'W/"1", "9"'}).status_code == 304


def test_a_list_is_newest_first_and_paged(desk: httpx.Client) -> None:
    subject = {"identifier": {"system": "urn:example:mrn", "value": str(uuid4())}}
    days = ["2026-05-01", "2026-05-02", "2026-05-03", "2026-05-04", "2026-05-05"]
    ids = []
    for day in days:
        body = {"subject": subject, "readings": [{**FIRST_READING, "taken_at": f"{day}T09:00:00+02:00"}]}
        ids.append(desk.post(PATH, json=body).json()["id"])
    subject_id = desk.post("/v1/subjects/find", json=subject).json()["id"]
    wanted: dict[str, Any] = {"subject_id": subject_id}
    assert [item["id"] for item in desk.get(PATH, params=wanted).json()["items"]] == ids[::-1]
    seen, url = [], f"{PATH}?subject_id={subject_id}&limit=2"
    for _ in itertools.repeat(None, 3):
        answer = desk.get(url.removeprefix("https://bp.example.org"))
        page = answer.json()
        seen += [item["id"] for item in page["items"]]
        assert (page["next"] is None) == ("Link" not in answer.headers)
        if page["next"] is None:
            break
        assert answer.headers["Link"] == f'<{page["next"]}>; rel="next"'
        assert page["next"].startswith("https://bp.example.org/v1/reading-sets?")
        url = page["next"]
    assert seen == ids[::-1]
    some = desk.get(PATH, params={**wanted, "from": "2026-05-02", "to": "2026-05-04T00:00:00Z"}).json()["items"]
    assert [item["id"] for item in some] == [ids[2], ids[1]]


def test_an_unknown_subject_has_an_empty_list(desk: httpx.Client) -> None:
    answer = desk.get(PATH, params={"subject_id": str(uuid4())})
    assert (answer.status_code, answer.json()) == (200, {"items": [], "next": None})


@pytest.mark.parametrize(
    ("query", "parameter", "code"),
    [
        ("limit=0", "limit", "out-of-range"),
        ("limit=201", "limit", "out-of-range"),
        ("limit=", "limit", "out-of-range"),
        ("limit=%D9%A1", "limit", "out-of-range"),
        ("limit=1_0", "limit", "out-of-range"),
        ("limit=1&limit=2", "limit", "repeated-parameter"),
        ("subject_id=p-0001", "subject_id", "not-an-id"),
        ("from=yesterday", "from", "not-a-time"),
        ("from=2026-05-04T09:00:00", "from", "not-a-time"),
        ("from=1777878000", "from", "not-a-time"),
        ("to=0001-01-01", "to", "not-a-time"),
        ("to=9999-12-31T23:59:59Z", "to", "not-a-time"),
        ("setting=ward", "setting", "unknown-code"),
        ("state=done", "state", "unknown-code"),
        ("observer=", "observer", "value-missing"),
        ("label=", "label", "value-missing"),
        ("cursor=xyz", "cursor", "not-a-cursor"),
        ("cursor=", "cursor", "not-a-cursor"),
        ("colour=red", "colour", "unknown-parameter"),
        ("limit=%FF", "", "not-utf-8"),
    ],
)
def test_a_parameter_that_cannot_be_is_named(client: httpx.Client, query: str, parameter: str, code: str) -> None:
    found = problem(client.get(f"{PATH}?{query}"), 422, "not-acceptable")
    assert [(fault["parameter"], fault["code"]) for fault in found["errors"]] == [(parameter, code)]


@pytest.mark.parametrize("name", ["no-id", "019df237-3e80-7cda-ae6c-acc0e2b83dda", "%00", "..", "1", "x" * 3000])
def test_what_is_not_there_is_not_found(client: httpx.Client, name: str) -> None:
    for path in (name, f"{name}/versions", f"{name}/versions/1", f"{name}/fhir"):
        problem(client.get(f"{PATH}/{path}"), 404, "not-found")
    problem(append(client, f"{PATH}/{name}", 1, readings=[reading(70)]), 404, "not-found")


@pytest.mark.parametrize("number", ["0", "2", "-1", "one", "1.0", "99999999999999999999", "%D9%A1"])
def test_a_version_that_is_not_there_is_not_found(client: httpx.Client, number: str) -> None:
    path, _ = open_set(client)
    problem(client.get(f"{path}/versions/{number}"), 404, "not-found")


def test_a_sitting_is_one_bundle(desk: httpx.Client) -> None:
    path, envelope = whole_set(desk)
    answer = desk.get(f"{path}/fhir")
    assert answer.headers["Content-Type"].startswith("application/fhir+json")
    bundle = answer.json()
    assert (bundle["resourceType"], bundle["type"], bundle["id"]) == ("Bundle", "collection", envelope["id"])
    types = [entry["resource"]["resourceType"] for entry in bundle["entry"]]
    assert types.count("Patient") == 1 and types.count("Observation") >= 5 and types.count("Provenance") == 1
