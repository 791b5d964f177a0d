"""Client libraries that are not ours, against a running server: fhirpy, fhirclient, and what bulk and test clients send.

The requests of the last part are those that such clients were seen to send, replayed as they were.
"""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator
from typing import Any

import fhirclient.models.bundle
import fhirclient.models.device
import fhirclient.models.observation
import fhirclient.models.patient
import fhirpy
import httpx
import pytest
from fhirclient.server import FHIRNotFoundException, FHIRServer
from fhirpy.base.exceptions import AuthorizationError, ResourceNotFound

from api.serving import Server, new_key, serving
from bodies import DEVICE
from databases import SqliteFiles
from fhir_r4.profiles import faults_of

LOINC_READING, LOINC_MEAN = "http://loinc.org|85354-9", "http://loinc.org|96607-7"
SUBJECT = {"identifier": {"system": "urn:example:mrn", "value": "p-0001"}, "birth_date": "1971-01-15"}
SITTINGS = 9


class Desk:
    """A server under its own address, with the sittings of one person on it."""

    def __init__(self, server: Server, key: str) -> None:
        self.server, self.key = server, key
        self.base = f"{server.url}/fhir/R4"
        with server.client_of(key) as client:
            client.post("/v1/devices", json=DEVICE).raise_for_status()
            self.stored = [client.post("/v1/reading-sets", json=sitting(day)).json() for day in range(1, SITTINGS + 1)]
        self.patient = self.stored[0]["subject_id"]

    def get(self, path: str, **headers: str) -> httpx.Response:
        with self.server.client_of(self.key) as client:
            return client.get(f"/fhir/R4/{path}", headers=headers)


def sitting(day: int) -> dict[str, Any]:
    taken = [f"2026-05-{day:02}T09:0{minute}:00+02:00" for minute in range(3)]
    reading = {"diastolic_mmhg": 84, "pulse_per_min": 72, "site": "left-upper-arm", "position": "sitting"}
    readings = [{"taken_at": at, "systolic_mmhg": 130 + day, **reading} for at in taken]
    device = {"identifier": DEVICE["identifier"]}
    return {"subject": SUBJECT, "visit": "follow-up", "device": device, "readings": readings}


@pytest.fixture(scope="module")
def desk(sqlite_files: SqliteFiles) -> Iterator[Desk]:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with serving(url := sqlite_files.new(), port=port) as server:
        yield Desk(server, new_key(url))


@pytest.fixture
def fhirpy_client(desk: Desk) -> fhirpy.SyncFHIRClient:
    return fhirpy.SyncFHIRClient(desk.base, authorization=f"Bearer {desk.key}")


@pytest.fixture
def fhirclient_server(desk: Desk) -> FHIRServer:
    server = FHIRServer(None, base_uri=desk.base)
    server.session.headers["Authorization"] = f"Bearer {desk.key}"
    server.session.trust_env = False
    return server


def test_fhirpy_reads_searches_pages_counts_and_follows(desk: Desk, fhirpy_client: fhirpy.SyncFHIRClient) -> None:
    means = fhirpy_client.resources("Observation").search(patient=desk.patient, code=LOINC_MEAN).sort("-date").limit(4)
    assert means.count() == SITTINGS
    found = means.fetch_all()
    assert len(found) == SITTINGS
    assert [mean.effectivePeriod.start for mean in found] == sorted((m.effectivePeriod.start for m in found), reverse=True)
    assert len(means.fetch()) == 4
    read = fhirpy_client.reference("Observation", found[0].id).to_resource()
    assert read.serialize() == found[0].serialize()
    patient = found[0].subject.to_resource()
    assert patient.identifier[0].value == SUBJECT["identifier"]["value"]
    since = fhirpy_client.resources("Observation").search(
        subject=f"Patient/{desk.patient}", date__ge="2026-05-03", date__lt="2026-05-05", category="vital-signs"
    )
    assert {one.id.rpartition("-")[2] for one in since.fetch_all()} == {"mean", "r0", "r1", "r2", "p0", "p1", "p2"}
    first = fhirpy_client.resources("Observation").search(component_code_value_quantity="8480-6$ge139").first()
    assert first is not None and first.component[0].valueQuantity.value == 139
    by_person = fhirpy_client.resources("Patient").search(identifier=SUBJECT["identifier"]["value"]).get()
    assert by_person.id == desk.patient


def test_fhirpy_gets_what_it_includes_and_its_own_errors(desk: Desk, fhirpy_client: fhirpy.SyncFHIRClient) -> None:
    asked = (
        fhirpy_client.resources("Observation")
        .search(patient=desk.patient, code=LOINC_MEAN)
        .include("Observation", "patient")
        .include("Observation", "device")
        .include("Observation", "derived-from")
        .revinclude("Provenance", "target")
        .limit(200)
    )
    bundle = asked.fetch_raw()
    assert faults_of(json.loads(json.dumps(bundle))) == []
    modes = {(entry["resource"]["resourceType"], entry["search"]["mode"]) for entry in bundle.entry}
    assert modes == {
        ("Observation", "match"),
        ("Observation", "include"),
        ("Patient", "include"),
        ("Device", "include"),
        ("Provenance", "include"),
    }
    found = asked.fetch_all()
    counted = {source.reference for one in found for source in one.get("derivedFrom", [])}
    assert {one.reference for one in (each.to_reference() for each in found)} >= counted
    assert len(found) == SITTINGS + len(counted), "fhirpy shows every Observation of the bundle, what came along too"
    with pytest.raises(ResourceNotFound):
        fhirpy_client.reference("Observation", "none").to_resource()
    stranger = fhirpy.SyncFHIRClient(desk.base, authorization="Bearer none")
    with pytest.raises(AuthorizationError):
        stranger.resources("Observation").fetch()


def test_fhirclient_reads_searches_pages_and_follows(desk: Desk, fhirclient_server: FHIRServer) -> None:
    observation = fhirclient.models.observation.Observation
    assert fhirclient_server.capabilityStatement.fhirVersion == "4.0.1"
    read = observation.read(f"{desk.stored[0]['id']}-mean", fhirclient_server)
    assert read.component[0].valueQuantity.value == 131
    search = observation.where({"patient": desk.patient, "code": LOINC_READING, "_count": "5", "_sort": "date"})
    found = list(search.perform_resources_iter(fhirclient_server))
    assert len(found) == 3 * SITTINGS
    assert [one.effectiveDateTime.isostring for one in found] == sorted(one.effectiveDateTime.isostring for one in found)
    with_others = observation.where({"patient": desk.patient, "code": LOINC_MEAN}).include("subject").include("device")
    kinds = [type(one).__name__ for one in with_others.perform_resources_iter(fhirclient_server)]
    assert (kinds.count("Observation"), kinds.count("Patient"), kinds.count("Device")) == (SITTINGS, 1, 1)
    patients = fhirclient.models.patient.Patient.where({"identifier": SUBJECT["identifier"]["value"]})
    assert [one.id for one in patients.perform_resources_iter(fhirclient_server)] == [desk.patient]
    with pytest.raises(FHIRNotFoundException):
        observation.read("none", fhirclient_server)


def entries(answer: httpx.Response) -> list[dict[str, Any]]:
    assert answer.status_code == 200, answer.text[:300]
    found: list[dict[str, Any]] = [entry["resource"] for entry in answer.json().get("entry", [])]
    return found


def test_what_bulk_clients_crawl(desk: Desk) -> None:
    """smart_fetch 1.0.3 ``crawl``: metadata without a token, the person by identifier, eight categories, changes since."""
    with desk.server.client_of(None) as stranger:
        told = stranger.get("/fhir/R4/metadata", headers={"Accept": "application/json"})
    kinds = {one["type"]: one for one in told.json()["rest"][0]["resource"]}
    assert any(one["name"] == "_lastUpdated" for one in kinds["Patient"]["searchParam"])
    identifier = SUBJECT["identifier"]
    found = entries(desk.get(f"Patient?identifier={identifier['system']}|{identifier['value']}"))
    assert [one["id"] for one in found] == [desk.patient]
    categories = "social-history,vital-signs,imaging,laboratory,survey,exam,procedure,therapy,activity"
    page = desk.get(f"Observation?patient={desk.patient}&category={categories.replace(',', '%2C')}")
    assert page.json()["total"] == SITTINGS * 7
    assert entries(desk.get(f"Observation?patient={desk.patient}&category=vital-signs&_lastUpdated=gt2100-01-01")) == []


def test_what_a_test_pack_for_any_server_asks(desk: Desk) -> None:
    """pyrofile's base-r4 pack: read with its headers, vread, _id, _count with the self link, _history, 404, the media type."""
    name = f"{desk.stored[0]['id']}-r0"
    read = desk.get(f"Observation/{name}", Accept="application/fhir+json")
    assert read.headers["ETag"] == 'W/"1"' and "Last-Modified" in read.headers
    assert desk.get(f"Observation/{name}/_history/1").json() == read.json()
    assert [one["id"] for one in entries(desk.get(f"Observation?_id={name}"))] == [name]
    one = desk.get("Observation?_count=1").json()
    assert len(one["entry"]) == 1
    assert [link["relation"] for link in one["link"]] == ["self", "next"]
    history = desk.get(f"Observation/{name}/_history").json()
    assert history["type"] == "history" and history["total"] == 1 and faults_of(history) == []
    missing = desk.get("Observation/none")
    assert missing.status_code == 404 and missing.json()["resourceType"] == "OperationOutcome"


def test_a_walk_over_every_type_meets_each_resource_once(desk: Desk) -> None:
    """pyrofile's scan: metadata, then each type, following next links of the same origin."""
    told = desk.get("metadata").json()["rest"][0]["resource"]
    for kind in (one for one in told if {"code": "search-type"} in one["interaction"]):
        ids, url = [], f"{desk.base}/{kind['type']}?_count=10"
        while url:
            assert url.startswith(desk.base)
            page = desk.get(url.removeprefix(f"{desk.base}/")).json()
            ids += [entry["resource"]["id"] for entry in page.get("entry", [])]
            assert all(faults_of(entry["resource"]) == [] for entry in page.get("entry", []))
            url = next((link["url"] for link in page["link"] if link["relation"] == "next"), "")
        assert len(ids) == len(set(ids)) > 0, kind["type"]


def test_what_fhirpy_counts_with(desk: Desk) -> None:
    counted = desk.get(f"Observation?patient={desk.patient}&_count=0&_totalMethod=count").json()
    assert counted["total"] == SITTINGS * 7 and "entry" not in counted
    assert all("_totalMethod" not in link["url"] for link in counted["link"])
