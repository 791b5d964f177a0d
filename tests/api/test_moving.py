"""A sitting is moved to another person over HTTP: taken back there and stored anew, each naming the other, and once."""

from __future__ import annotations

from typing import Any
from uuid import uuid4

import httpx
import pytest

from api.serving import Server, problem
from api.test_reading_sets import open_set, whole_set


def to(person: str, **more: Any) -> dict[str, Any]:
    subject = {"identifier": {"system": "urn:example:mrn", "value": person}}
    return {"subject": subject, "reason": "measured on another patient", **more}


def move(client: httpx.Client, path: str, body: dict[str, Any], version: str | None = '"1"', **headers: str) -> httpx.Response:
    return client.post(f"{path}/move", json=body, headers={**({"If-Match": version} if version else {}), **headers})


@pytest.mark.parametrize("stored", [open_set, whole_set])
def test_both_sets_name_each_other(desk: httpx.Client, stored: Any) -> None:
    path, before = stored(desk)
    person = str(uuid4())
    answer = move(desk, path, to(person))
    assert (answer.status_code, answer.headers["ETag"]) == (201, '"1"'), answer.text
    new, old = answer.json(), desk.get(path)
    assert answer.headers["Location"] == f"/v1/reading-sets/{new['id']}" and new["id"] != before["id"]
    assert (old.headers["ETag"], old.json()["status"], new["status"]) == ('"2"', "voided", "active")
    assert (old.json()["reading_set"]["replaced_by"], new["reading_set"]["replaces"]) == (new["id"], before["id"])
    assert new["reading_set"]["subject"]["identifier"]["value"] == person
    assert new["reading_set"]["readings"] == before["reading_set"]["readings"] and new["closed"] == before["closed"]
    assert desk.get(answer.headers["Location"]).content == answer.content


def test_the_same_move_again_is_answered_as_it_was(desk: httpx.Client) -> None:
    path, _ = whole_set(desk)
    body, key = to(str(uuid4())), str(uuid4())
    first = move(desk, path, body, **{"Idempotency-Key": key})
    again = move(desk, path, body, **{"Idempotency-Key": key})
    assert (again.status_code, again.content, again.headers["Idempotency-Replayed"]) == (201, first.content, "true")
    assert len(desk.get(f"{path}/versions").json()["items"]) == 2
    other = problem(move(desk, path, to(str(uuid4())), **{"Idempotency-Key": key}), 422, "not-acceptable")
    assert [(fault["header"], fault["code"]) for fault in other["errors"]] == [("Idempotency-Key", "key-reused")]


def test_a_move_names_the_version_that_it_was_made_from(desk: httpx.Client) -> None:
    path, _ = whole_set(desk)
    body = to(str(uuid4()))
    for version, status in ((None, 428), ("*", 428), ('"7"', 412)):
        assert move(desk, path, body, version).status_code == status
    assert desk.get(path).json()["status"] == "active"


def test_what_was_taken_back_is_not_moved(desk: httpx.Client) -> None:
    path, _ = whole_set(desk)
    assert move(desk, path, to(str(uuid4()))).status_code == 201
    assert [fault["code"] for fault in problem(move(desk, path, to(str(uuid4())), '"2"'), 409, "conflict")["errors"]] == [
        "set-voided"
    ]


def test_a_set_is_not_moved_to_whose_it_is(desk: httpx.Client) -> None:
    path, before = whole_set(desk)
    person = before["reading_set"]["subject"]["identifier"]["value"]
    told = problem(move(desk, path, to(person)), 422, "not-acceptable")
    assert [(fault["pointer"], fault["code"]) for fault in told["errors"]] == [("/subject/identifier", "same-person")]


def test_every_fault_of_a_move_is_named(desk: httpx.Client) -> None:
    path, _ = whole_set(desk)
    told = problem(move(desk, path, {"subject": {}, "colour": "red"}), 422, "not-acceptable")
    assert {"/colour", "/subject/identifier"} <= {fault["pointer"] for fault in told["errors"]}


def test_another_tenants_set_is_not_there(service: Server, desk: httpx.Client) -> None:
    path, _ = whole_set(desk)
    with service.client(tenant="another clinic") as other:
        problem(move(other, path, to(str(uuid4()))), 404, "not-found")
    problem(move(desk, f"/v1/reading-sets/{uuid4()}", to(str(uuid4()))), 404, "not-found")
    assert desk.get(path).json()["status"] == "active"
