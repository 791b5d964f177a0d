"""Who read what of whom is in the trail, and shown as AuditEvents; nothing that was asked for by value is."""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any
from uuid import uuid4

import httpx
import pytest

from api.serving import Server, new_key, serving
from bodies import OPENED_SET
from databases import SqliteFiles

PERSON = {"identifier": {"system": "urn:example:mrn", "value": "p-read-0417"}}


def events(client: httpx.Client, count: int, **query: Any) -> list[dict[str, Any]]:
    """The AuditEvents of what this client read, oldest first, once there are as many; they are written a second later."""
    actor = "key:" + client.headers["Authorization"].removeprefix("Bearer qc_")[:8]
    for _ in range(60):
        found = client.get("/fhir/R4/AuditEvent", params={"_sort": "-date", "_count": 200, **query}).json().get("entry", [])
        reads = [one["resource"] for one in found if one["resource"]["subtype"][1]["code"] in ("read", "search")]
        own = [one for one in reads if "audit" not in what(one)["name"] and who(one) == actor]
        if len(own) >= count:
            return own[:count][::-1]
        time.sleep(0.1)
    raise AssertionError("not in the trail")


def what(event: dict[str, Any]) -> dict[str, Any]:
    (entity,) = [one for one in event["entity"] if one.get("role", {}).get("code") == "24"]
    return dict(entity)


def who(event: dict[str, Any]) -> str:
    return str(event["agent"][0]["who"]["identifier"]["value"])


def whom(event: dict[str, Any]) -> list[str]:
    return [one["what"]["reference"] for one in event["entity"] if one.get("role", {}).get("code") == "1"]


def found(event: dict[str, Any]) -> str:
    return str(what(event)["detail"][0]["valueString"])


@pytest.fixture
def desk(service: Server) -> Iterator[httpx.Client]:
    """A client of a tenant of its own: others' reads stand in other trails."""
    with service.client(tenant=f"read-{uuid4()}") as made:
        yield made


@pytest.fixture
def stored(desk: httpx.Client) -> dict[str, Any]:
    answer = desk.post(
        "/v1/reading-sets",
        json={**OPENED_SET, "identifier": {"system": "urn:example:visit", "value": str(uuid4())}, "subject": PERSON},
    )
    assert answer.status_code == 201
    body: dict[str, Any] = answer.json()
    return body


def test_reads_name_who_whom_what_and_from_where(desk: httpx.Client, stored: dict[str, Any]) -> None:
    set_id, subject_id = stored["id"], stored["subject_id"]
    for path in (
        f"/v1/reading-sets/{set_id}",
        f"/v1/subjects/{subject_id}/summary",
        f"/fhir/R4/Observation/{set_id}-r0",
        f"/fhir/R4/Patient/{subject_id}",
    ):
        assert desk.get(path).status_code == 200
    seen = events(desk, 4, patient=f"Patient/{subject_id}")
    assert [what(one)["name"] for one in seen] == ["get_reading_set", "summarise_subject", "read_observation", "read_patient"]
    assert [whom(one) for one in seen] == [[f"Patient/{subject_id}"]] * 4
    assert {found(one) for one in seen} == {"1"} and {one["action"] for one in seen} == {"R"}
    for one in seen:
        assert one["agent"][0]["network"] == {"address": "127.0.0.1", "type": "2"}


def test_searches_name_their_parameters_and_never_what_they_say(desk: httpx.Client, stored: dict[str, Any]) -> None:
    subject_id = stored["subject_id"]
    desk.get("/v1/reading-sets", params={"limit": 3, "from": "2026-05-04"})
    desk.get("/fhir/R4/Observation", params={"patient": f"Patient/{subject_id}", "code": "85354-9", "p-read-0417": "1"})
    desk.post("/fhir/R4/Patient/_search", data={"identifier": "urn:example:mrn|p-read-0417"})
    desk.post("/v1/subjects/find", json=PERSON)
    seen = events(desk, 4)
    assert [what(one)["name"] for one in seen] == [
        "list_reading_sets?from&limit",
        "search_observations?code&patient&other",
        "search_patients_by_post?identifier",
        "find_subject",
    ]
    assert [whom(one) for one in seen] == [[], *[[f"Patient/{subject_id}"]] * 3]
    assert int(found(seen[0])) >= 1 and found(seen[2]) == "1" and {one["action"] for one in seen} == {"E"}
    assert "read-0417" not in str(seen) and "85354-9" not in str(seen)


def test_what_was_refused_or_is_nobodys_is_not_a_read(desk: httpx.Client, stored: dict[str, Any]) -> None:
    desk.get("/v1/reading-sets/0f8c2a34-6f0e-4c0b-9a53-2a4c7c1b9d11")
    desk.get("/v1/protocols")
    desk.get(f"/v1/subjects/{stored['subject_id']}")
    (one,) = events(desk, 1)
    assert what(one)["name"] == "get_subject"


def test_reads_are_written_as_the_service_stops(sqlite_files: SqliteFiles) -> None:
    url = sqlite_files.new()
    key = new_key(url)
    with serving(url) as first, first.client_of(key) as client:
        assert client.get("/v1/reading-sets").status_code == 200
    with serving(url) as second, second.client_of(key) as client:
        assert what(events(client, 1)[0])["name"] == "list_reading_sets"


def test_a_change_tells_from_where_it_came(desk: httpx.Client, stored: dict[str, Any]) -> None:
    query = {"patient": f"Patient/{stored['subject_id']}", "_sort": "-date", "_count": 200}
    found = [entry["resource"] for entry in desk.get("/fhir/R4/AuditEvent", params=query).json()["entry"]]
    made = next(one for one in found if one["subtype"][1]["code"] == "create-set")
    assert made["agent"][0]["network"] == {"address": "127.0.0.1", "type": "2"}
