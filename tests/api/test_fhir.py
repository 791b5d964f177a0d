"""FHIR over HTTP: read, search, metadata; one format; every error an OperationOutcome."""

from __future__ import annotations

from typing import Any
from uuid import uuid4

import httpx
import pytest
from fhir.resources.R4B.bundle import Bundle
from fhir.resources.R4B.capabilitystatement import CapabilityStatement
from fhir.resources.R4B.operationoutcome import OperationOutcome

from api.test_reading_sets import named, reading, void, whole_set
from bodies import OPENED_SET

BASE = "/fhir/R4"


def outcome(answer: httpx.Response, status: int, code: str) -> dict[str, Any]:
    """The OperationOutcome that an answer is."""
    assert answer.status_code == status, answer.text[:500]
    assert answer.headers["Content-Type"] == "application/fhir+json; charset=utf-8"
    OperationOutcome.model_validate_json(answer.content)
    body: dict[str, Any] = answer.json()
    assert body["issue"][0]["code"] == code
    return body


def test_every_resource_of_a_sitting_is_read_with_its_version(desk: httpx.Client) -> None:
    path, envelope = whole_set(desk)
    for entry in desk.get(f"{path}/fhir").json()["entry"]:
        resource = entry["resource"]
        answer = desk.get(f"{BASE}/{resource['resourceType']}/{resource['id']}")
        assert answer.status_code == 200, (resource["resourceType"], resource["id"], answer.text)
        assert answer.headers["Content-Type"] == "application/fhir+json; charset=utf-8"
        assert answer.json() == resource
        assert entry["fullUrl"] == f"https://bp.example.org{BASE}/{resource['resourceType']}/{resource['id']}"
        held = desk.get(answer.url, headers={"If-None-Match": answer.headers["ETag"]})
        assert (held.status_code, held.content) == (304, b"")
    assert desk.get(f"{BASE}/Patient/{envelope['subject_id']}").json()["resourceType"] == "Patient"


def test_a_resource_not_changed_since_is_not_sent_again(desk: httpx.Client) -> None:
    path, _ = whole_set(desk)
    mean = f"{BASE}/Observation/{path.rpartition('/')[2]}-mean"
    answer = desk.get(mean)
    modified = answer.headers["Last-Modified"]
    assert desk.get(mean, headers={"If-Modified-Since": modified}).status_code == 304
    assert desk.get(mean, headers={"If-Modified-Since": "Mon, 01 Jan 2001 00:00:00 GMT"}).status_code == 200
    assert desk.get(mean, headers={"If-Modified-Since": "yesterday"}).status_code == 200


def test_one_corrected_reading_moves_itself_and_the_mean_and_nothing_else(desk: httpx.Client) -> None:
    path, _ = whole_set(desk)
    before = versions_of(desk, path)
    body = {"reason": "typed wrongly", "changes": [{"change": "amend-reading", "index": 2, "set": {"systolic_mmhg": 151}}]}
    desk.post(f"{path}/corrections", json=body, headers={"If-Match": '"1"'})
    after = versions_of(desk, path)
    set_id = path.rpartition("/")[2]
    assert {key for key in before if before[key] != after[key]} == {f"{set_id}-r2", f"{set_id}-mean"}


def versions_of(client: httpx.Client, path: str) -> dict[str, str]:
    resources = [entry["resource"] for entry in client.get(f"{path}/fhir").json()["entry"]]
    return {one["id"]: one["meta"]["versionId"] for one in resources if one["resourceType"] == "Observation"}


def test_a_history_is_paged_and_bounded_in_time(desk: httpx.Client) -> None:
    """Source: FHIR R4 http, history: _count, _since and _at."""
    path, _ = whole_set(desk)
    for version, systolic in enumerate((151, 152, 153), start=1):
        change = {"change": "amend-reading", "index": 2, "set": {"systolic_mmhg": systolic}}
        body = {"reason": "typed wrongly", "changes": [change]}
        assert desk.post(f"{path}/corrections", json=body, headers={"If-Match": f'"{version}"'}).status_code == 200
    url = f"{BASE}/Observation/{path.rpartition('/')[2]}-r2/_history"
    whole = desk.get(url).json()
    made = [entry["resource"]["meta"]["lastUpdated"] for entry in whole["entry"]]
    assert versions_in(whole) == ["4", "3", "2", "1"] and whole["total"] == 4
    pages, following = [], f"{url}?_count=3"
    while following:
        page = desk.get(following).json()
        Bundle.model_validate(page)
        assert page["total"] == 4
        pages.append(versions_in(page))
        following = next((link["url"].removeprefix("https://bp.example.org") for link in page["link"][1:]), "")
    assert pages == [["4", "3", "2"], ["1"]]
    assert versions_in(desk.get(url, params={"_count": 0}).json()) == []
    assert versions_in(desk.get(url, params={"_since": made[1]}).json()) == ["4", "3"]
    assert versions_in(desk.get(url, params={"_at": made[1]}).json())[-1] in ("2", "3")
    assert versions_in(desk.get(url, params={"_at": "2400"}).json()) == ["4"]
    assert versions_in(desk.get(url, params={"_at": "1900"}).json()) == []
    for name, value in (
        ("_count", "x"),
        ("_count", "-1"),
        ("_since", ""),
        ("_at", "ge2026"),
        ("_since", "9999-12-31"),
        ("_cursor", "x"),
    ):
        assert outcome(desk.get(url, params={name: value}), 400, "value")["issue"][0]["expression"] == [f"http.{name}"]
    outcome(desk.get(f"{url}?_count=1&_count=2"), 400, "invalid")
    outcome(desk.get(f"{url}?_list=x", headers={"Prefer": "handling=strict"}), 400, "not-supported")
    assert versions_in(desk.get(f"{url}?_list=x").json()) == ["4", "3", "2", "1"]


def versions_in(bundle: dict[str, Any]) -> list[str]:
    return [entry["resource"]["meta"]["versionId"] for entry in bundle.get("entry", [])]


def test_a_person_s_observations_are_found_and_paged(desk: httpx.Client) -> None:
    _, envelope = whole_set(desk)
    found = desk.get(f"{BASE}/Observation", params={"patient": envelope["subject_id"]})
    assert found.headers["Content-Type"] == "application/fhir+json; charset=utf-8"
    bundle = Bundle.model_validate_json(found.content)
    assert bundle.type == "searchset" and bundle.total == len(found.json()["entry"]) > 5
    ids, url = [], f"{BASE}/Observation?patient=Patient/{envelope['subject_id']}&_count=3"
    for _ in range(10):
        page = desk.get(url).json()
        ids += [entry["resource"]["id"] for entry in page["entry"]]
        following = [link["url"] for link in page["link"] if link["relation"] == "next"]
        if not following:
            break
        assert following[0].startswith("https://bp.example.org/fhir/R4/Observation?")
        url = following[0].removeprefix("https://bp.example.org")
    assert sorted(ids) == sorted(entry["resource"]["id"] for entry in found.json()["entry"])


def test_a_search_may_be_posted_as_a_form(desk: httpx.Client) -> None:
    _, envelope = whole_set(desk)
    form = {"patient": envelope["subject_id"], "code": "http://loinc.org|96607-7"}
    posted = desk.post(f"{BASE}/Observation/_search", data=form)
    got = desk.get(f"{BASE}/Observation", params=form)
    assert posted.status_code == 200, posted.text
    assert [entry["resource"] for entry in posted.json()["entry"]] == [entry["resource"] for entry in got.json()["entry"]]
    assert len(posted.json()["entry"]) == 1
    split = desk.post(f"{BASE}/Observation/_search?code=96607-7", data={"patient": envelope["subject_id"]})
    assert len(split.json()["entry"]) == 1
    outcome(desk.post(f"{BASE}/Observation/_search", json=form), 415, "not-supported")


def test_a_voided_reading_is_entered_in_error(desk: httpx.Client) -> None:
    path, _ = whole_set(desk)
    desk.post(f"{path}/corrections", json=void(0), headers={"If-Match": '"1"'})
    assert desk.get(f"{BASE}/Observation/{path.rpartition('/')[2]}-r0").json()["status"] == "entered-in-error"


@pytest.mark.parametrize(
    ("accept", "query"),
    [
        ("application/fhir+json", ""),
        ("application/json", ""),
        ("*/*", ""),
        ("text/html, application/*;q=0.5", ""),
        ("application/fhir+json;fhirVersion=4.0", ""),
        ("application/fhir+xml", "?_format=json"),
        ("application/fhir+xml", "?_format=application/fhir+json"),
        ("", "?_format=application/fhir%2Bjson"),
        ("APPLICATION/FHIR+JSON; q=0.2", ""),
        ('application/fhir+json; fhirVersion="4.0"', ""),
        ("application/json", "?_format="),
    ],
)
def test_json_is_answered_by_any_of_its_names(client: httpx.Client, accept: str, query: str) -> None:
    assert client.get(f"{BASE}/metadata{query}", headers={"Accept": accept}).status_code == 200


@pytest.mark.parametrize(
    ("accept", "query"),
    [
        ("application/fhir+xml", ""),
        ("text/html", ""),
        ("application/fhir+json", "?_format=xml"),
        ("*/*", "?_format=ttl"),
        ("application/fhir+json;q=0, text/html", ""),
        ("application/fhir+json; fhirVersion=3.0", ""),
    ],
)
def test_any_other_format_is_not_offered(client: httpx.Client, accept: str, query: str) -> None:
    headers = {"Accept": accept}
    for path in ("metadata", "Observation", f"Patient/{uuid4()}"):
        outcome(client.get(f"{BASE}/{path}{query}", headers=headers), 406, "not-supported")


def test_the_statement_is_open_and_says_what_is_there(stranger: httpx.Client) -> None:
    answer = stranger.get(f"{BASE}/metadata")
    statement = CapabilityStatement.model_validate_json(answer.content)
    assert statement.fhirVersion == "4.0.1"
    kinds = {resource["type"] for resource in answer.json()["rest"][0]["resource"]}
    own = {"CodeSystem", "Measure", "SearchParameter", "StructureDefinition"}
    assert kinds == {"AuditEvent", "Observation", "Patient", "Device", "Provenance", "Group", *own}


def test_errors_are_outcomes(client: httpx.Client, stranger: httpx.Client) -> None:
    outcome(stranger.get(f"{BASE}/Observation"), 401, "login")
    outcome(client.get(f"{BASE}/Observation/none"), 404, "not-found")
    outcome(client.get(f"{BASE}/Condition/1"), 404, "not-found")
    outcome(client.get(f"{BASE}/nothing/at/all"), 404, "not-found")
    outcome(client.get(BASE), 404, "not-found")
    outcome(client.post(f"{BASE}/", json={"resourceType": "Bundle", "type": "batch"}), 404, "not-found")
    outcome(client.delete(f"{BASE}/Observation"), 405, "not-supported")
    outcome(client.get(f"{BASE}/Observation?date=yesterday"), 400, "value")
    for date in ("9999", "9999-12", "le9999-12-31", "9999-12-31T23:59:59Z", "ap9999-12-31T23:59", "0001-01-01T00:00:00+14:00"):
        outcome(client.get(f"{BASE}/Observation", params={"date": date}), 400, "value")
    outcome(client.get(f"{BASE}/Observation?code=%FF"), 400, "invalid")
    outcome(client.get(f"{BASE}/Observation?colour=red", headers={"Prefer": "handling=strict"}), 400, "not-supported")
    assert client.get(f"{BASE}/Observation?colour=red").status_code == 200


def test_what_comes_along_of_what_came_along(desk: httpx.Client) -> None:
    """The mean of two devices has none itself; its readings have. Source: FHIR R4 search, 3.1.1.5.4, iterate."""
    names = [f"urn:example:device:{uuid4()}" for _ in range(2)]
    devices = [{"identifier": {"system": "urn:example:device", "value": name}} for name in names]
    readings = [reading(70 * place, 146, 90, device=devices[place % 2]) for place in range(4)]
    stored = desk.post("/v1/reading-sets", json=named(OPENED_SET, closed=True, readings=readings)).json()
    asked = [("_id", f"{stored['id']}-mean"), ("_include", "Observation:derived-from")]

    def along(*more: tuple[str, str]) -> list[str]:
        bundle = desk.get(f"{BASE}/Observation", params=[*asked, *more]).json()
        Bundle.model_validate(bundle)
        names = [f"{one['resource']['resourceType']}/{one['resource']['id']}" for one in bundle["entry"]]
        assert len(names) == len(set(names))
        return [name for name in names if name.startswith("Device/")]

    assert along(("_include", "Observation:device")) == []
    assert len(along(("_include:iterate", "Observation:device"))) == 2
    assert len(along(("_include:iterate", "*"), ("_revinclude:iterate", "Provenance:target"))) == 2


def test_a_chain_may_name_the_type_between(desk: httpx.Client) -> None:
    _, envelope = whole_set(desk)
    person = envelope["reading_set"]["subject"]["identifier"]
    wanted = f"{person['system']}|{person['value']}"
    totals = {
        desk.get(f"{BASE}/Observation", params={f"{name}.identifier": wanted}).json()["total"]
        for name in ("patient", "patient:Patient", "subject", "subject:Patient")
    }
    assert len(totals) == 1 and totals.pop() > 5


def test_an_order_a_visit_and_whoever_measured_are_found_by_every_form_of_identifier(desk: httpx.Client) -> None:
    """Source: FHIR R4 search, 3.2.1.5.5.2, the modifier :identifier."""
    system, orders = f"urn:example:{uuid4()}", ("a|1", "b")
    for value in orders:
        told = {"system": system, "value": value}
        body = named(OPENED_SET) | {"based_on": told, "encounter": told, "observer": told}
        desk.post("/v1/reading-sets", json=body).raise_for_status()

    def found(name: str, text: str) -> set[str]:
        bundle = desk.get(f"{BASE}/Observation", params={f"{name}:identifier": text, "_count": 200}).json()
        shown = [entry["resource"].get({"based-on": "basedOn"}.get(name, name)) for entry in bundle.get("entry", [])]
        pointed = [one if isinstance(one, dict) else one[0] for one in shown]
        return {one["identifier"]["value"] for one in pointed if one["identifier"]["system"] == system}

    for name in ("based-on", "encounter", "performer"):
        assert found(name, f"{system}|b") == {"b"}
        assert found(name, r"a\|1") == {"a|1"}
        assert found(name, "b") == {"b"}
        assert found(name, "1") == set() == found(name, f"{system}|1") == found(name, "|b")
        assert found(name, f"{system}|") == set(orders)
        assert found(name, rf"{system}|b,a\|1") == set(orders)
        assert "entry" not in desk.get(f"{BASE}/Observation", params={name: "Thing/1"}).json()
        lacking = desk.get(f"{BASE}/Observation", params={f"{name}:missing": "true", "_count": 200}).json()
        assert not any({"based-on": "basedOn"}.get(name, name) in entry["resource"] for entry in lacking.get("entry", []))


def test_an_open_set_has_no_final_mean(desk: httpx.Client) -> None:
    path, _ = whole_set(desk)
    desk.post(f"{path}/reopen", headers={"If-Match": '"1"'})
    desk.post(f"{path}/readings", json={"readings": [reading(280)]}, headers={"If-Match": '"2"'})
    statuses = {
        entry["resource"]["status"]
        for entry in desk.get(f"{path}/fhir").json()["entry"]
        if entry["resource"]["resourceType"] == "Observation"
    }
    assert statuses <= {"final", "preliminary", "amended", "corrected"}


# R4's elements with a minimum of one, and what is always shown.
LEAST = {
    "Observation": {"status", "code"},
    "Patient": set(),
    "Provenance": {"target", "recorded", "agent"},
    "AuditEvent": {"type", "recorded", "agent", "source"},
    "Device": set(),
}


def test_part_of_a_resource_is_read_and_found_with_what_must_stay_and_no_more(desk: httpx.Client) -> None:
    """Sources: FHIR R4 search, 3.1.1.5.9; http, 3.1.0.1.12: _summary and _elements of a read."""
    path, _ = whole_set(desk)
    for kind, least in LEAST.items():
        found = desk.get(f"{BASE}/{kind}", params={"_elements": "id", "_count": "1"}).json()["entry"][0]["resource"]
        url = f"{BASE}/{kind}/{found['id']}"
        for part in (found, desk.get(url, params={"_elements": "id"}).json(), desk.get(f"{url}?_summary=text").json()):
            assert set(part) == {"resourceType", "id", "meta"} | least
            assert part["meta"]["tag"][0]["code"] == "SUBSETTED"
        assert desk.get(url, params={"_summary": "false"}).json() == desk.get(url).json()
    set_id = path.rpartition("/")[2]
    for url in (f"{BASE}/Observation/{set_id}-mean", f"{BASE}/Observation/{set_id}-mean/_history/1"):
        part = desk.get(url, params={"_elements": "subject,effective"}).json()
        assert set(part) == {"resourceType", "id", "meta", "status", "code", "subject", "effectivePeriod"}
        assert "note" in desk.get(url).json() and "note" not in desk.get(url, params={"_summary": "true"}).json()
        outcome(desk.get(url, params={"_elements": "a b"}), 400, "value")
        outcome(desk.get(url, params={"_summary": "count"}), 400, "not-supported")


def test_a_search_is_sent_compressed_to_who_accepts_it(desk: httpx.Client) -> None:
    _, envelope = whole_set(desk)
    url, query = f"{BASE}/Observation", {"patient": envelope["subject_id"]}
    plain = desk.get(url, params=query, headers={"Accept-Encoding": "identity"})
    packed = desk.get(url, params=query, headers={"Accept-Encoding": "gzip"})
    refused = desk.get(url, params=query, headers={"Accept-Encoding": "gzip;q=0"})
    assert packed.headers["Content-Encoding"] == "gzip" and packed.headers["Vary"] == plain.headers["Vary"] == "Accept-Encoding"
    assert "Content-Encoding" not in plain.headers and "Content-Encoding" not in refused.headers
    assert int(packed.headers["Content-Length"]) < len(plain.content) // 4
    assert packed.json() == plain.json() == refused.json()


def test_the_last_of_each_code_is_asked_for_by_post_too(desk: httpx.Client) -> None:
    """Source: FHIR R4 operations, 3.2.0.2: a Parameters resource."""
    _, envelope = whole_set(desk)
    got = desk.get(f"{BASE}/Observation/$lastn", params={"patient": envelope["subject_id"], "max": "2", "code": "85354-9"})
    told = [
        {"name": "patient", "valueReference": {"reference": f"Patient/{envelope['subject_id']}"}},
        {"name": "max", "valuePositiveInt": 2},
        {"name": "code", "valueString": "85354-9"},
    ]
    posted = desk.post(f"{BASE}/Observation/$lastn", json={"resourceType": "Parameters", "parameter": told})
    assert posted.status_code == 200, posted.text
    assert posted.json()["entry"] == got.json()["entry"] and len(got.json()["entry"]) == 2
    split = desk.post(
        f"{BASE}/Observation/$lastn?code=85354-9&max=2", json={"resourceType": "Parameters", "parameter": told[:1]}
    )
    assert split.json()["entry"] == got.json()["entry"]
    outcome(desk.post(f"{BASE}/Observation/$lastn", json={"resourceType": "Bundle"}), 400, "invalid")


def test_what_devices_and_audited_actions_lack_is_found(desk: httpx.Client) -> None:
    """The service itself has neither identifier nor date; some actions are about nobody's data."""
    whole_set(desk)
    desk.get(f"{BASE}/$export", params={"_type": "Device"})

    def found(query: str) -> list[dict[str, Any]]:
        return [entry["resource"] for entry in desk.get(f"{BASE}/{query}&_count=200").json().get("entry", [])]

    for name in ("identifier", "_lastUpdated"):
        assert [one["id"] for one in found(f"Device?{name}:missing=true")] == ["quietcuff"]
        others = found(f"Device?{name}:missing=false")
        assert others and all("identifier" in one for one in others)
        assert found(f"Device?{name}:missing=true&{name}:missing=false") == []
    for is_missing in ("true", "false"):
        events = found(f"AuditEvent?patient:missing={is_missing}")
        assert events
        about = {any(str(of.get("what", {}).get("reference")).startswith("Patient/") for of in one["entity"]) for one in events}
        assert about == {is_missing == "false"}
    assert found("Patient?identifier:missing=true") == [] == found("Provenance?target:missing=true")
