"""Groups: stored queries of people, and exports that they narrow."""

from __future__ import annotations

import copy
from typing import Any
from uuid import uuid4

import httpx
import pytest
from fhir.resources.R4B.group import Group

from api.serving import Server, problem
from api.test_bulk import exported, ids, parameters
from api.test_fhir import BASE, outcome
from bodies import OPENED_SET

ROOM = {"system": "urn:example:room", "value": "7"}


@pytest.fixture
def clinic(service: Server) -> Any:
    """A client of a tenant of its own, on a server of either kind."""
    with service.client(tenant=f"groups-{uuid4()}") as made:
        yield made


def sitting(client: httpx.Client, value: str, day: str, **more: Any) -> str:
    """A stored sitting of one reading; the person's id."""
    body = copy.deepcopy(OPENED_SET) | {"identifier": None, "closed": True, **more}
    body["subject"]["identifier"]["value"] = value
    body["readings"][0]["taken_at"] = f"{day}T09:00:00Z"
    answer = client.post("/v1/reading-sets", json=body)
    assert answer.status_code == 201, answer.text
    return str(answer.json()["subject_id"])


def made(client: httpx.Client, **fields: Any) -> dict[str, Any]:
    answer = client.post("/v1/groups", json={"name": "a group", **fields})
    assert answer.status_code == 201, answer.text
    group: dict[str, Any] = answer.json()
    assert answer.headers["Location"] == f"/v1/groups/{group['id']}"
    return group


def test_an_export_of_a_group_holds_its_people_and_no_others(clinic: httpx.Client) -> None:
    ada = sitting(clinic, "ada", "2026-05-04", location=ROOM)
    ben = sitting(clinic, "ben", "2026-05-20", location=ROOM)
    cem = sitting(clinic, "cem", "2026-05-20", setting="home")
    by_room = made(clinic, location=ROOM)
    by_days = made(clinic, taken_from="2026-05-10", taken_until="2026-06-01")
    by_both = made(clinic, location=ROOM, taken_from="2026-05-10")
    by_name = made(clinic, identifiers=[OPENED_SET["subject"]["identifier"] | {"value": "cem"}])
    at_home = made(clinic, setting="home", protocol="home-sitting")
    expected = [(by_room, [ada, ben]), (by_days, [ben, cem]), (by_both, [ben]), (by_name, [cem]), (at_home, [cem])]
    for group, people in expected:
        assert group["people"] == len(people)
        _, found = exported(clinic, f"Group/{group['id']}/$export")
        assert ids(found["Patient"]) == sorted(people)
        assert {one["subject"]["reference"] for one in found["Observation"]} == {f"Patient/{person}" for person in people}
        assert found["Provenance"]
    body = parameters(patient=f"Patient/{ada}", _type="Patient")
    answer = clinic.post(f"{BASE}/Group/{by_days['id']}/$export", json=body)
    assert answer.status_code == 202
    sitting(clinic, "ada", "2026-05-30")
    assert clinic.get(f"/v1/groups/{by_days['id']}").json()["people"] == 3


def test_a_group_is_listed_read_and_deleted(clinic: httpx.Client) -> None:
    group = made(clinic, name="Home, May", setting="home")
    assert clinic.get("/v1/groups").json() == {"items": [group | {"people": None}]}
    read = clinic.get(f"{BASE}/Group/{group['id']}")
    assert Group.model_validate_json(read.content).name == "Home, May"
    assert clinic.delete(f"/v1/groups/{group['id']}").status_code == 204
    for answer in (clinic.get(f"/v1/groups/{group['id']}"), clinic.delete(f"/v1/groups/{group['id']}")):
        problem(answer, 404, "not-found")
    outcome(clinic.get(f"{BASE}/Group/{group['id']}/$export"), 404, "not-found")
    outcome(clinic.get(f"{BASE}/Group/{group['id']}"), 404, "not-found")


def test_a_group_of_everybody_or_of_no_day_is_refused(clinic: httpx.Client) -> None:
    faults = problem(clinic.post("/v1/groups", json={"name": "all"}), 422, "not-acceptable")["errors"]
    assert [fault["code"] for fault in faults] == ["missing"]
    body = {"name": "none", "taken_from": "2026-05-04", "taken_until": "2026-05-04", "colour": "red"}
    problem(clinic.post("/v1/groups", json=body), 422, "not-acceptable")
    del body["colour"]
    faults = problem(clinic.post("/v1/groups", json=body), 422, "not-acceptable")["errors"]
    assert [(fault["pointer"], fault["code"]) for fault in faults] == [("/taken_until", "wrong-order")]


def test_a_group_is_its_tenants_own(service: Server, clinic: httpx.Client) -> None:
    group = made(clinic, setting="home")
    with service.client(tenant="other") as other:
        problem(other.get(f"/v1/groups/{group['id']}"), 404, "not-found")
        outcome(other.get(f"{BASE}/Group/{group['id']}/$export"), 404, "not-found")
