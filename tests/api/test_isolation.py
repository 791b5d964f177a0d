"""Two tenants with equal identifiers everywhere, on one server: nothing of one is seen through any route of the document by
the other, whatever ids it names, and nothing of a kind that a key does not open is seen with that key. On both databases."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from api.serving import Server
from api.test_access import BODIES, NEEDED, OPEN, ROUTES, request_of
from api.test_bulk import exported, finished, here
from api.test_fhir import BASE
from api.two_tenants import CLOSED, UUID, Clinic, leaks, only_of
from bodies import SUBJECT
from quietcuff.api.operations import JSON, Operation

DOCUMENT = json.loads((Path(__file__).parents[2] / "openapi/openapi.json").read_text())
OWN = ("set_id", "subject_id", "device_id", "target_id", "group_id", "job_id", "payload_id", "refused_id", "resource_id")
# What the service defines itself: open to everybody, and nobody's.
DEFINITIONS = ("CodeSystem", "Measure", "SearchParameter", "StructureDefinition")
PARAMETERS = {"export_system_by_post", "export_patient_by_post", "export_group_by_post", "last_observations_by_post"}
ROUTE_OF = {operation.id: (path, method, operation) for path, method, operation in ROUTES}
Pair = tuple[Clinic, Clinic]


@pytest.fixture(scope="module", params=["server", "postgresql_service"])
def pair(request: pytest.FixtureRequest) -> Iterator[Pair]:
    """Both clinics, filled one after the other. What the first saw before the second came stands in ``before``."""
    server: Server = request.getfixturevalue(request.param)
    ours, theirs = Clinic(server, "larkspurqx"), Clinic(server, "juniperqx")
    ours.fill()
    ours.before = ours.looks(pictures=True)
    theirs.fill()
    yield ours, theirs
    for one in (ours, theirs):
        one.close()


def ids_of(clinic: Clinic, path: str) -> dict[str, str]:
    kind = path.split("/")[3] if "{resource_id}" in path else ""
    found = {**clinic.ids, "version_id": "1", "number": "1", "rule_id": "office-both-arms", "slug": "not-found", "name": "sets"}
    if kind in DEFINITIONS:
        return found | {"resource_id": "talking" if kind == "Measure" else "result-protocol"}
    return found | ({"resource_id": clinic.resource(kind)} if kind else {})


def asked(client: httpx.Client, path: str, method: str, operation: Operation, ids: dict[str, str]) -> httpx.Response:
    """A good request of the operation; what takes Parameters is told the person of those ids."""
    if operation.id not in PARAMETERS:
        return request_of(client, path, method, operation, ids)
    person = {"name": "patient", "valueReference": {"reference": f"Patient/{ids['subject_id']}"}}
    body = {"resourceType": "Parameters", "parameter": [person]}
    return client.post(path.format(**ids), json=body, headers={"Prefer": "respond-async"})


def test_the_walk_goes_through_every_route_of_the_document() -> None:
    walked = {(path, method.lower()) for path, method, operation in ROUTES if operation.documented}
    assert walked == {(path, method) for path, item in DOCUMENT["paths"].items() for method in item if method != "parameters"}


def test_what_one_sees_is_what_it_saw_before_the_other_came(pair: Pair) -> None:
    ours, theirs = pair
    mine, other = ours.looks(pictures=True), theirs.looks(pictures=True)
    assert mine == ours.before
    for secrets, seen in ((only_of(ours, theirs), other), (only_of(theirs, ours), mine)):
        assert len(secrets) > 12
        for path, text in seen.items():
            assert not {secret for secret in secrets if secret in text}, path
    # The ids apart they are equal: as many sets, resources and entries, the same history and the same figures.
    assert [shape(text) for text in mine.values()] == [shape(text) for text in other.values()]


def shape(text: str) -> int:
    """How many ids a text holds."""
    return len(UUID.findall(text))


def test_the_trail_of_one_tells_nothing_of_the_other(pair: Pair) -> None:
    for one, other in (pair, pair[::-1]):
        url, pages, ids = f"{BASE}/AuditEvent?_count=100", 0, set()
        while url:
            answer = one.client.get(url)
            assert answer.status_code == 200
            assert not leaks(answer, only_of(other, one)), url
            ids |= {entry["resource"]["id"] for entry in answer.json().get("entry", [])}
            following = [link["url"] for link in answer.json()["link"] if link["relation"] == "next"]
            url, pages = (following[0].removeprefix("https://bp.example.org") if following else ""), pages + 1
        assert pages < 20 and len(ids) > 10


def searches(of: Clinic) -> list[str]:
    """Every way to name somebody else's resource in a query."""
    ids = of.ids
    subject, resource, device = f"Patient/{ids['subject_id']}", of.resource("Observation"), f"Device/{ids['device_id']}"
    return [
        # First, for from then on it was asked after them, and its own trail says so.
        *(f"AuditEvent?patient={subject}", f"AuditEvent?patient=https://bp.example.org{BASE}/{subject}"),
        *(f"Observation?{name}={subject}" for name in ("patient", "subject", "patient:Patient")),
        *(f"Observation?{name}={resource}" for name in ("_id", "derived-from")),
        *(f"Observation?{name}={device}" for name in ("device", "device:Device")),
        *(f"Observation?_id={resource}&{more}" for more in ("_include=*", "_revinclude=Provenance:target")),
        f"Observation?identifier={ids['set_id']}/mean",
        f"Observation/$lastn?patient={subject}",
        *(f"Patient?_id={ids['subject_id']}", f"Device?_id={ids['device_id']}", f"Provenance?target=Observation/{resource}"),
    ]


def test_no_search_finds_what_is_named_of_the_other(pair: Pair) -> None:
    for one, other in (pair, pair[::-1]):
        for query in searches(other):
            answer = one.client.get(f"{BASE}/{query}")
            assert answer.status_code in (200, 400), (query, answer.text)
            found = answer.json().get("entry", [])
            assert all(entry["resource"]["resourceType"] == "OperationOutcome" for entry in found), query
            assert not leaks(answer, only_of(other, one)), query


def test_no_route_shows_or_changes_anything_of_the_other(pair: Pair) -> None:
    for one, other in (pair, pair[::-1]):
        saw, secrets = other.looks(), only_of(other, one)
        for path, method, operation in ROUTES:
            answer = asked(one.client, path, method, operation, ids_of(other, path))
            assert answer.status_code < 500, (operation.id, answer.text)
            if any(f"{{{name}}}" in path for name in OWN) and path.split("/")[3] not in {"AuditEvent", *DEFINITIONS}:
                # That of a trail is counted for each tenant, and is an event of its own.
                assert answer.status_code == 404, (operation.id, answer.status_code, answer.text)
            # In its own trail stands by now what it asked after itself.
            assert "audit_event" in operation.id or not leaks(answer, secrets), operation.id
        assert other.looks() == saw


def test_equal_names_find_each_its_own(pair: Pair) -> None:
    person, device = "urn:example:mrn|p-0001", "urn:example:device|SN-0007"
    queries = [
        *(
            f"Observation?{name}={person}"
            for name in ("patient.identifier", "subject.identifier", "patient:Patient.identifier")
        ),
        *(f"Observation?device.identifier={device}", "Observation?based-on:identifier=urn:example:visit|1001"),
        *(f"Patient?identifier={person}", f"Device?identifier={device}"),
        f"Observation?patient.identifier={person}&_include=*&_revinclude=Provenance:target",
    ]
    for query in queries:
        totals = []
        for one, other in (pair, pair[::-1]):
            answer = one.client.get(f"{BASE}/{query}&_count=200")
            assert answer.status_code == 200, (query, answer.text)
            assert not leaks(answer, only_of(other, one)), query
            totals.append(len(answer.json().get("entry", [])))
        assert totals[0] == totals[1] and (totals[0] > 0 or "based-on" in query), (query, totals)
    for one, _ in (pair, pair[::-1]):
        found = one.client.post("/v1/subjects/find", json={"identifier": SUBJECT["identifier"]})
        assert found.json()["id"] == one.ids["subject_id"]


def test_bodies_that_name_the_others_open_nothing(pair: Pair) -> None:
    for one, other in (pair, pair[::-1]):
        saw, secrets = other.looks(), only_of(other, one)
        visit = {"system": "urn:example:visit", "value": "1003"}
        subject = f"Patient/{other.ids['subject_id']}"
        answers = [
            one.client.post("/v1/reading-sets", json={**CLOSED, "identifier": visit, "replaces": other.ids["set_id"]}),
            one.client.post(f"/v1/targets/{one.ids['target_id']}/replay", json={"ids": [f"{other.ids['set_id']}-v1"]}),
            one.client.get(f"/v1/reading-sets?subject_id={other.ids['subject_id']}"),
            *(one.client.get(path) for path in other.files),
        ]
        assert answers[0].status_code == 422 and answers[1].json() == {"replayed": 0} and answers[2].json()["items"] == []
        assert {answer.status_code for answer in answers[3:]} == {404}
        for answer in answers:
            assert not leaks(answer, secrets), answer.request.url
        _, found = exported(one.client, _type="Observation", _typeFilter=f"Observation?patient={subject}")
        assert found == {}
        status = here(asked(one.client, *ROUTE_OF["export_patient_by_post"], other.ids).headers["Content-Location"])
        assert {item["type"] for item in finished(one.client, status)["output"]} <= {"Device"}, "its own, which are of nobody"
        assert other.looks() == saw


def test_a_cursor_of_the_other_leads_to_nothing_of_it(pair: Pair) -> None:
    for one, other in (pair, pair[::-1]):
        following = other.client.get("/v1/reading-sets?limit=1").json()["next"]
        answers = [one.client.get(following[following.index("/v1/") :])]
        for kind in ("Observation", "Provenance", "AuditEvent"):
            links = other.client.get(f"{BASE}/{kind}?_count=1").json()["link"]
            following = next(link["url"] for link in links if link["relation"] == "next")
            answers.append(one.client.get(following.removeprefix("https://bp.example.org")))
        for answer in answers:
            assert answer.status_code in (200, 400, 422), answer.text
            assert not leaks(answer, only_of(other, one)), answer.request.url


def test_one_key_of_a_request_repeats_each_its_own(pair: Pair) -> None:
    for one, other in (pair, pair[::-1]):
        answer = one.client.post("/v1/reading-sets", json=CLOSED, headers={"Idempotency-Key": "visit-1"})
        assert (answer.status_code, answer.headers["Idempotency-Replayed"]) == (201, "true")
        assert answer.json()["id"] == one.ids["set_id"] and not leaks(answer, only_of(other, one))


@pytest.mark.parametrize("scopes", ["system/Observation.rs", "system/Patient.rs", "system/Binary.rs"])
def test_a_narrower_key_sees_its_own_kind_alone(pair: Pair, scopes: str) -> None:
    """Of ids that are there: what is not of the key's type is refused before it is looked for, or is left out."""
    one, kind = pair[0], scopes.removeprefix("system/").removesuffix(".rs")
    with one.server.client(tenant=one.tenant, scopes=scopes) as narrow:
        for path, method, operation in ROUTES:
            if operation.id in OPEN or operation.id == "end_export":
                continue
            answer = asked(narrow, path, method, operation, ids_of(one, path))
            needed = NEEDED[operation.id]
            if needed != "any-key" and needed not in (f"{kind}.r", f"{kind}.s"):
                assert answer.status_code == 403, (operation.id, answer.status_code)
            if answer.status_code in (401, 403):
                assert not leaks(answer, one.secrets), operation.id
            else:
                assert operation.id != "ask_after_export", "the manifest of a wider key's export"
        for answer in wide_searches(narrow, kind):
            assert kinds_of(answer) <= {kind, "OperationOutcome"}, answer.request.url
        for file in one.files:
            lines = narrow.get(file).text.splitlines()
            assert {json.loads(line)["resourceType"] for line in lines} <= {kind, "OperationOutcome"}, file


def wide_searches(client: httpx.Client, kind: str) -> list[httpx.Response]:
    """Searches of a type that ask for others beside it."""
    if kind not in ("Observation", "Patient", "Device", "Provenance"):
        return []
    more = ["", "?_include=*", "?_revinclude=Provenance:target", "?_include=Observation:patient&_revinclude=*"]
    return [client.get(f"{BASE}/{kind}{query}") for query in more]


def kinds_of(answer: httpx.Response) -> set[str]:
    entries: list[dict[str, Any]] = answer.json().get("entry", [])
    return {entry["resource"]["resourceType"] for entry in entries}


def test_every_operation_that_takes_a_body_is_given_one() -> None:
    """Else the walk would be refused before it is looked up whose id it names."""
    taking = {operation.id for _, _, operation in ROUTES if operation.body is not None and operation.media_type == JSON}
    assert len(taking) > 10 and taking <= BODIES.keys() | PARAMETERS
