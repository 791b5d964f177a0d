"""Bulk export over HTTP: kick-off, polling, manifest, files, and what is refused. Source: Bulk Data Access 3."""

from __future__ import annotations

import gzip
import json
import time
import zlib
from typing import Any
from urllib.parse import parse_qsl, urlencode, urlsplit
from uuid import uuid4

import httpx
import pytest

from api.serving import Server, serving
from api.test_authorization import Client
from api.test_fhir import BASE, outcome
from api.test_reading_sets import void, whole_set
from quietcuff.application.bulk.worker import ExportWorker

PUBLIC = "https://bp.example.org"
Manifest = dict[str, Any]
Resources = dict[str, list[dict[str, Any]]]


def begin(client: httpx.Client, path: str = "$export", **parameters: str) -> str:
    """Begin an export; the path of its status."""
    answer = client.get(f"{BASE}/{path}", params=parameters or None, headers={"Prefer": "respond-async"})
    assert answer.status_code == 202, answer.text
    return here(answer.headers["Content-Location"])


def here(url: str) -> str:
    assert url.startswith(f"{PUBLIC}{BASE}/bulk/")
    return url.removeprefix(PUBLIC)


def finished(client: httpx.Client, path: str) -> Manifest:
    """Poll as told until the manifest is there, the first time soon: what is small is done by then."""
    time.sleep(0.1)
    for _ in range(100):
        answer = client.get(path, headers={"Accept": "application/json"})
        if answer.status_code == 200:
            manifest: Manifest = answer.json()
            return manifest
        assert answer.status_code == 202, answer.text
        assert 0 < len(answer.headers["X-Progress"]) < 100
        time.sleep(0.6 * float(answer.headers["Retry-After"]))
    raise AssertionError("the export does not end")


def exported(client: httpx.Client, path: str = "$export", **parameters: str) -> tuple[Manifest, Resources]:
    """A whole export: its manifest and its resources by type. It is ended afterwards."""
    status = begin(client, path, **parameters)
    manifest = finished(client, status)
    resources = {kind: lines_of(client, manifest["output"], kind) for kind in {item["type"] for item in manifest["output"]}}
    assert client.delete(status).status_code == 202
    return manifest, resources


def lines_of(client: httpx.Client, items: list[dict[str, Any]], kind: str) -> list[dict[str, Any]]:
    found = []
    for item in items:
        if item["type"] == kind:
            answer = client.get(here(item["url"]), headers={"Accept": "application/fhir+ndjson"})
            assert answer.status_code == 200, answer.text
            assert answer.headers["Content-Type"].startswith("application/fhir+ndjson")
            lines = [json.loads(line) for line in answer.text.splitlines()]
            assert len(lines) == item["count"]
            found += lines
    return found


def ids(resources: list[dict[str, Any]]) -> list[str]:
    return sorted(resource["id"] for resource in resources)


def found_by_search(client: httpx.Client, query: str) -> list[dict[str, Any]]:
    """All pages of a search."""
    found, url = [], f"{BASE}/Observation?_count=200&{query}"
    while url:
        page = client.get(url).json()
        found += [entry["resource"] for entry in page.get("entry", [])]
        url = next((link["url"].removeprefix(PUBLIC) for link in page["link"] if link["relation"] == "next"), "")
    return found


@pytest.fixture
def clinic(service: Server, request: pytest.FixtureRequest) -> Any:
    """A client of a tenant of its own, on a server of either kind."""
    with service.client(tenant=f"bulk-{uuid4()}") as made:
        yield made


def test_an_export_holds_what_searches_find(clinic: httpx.Client) -> None:
    for _ in range(3):
        whole_set(clinic)
    manifest, resources = exported(clinic)
    assert manifest["request"] == f"{PUBLIC}{BASE}/$export"
    assert manifest["requiresAccessToken"] is True
    assert (manifest["deleted"], manifest["error"]) == ([], [])
    assert set(resources) == {"Patient", "Device", "Observation", "Provenance"}
    found = found_by_search(clinic, "")
    assert sorted(resources["Observation"], key=lambda one: one["id"]) == sorted(found, key=lambda one: one["id"])
    for kind in ("Patient", "Device", "Provenance"):
        for resource in resources[kind]:
            assert clinic.get(f"{BASE}/{kind}/{resource['id']}").json() == resource
    references = {reference for one in resources["Provenance"] for reference in (t["reference"] for t in one["target"])}
    assert references == {f"Observation/{one['id']}" for one in found}


def test_only_what_changed_is_exported_since_the_moment_of_the_export_before(clinic: httpx.Client) -> None:
    path, _ = whole_set(clinic)
    first, _ = exported(clinic)
    nothing, none = exported(clinic, _since=first["transactionTime"])
    assert (nothing["output"], none) == ([], {})
    body = {"reason": "typed wrongly", "changes": [{"change": "amend-reading", "index": 2, "set": {"systolic_mmhg": 151}}]}
    assert clinic.post(f"{path}/corrections", json=body, headers={"If-Match": '"1"'}).status_code == 200
    _, changed = exported(clinic, _since=nothing["transactionTime"])
    set_id = path.rpartition("/")[2]
    assert ids(changed["Observation"]) == [f"{set_id}-mean", f"{set_id}-r2"]
    assert ids(changed["Provenance"]) == [f"{set_id}-v2"]
    assert set(changed) == {"Observation", "Provenance"}
    _, until = exported(clinic, _until=first["transactionTime"], _type="Observation")
    assert f"{set_id}-r2" not in ids(until["Observation"]) and f"{set_id}-r0" in ids(until["Observation"])


def test_what_was_taken_back_is_exported_as_entered_in_error(clinic: httpx.Client) -> None:
    path, _ = whole_set(clinic)
    first, _ = exported(clinic)
    clinic.post(f"{path}/corrections", json=void(0), headers={"If-Match": '"1"'})
    manifest, changed = exported(clinic, _since=first["transactionTime"], _type="Observation")
    statuses = {one["id"].rpartition("-")[2]: one["status"] for one in changed["Observation"]}
    assert statuses["r0"] == "entered-in-error"
    assert manifest["deleted"] == []


def test_types_filters_and_elements_narrow_an_export(clinic: httpx.Client) -> None:
    whole_set(clinic)
    _, means = exported(clinic, _type="Observation", _typeFilter="Observation?code=96607-7")
    assert [one["code"]["coding"][0]["code"] for one in means["Observation"]] == ["96607-7"]
    assert set(means) == {"Observation"}
    _, either = exported(
        clinic,
        _type="Observation,Provenance",
        _typeFilter="Observation?code=96607-7%2C8867-4&status=final,Observation?code=85354-9&date=lt1990",
    )
    assert {one["code"]["coding"][0]["code"] for one in either["Observation"]} == {"96607-7", "8867-4"}
    assert len(either["Provenance"]) == 1
    _, none = exported(clinic, _typeFilter="Observation?date=lt1990", _type="Observation,Provenance")
    assert none == {}
    _, parts = exported(clinic, _type="Observation", _elements="Observation.effectivePeriod,Patient.gender")
    assert len([one for one in parts["Observation"] if "effectivePeriod" in one]) == 1
    mandatory = {"resourceType", "id", "meta", "status", "code"}
    assert all(mandatory <= set(one) and not {"component", "note", "method"} & set(one) for one in parts["Observation"])
    assert all(one["meta"]["tag"][0]["code"] == "SUBSETTED" for one in parts["Observation"])


def test_the_types_may_be_repeated(clinic: httpx.Client) -> None:
    whole_set(clinic)
    status = begin(clinic, "$export?_type=Patient&_type=Device&_outputFormat=ndjson")
    assert {item["type"] for item in finished(clinic, status)["output"]} == {"Patient", "Device"}


def test_an_export_may_be_posted_and_name_its_patients(clinic: httpx.Client) -> None:
    _, one = whole_set(clinic)
    whole_set(clinic)
    body = parameters(_type="Patient,Observation", patient=f"Patient/{one['subject_id']}", _outputFormat="ndjson")
    answer = clinic.post(f"{BASE}/Patient/$export", json=body, headers={"Content-Type": "application/fhir+json"})
    assert answer.status_code == 202, answer.text
    manifest = finished(clinic, here(answer.headers["Content-Location"]))
    assert ids(lines_of(clinic, manifest["output"], "Patient")) == [one["subject_id"]]
    found = lines_of(clinic, manifest["output"], "Observation")
    assert {resource["subject"]["reference"] for resource in found} == {f"Patient/{one['subject_id']}"}
    assert manifest["request"] == f"{PUBLIC}{BASE}/Patient/$export"


def parameters(**values: str) -> dict[str, Any]:
    made = [{"name": name, "valueString": value} for name, value in values.items() if name != "patient"]
    if "patient" in values:
        made.append({"name": "patient", "valueReference": {"reference": values["patient"]}})
    return {"resourceType": "Parameters", "parameter": made}


@pytest.mark.parametrize(
    ("query", "code"),
    [
        ("_type=Condition", "not-supported"),
        ("_type=", "not-supported"),
        ("_outputFormat=application/fhir%2Bjson", "not-supported"),
        ("includeAssociatedData=LatestProvenanceResources", "not-supported"),
        ("patient=Patient/x", "not-supported"),
        ("colour=red", "not-supported"),
        ("_typeFilter=Condition?code=x", "not-supported"),
        ("_typeFilter=Observation", "not-supported"),
        ("_typeFilter=Observation%3Fcolour=red", "not-supported"),
        ("_typeFilter=Observation?_sort=date", "not-supported"),
        ("_typeFilter=Observation?date=yesterday", "value"),
        ("_type=Patient&_typeFilter=Observation?code=96607-7", "not-supported"),
        ("_since=yesterday", "value"),
        ("_since=ge2026-01-01", "value"),
        ("_elements=Observation.component.code", "not-supported"),
        ("_since=%FF", "invalid"),
    ],
)
def test_what_is_not_offered_is_refused(client: httpx.Client, query: str, code: str) -> None:
    outcome(client.get(f"{BASE}/$export?{query}"), 400, code)


def test_every_fault_is_told_at_once(client: httpx.Client) -> None:
    found = outcome(client.get(f"{BASE}/$export?_type=Condition&_since=yesterday&colour=red"), 400, "not-supported")
    assert [issue["expression"] for issue in found["issue"]] == [["http._type"], ["http._since"], ["http.colour"]]


@pytest.mark.parametrize(
    "body", [b"", b"no json", b"[]", b'{"resourceType":"Patient"}', b'{"resourceType":"Parameters","parameter":[{}]}']
)
def test_a_body_that_is_no_parameters_is_refused(client: httpx.Client, body: bytes) -> None:
    headers = {"Content-Type": "application/fhir+json"}
    assert client.post(f"{BASE}/$export", content=body, headers=headers).status_code == 400
    outcome(client.post(f"{BASE}/$export", json=parameters(patient="Patient/x")), 400, "not-supported")
    outcome(client.post(f"{BASE}/Patient/$export", json=parameters(patient="Patient/x")), 400, "value")


def test_a_lenient_client_is_told_what_was_not_heeded(clinic: httpx.Client) -> None:
    whole_set(clinic)
    query = "_type=Patient,Condition&colour=red&_typeFilter=Condition?code=x"
    answer = clinic.get(f"{BASE}/$export?{query}", headers={"Prefer": "respond-async, handling=lenient"})
    manifest = finished(clinic, here(answer.headers["Content-Location"]))
    assert {item["type"] for item in manifest["output"]} == {"Patient"}
    notes = lines_of(clinic, manifest["error"], "OperationOutcome")
    assert [note["issue"][0]["severity"] for note in notes] == ["warning"] * 3
    assert {note["issue"][0]["details"]["text"].split(" ")[0] for note in notes} == {"_type", "colour", "_typeFilter"}


def test_a_file_is_sent_compressed_when_that_is_accepted(clinic: httpx.Client) -> None:
    whole_set(clinic)
    status = begin(clinic, _type="Observation")
    manifest = finished(clinic, status)
    url = here(manifest["output"][0]["url"])
    plain = clinic.get(url, headers={"Accept-Encoding": "identity"})
    assert "Content-Encoding" not in plain.headers
    assert int(plain.headers["Content-Length"]) == len(plain.content)
    with clinic.stream("GET", url, headers={"Accept-Encoding": "gzip"}) as packed:
        raw = b"".join(packed.iter_raw())
        assert packed.headers["Content-Encoding"] == "gzip"
        assert int(packed.headers["Content-Length"]) == len(raw) < len(plain.content) / 4
    assert gzip.decompress(raw) == plain.content
    # One member: a reader that stops after the first has everything.
    one = zlib.decompressobj(zlib.MAX_WBITS | 16)
    assert (one.decompress(raw), one.eof, one.unused_data) == (plain.content, True, b"")
    assert clinic.get(url, headers={"Accept-Encoding": "gzip;q=0"}).headers.get("Content-Encoding") is None


def test_a_file_is_split_at_its_number_of_resources(sqlite_files: Any) -> None:
    with serving(sqlite_files.new(), export_file_resources=7) as server, server.client() as client:
        for _ in range(3):
            whole_set(client)
        manifest = finished(client, begin(client, _type="Observation"))
        counts = [item["count"] for item in manifest["output"]]
        found = lines_of(client, manifest["output"], "Observation")
        assert counts[:-1] == [7] * (len(counts) - 1) and len(counts) > 3 and 0 < counts[-1] <= 7
        assert ids(found) == ids(found_by_search(client, ""))


def test_an_export_that_was_ended_is_gone(clinic: httpx.Client) -> None:
    whole_set(clinic)
    status = begin(clinic, _type="Patient")
    url = here(finished(clinic, status)["output"][0]["url"])
    expires = clinic.get(status).headers["Expires"]
    assert expires.endswith("GMT")
    assert (clinic.delete(status).status_code, clinic.get(url).status_code) == (202, 404)
    outcome(clinic.get(status), 404, "not-found")
    outcome(clinic.delete(status), 404, "not-found")
    outcome(clinic.get(f"{BASE}/bulk/{uuid4()}"), 404, "not-found")
    outcome(clinic.get(f"{BASE}/bulk/nonsense/1"), 404, "not-found")


def test_the_trail_notes_exports_and_downloads(clinic: httpx.Client) -> None:
    status = begin(clinic, _type="Device")
    for item in finished(clinic, status)["output"]:
        clinic.get(here(item["url"]))
    clinic.delete(status)
    events = [entry["resource"] for entry in clinic.get(f"{BASE}/AuditEvent").json()["entry"]]
    actions = [event["subtype"][1]["code"] for event in events]
    assert sorted(actions) == ["end-export", "read-export", "start-export"]


def test_other_tenants_and_smaller_scopes_see_nothing(service: Server) -> None:
    tenant = f"bulk-{uuid4()}"
    with service.client(tenant=tenant) as owner, service.client(tenant="other") as other:
        whole_set(owner)
        status = begin(owner, _type="Observation")
        url = here(finished(owner, status)["output"][0]["url"])
        for path in (status, url):
            outcome(other.get(path), 404, "not-found")
        outcome(other.delete(status), 404, "not-found")
        with service.client(tenant=tenant, scopes="system/Patient.rs") as narrow:
            for path in (status, url):
                outcome(narrow.get(path), 403, "forbidden")
            outcome(narrow.get(f"{BASE}/$export?_type=Observation"), 403, "forbidden")
            _, own = exported(narrow)
            assert set(own) == {"Patient"}
        with service.client(tenant=tenant, scopes="system/Observation.r") as reader:
            outcome(reader.get(f"{BASE}/$export"), 403, "forbidden")
        with service.client_of(None) as stranger:
            for path in (status, url, f"{BASE}/$export"):
                outcome(stranger.get(path), 401, "login")
        assert owner.get(url).status_code == 200


def test_a_narrowed_scope_narrows_the_export_and_opens_no_other(service: Server) -> None:
    tenant = f"bulk-{uuid4()}"
    with service.client(tenant=tenant) as owner:
        whole_set(owner)
        status = begin(owner, _type="Observation")
        url = here(finished(owner, status)["output"][0]["url"])
        means_only = "system/Observation.rs?code=http://loinc.org|96607-7"
        with service.client(tenant=tenant, scopes=means_only) as narrow:
            _, own = exported(narrow)
            assert [one["code"]["coding"][0]["code"] for one in own["Observation"]] == ["96607-7"]
            _, none = exported(narrow, _typeFilter="Observation?code=85354-9")
            assert none == {}
            outcome(narrow.get(url), 403, "forbidden")
            outcome(narrow.get(status), 403, "forbidden")


def test_a_client_with_a_narrower_token_does_not_read_its_own_wider_export(service: Server) -> None:
    tenant = f"bulk-{uuid4()}"
    client = Client(service, tenant=tenant)
    readings, means = (f"system/Observation.rs?code=http://loinc.org|{code}" for code in ("85354-9", "96607-7"))
    with service.client(tenant=tenant) as owner:
        whole_set(owner)
    tokens = {scope: client.token(scope) for scope in ("system/Observation.rs", readings, means)}
    wide, narrow, other = (service.client_of(token) for token in tokens.values())
    with wide, narrow, other:
        for began, others in ((wide, (narrow, other)), (narrow, (other,))):
            status = begin(began, _type="Observation")
            url = here(finished(began, status)["output"][0]["url"])
            for one in others:
                outcome(one.get(url), 403, "forbidden")
                outcome(one.get(status), 403, "forbidden")
                outcome(one.delete(status), 403, "forbidden")
            assert wide.get(url).status_code == began.get(url).status_code == 200


def test_asking_too_soon_or_for_too_much_is_told_to_wait(clinic: httpx.Client, monkeypatch: pytest.MonkeyPatch) -> None:
    async def idle(worker: ExportWorker) -> int:
        return 0

    monkeypatch.setattr(ExportWorker, "work", idle)
    statuses = [begin(clinic) for _ in range(3)]
    refused = clinic.get(f"{BASE}/$export")
    outcome(refused, 429, "throttled")
    assert int(refused.headers["Retry-After"]) > 0
    assert clinic.get(statuses[0]).status_code == 202
    soon = clinic.get(statuses[0])
    outcome(soon, 429, "throttled")
    assert int(soon.headers["Retry-After"]) >= 1
    for status in statuses:
        assert clinic.delete(status).status_code == 202
    assert clinic.delete(begin(clinic)).status_code == 202


def test_the_very_requests_that_the_client_sends_are_understood(client: httpx.Client) -> None:
    """The kick-off of smart_fetch 1.0.3, as it goes over the wire: inner commas still encoded after one decode."""
    whole_set(client)
    categories = "social-history,vital-signs,imaging,laboratory,survey,exam,procedure,therapy,activity"
    query = urlencode(
        {
            "_type": "Observation,Patient",
            "_typeFilter": f"Observation?category={categories}".replace(",", "%2C"),
            "_since": "2020-01-01T00:00:00+00:00",
        }
    )
    assert "%252C" in query
    assert dict(parse_qsl(urlsplit(f"?{query}").query))["_typeFilter"].count("%2C") == 8
    headers = {"Accept": "application/fhir+json", "Prefer": "respond-async"}
    answer = client.get(f"/fhir/R4/$export?{query}", headers=headers)
    assert answer.status_code == 202
    manifest = finished(client, urlsplit(answer.headers["Content-Location"]).path)
    assert {item["type"] for item in manifest["output"]} == {"Observation", "Patient"}
    assert all({"type", "url"} <= item.keys() for item in manifest["output"])
    assert client.delete(urlsplit(answer.headers["Content-Location"]).path).status_code == 202
    assert client.delete(begin(client)).status_code == 202
