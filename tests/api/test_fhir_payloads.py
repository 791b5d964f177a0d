"""FHIR resources over HTTP: stored, corrected, known again, refused and kept, and our own carried into another tenant."""

from __future__ import annotations

import base64
import copy
import json
from concurrent.futures import ThreadPoolExecutor
from typing import Any
from uuid import uuid4

import httpx
import pytest

from api.serving import Server, problem
from quietcuff.api.examples import example

FHIR = "/v1/device-payloads/fhir"
FHIR_JSON = {"Content-Type": "application/fhir+json"}
Resource = dict[str, Any]


def panel(systolic: float = 142, *, minute: int = 0, person: str | None = None, **changes: Any) -> Resource:
    """A reading of somebody new unless a person is named, with an identifier of its own."""
    made = example("fhir-observation")
    made["subject"] = {"identifier": {"system": "urn:example:mrn", "value": person or str(uuid4())}}
    made["identifier"] = [{"system": "urn:example:observation", "value": str(uuid4())}]
    made["effectiveDateTime"] = f"2026-05-04T09:{minute:02}:00+02:00"
    made["component"][0]["valueQuantity"]["value"] = systolic
    return {name: value for name, value in (made | changes).items() if value is not None}


def bundle(*resources: Resource) -> Resource:
    return {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": one} for one in resources]}


def post(client: httpx.Client, resource: Resource | bytes) -> httpx.Response:
    body = resource if isinstance(resource, bytes) else json.dumps(resource).encode()
    return client.post(FHIR, content=body, headers=FHIR_JSON)


def sent(client: httpx.Client, status: int, resource: Resource | bytes) -> dict[str, Any]:
    answer = post(client, resource)
    assert answer.status_code == status, answer.text[:800]
    found: dict[str, Any] = answer.json()
    assert set(found) == {"payload_id", "reading_sets", "replayed", "refused"}
    return found


def readings_of(client: httpx.Client, set_id: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = client.get(f"/v1/reading-sets/{set_id}").json()["reading_set"]["readings"]
    return found


def test_a_reading_opens_a_set_and_the_next_one_joins_it(desk: httpx.Client) -> None:
    person = str(uuid4())
    first = sent(desk, 201, panel(142, person=person))
    second = sent(desk, 201, panel(138, minute=2, person=person))
    (opened,), (joined,) = first["reading_sets"], second["reading_sets"]
    assert (joined["id"], joined["version"], joined["closed"]) == (opened["id"], 2, False)
    assert [one["systolic_mmhg"] for one in joined["reading_set"]["readings"]] == [142, 138]
    kept = desk.get(f"/v1/payloads/{second['payload_id']}").json()
    versions = desk.get(f"/v1/reading-sets/{opened['id']}/versions").json()["items"]
    assert [one["payload_id"] for one in versions] == [first["payload_id"], second["payload_id"]]
    assert (kept["kind"], kept["made"]) == ("fhir", [{"set_id": opened["id"], "version": 2, "readings": [1]}])


def test_what_is_sent_again_is_known_and_what_is_corrected_or_taken_back_is_changed(desk: httpx.Client) -> None:
    resource = panel(142, extension=[{"url": "urn:example:mood", "valueString": "calm"}])
    first = sent(desk, 201, resource)
    again = sent(desk, 200, resource)
    assert (again["replayed"], again["payload_id"]) == (1, first["payload_id"])
    assert again["reading_sets"] == first["reading_sets"]
    kept = desk.get(f"/v1/payloads/{first['payload_id']}").json()
    assert json.loads(base64.b64decode(kept["body_base64"])) == resource
    set_id = first["reading_sets"][0]["id"]

    other = copy.deepcopy(resource)
    other["component"][0]["valueQuantity"]["value"] = 139
    told = problem(post(desk, other), 422, "not-acceptable")
    assert [fault["code"] for fault in told["errors"]] == ["differs-from-stored"]
    assert readings_of(desk, set_id)[0]["systolic_mmhg"] == 142
    corrected = sent(desk, 201, {**other, "status": "corrected"})
    assert (corrected["reading_sets"][0]["id"], corrected["reading_sets"][0]["version"]) == (set_id, 2)
    assert readings_of(desk, set_id)[0]["systolic_mmhg"] == 139

    gone = sent(desk, 201, {**other, "status": "entered-in-error", "component": []})
    assert readings_of(desk, set_id)[0]["voided"] and gone["reading_sets"][0]["version"] == 3
    assert sent(desk, 200, {**other, "status": "entered-in-error"})["replayed"] == 1


def test_a_bundle_of_two_people_and_two_days_opens_a_set_for_each(desk: httpx.Client) -> None:
    one, other = str(uuid4()), str(uuid4())
    yesterday = panel(150, person=one, effectiveDateTime="2026-05-03T21:00:00+02:00")
    found = sent(desk, 201, bundle(panel(person=one), yesterday, panel(person=other), panel(minute=2, person=one)))
    assert sorted(len(each["reading_set"]["readings"]) for each in found["reading_sets"]) == [1, 1, 2]
    assert len({each["subject_id"] for each in found["reading_sets"]}) == 2


def test_a_person_of_this_service_is_known_by_the_id_it_gave(desk: httpx.Client) -> None:
    stored = sent(desk, 201, panel())["reading_sets"][0]
    again = panel(minute=3, subject={"reference": f"Patient/{stored['subject_id']}"})
    assert sent(desk, 201, again)["reading_sets"][0]["id"] == stored["id"]
    unknown = problem(post(desk, panel(subject={"reference": f"Patient/{uuid4()}"})), 422, "not-acceptable")
    assert [(fault["pointer"], fault["code"]) for fault in unknown["errors"]] == [("/subject", "not-identified")]


def test_what_is_refused_in_a_bundle_is_listed_repaired_and_replayed(desk: httpx.Client) -> None:
    person = str(uuid4())
    nobody = panel(minute=2, subject=None)
    found = sent(desk, 201, bundle(panel(person=person), nobody))
    (refused,) = found["refused"]
    assert (refused["place"], refused["code"]) == ("/entry/1/resource/subject", "not-identified")
    assert refused["refused_payload_id"] in {one["id"] for one in desk.get("/v1/refused-payloads").json()["items"]}
    nobody["subject"] = {"identifier": {"system": "urn:example:mrn", "value": person}}
    repaired = {"text": json.dumps(bundle(nobody))}
    answer = desk.post(f"/v1/refused-payloads/{refused['refused_payload_id']}/replay", json=repaired)
    assert answer.status_code == 201 and answer.json()["reading_sets"][0]["id"] == found["reading_sets"][0]["id"]
    settled = desk.get(f"/v1/refused-payloads/{refused['refused_payload_id']}").json()
    assert settled["settled_by"] == answer.json()["payload_id"]


@pytest.mark.parametrize(
    ("body", "status", "slug", "code"),
    [
        (b"\xff\xfe{", 400, "not-readable", "not-json"),
        (b'{"resourceType": "\xff"}', 400, "not-readable", "not-utf-8"),
        (b"[" * 5_000, 400, "not-readable", "too-deep"),
        (b'{"resourceType": "Patient"}', 422, "not-acceptable", "unknown-code"),
        (json.dumps(panel(code={"text": "Body weight"}, component=None)).encode(), 422, "not-acceptable", "no-reading"),
    ],
)
def test_what_is_no_reading_at_all_is_kept(client: httpx.Client, body: bytes, status: int, slug: str, code: str) -> None:
    told = problem(post(client, body), status, slug)
    (fault,) = told["errors"]
    assert fault["code"] == code
    refused = client.get(f"/v1/refused-payloads/{fault['refused_payload_id']}").json()
    kept = client.get(f"/v1/payloads/{refused['payload_id']}").json()
    assert base64.b64decode(kept["body_base64"]) == body


def test_only_fhir_json_is_taken(client: httpx.Client) -> None:
    problem(client.post(FHIR, json=panel()), 415, "unsupported-media-type")
    big = panel(note=[{"text": "x" * 300_000}])
    problem(post(client, big), 413, "too-large")


def test_twenty_systems_with_the_same_reading_store_one(service: Server) -> None:
    resource = panel()
    with service.client() as client, ThreadPoolExecutor(20) as pool:
        answers = list(pool.map(lambda _: post(client, resource), range(20)))
    assert sorted(answer.status_code for answer in answers) == [200] * 19 + [201]
    assert len({one["id"] for answer in answers for one in answer.json()["reading_sets"]}) == 1


# What FHIR carries of a sitting: context, cuff, arm and protocol are no part of it.
CARRIED: dict[str, dict[str, Any]] = {
    "first visit, both arms, pulses, flags and a failed attempt": {
        "device": {
            "identifier": {"system": "urn:example:device", "value": "SN-0077"},
            "kind": "automatic",
            "site": "upper-arm",
            "validated": "yes",
            "manufacturer": "Example Instruments",
            "model": "E-1",
            "serial_number": "77",
        },
        "observer": {"system": "urn:example:staff", "value": "n-17"},
        "location": {"system": "urn:example:room", "value": "3"},
        "encounter": {"system": "urn:example:visit", "value": "v-1"},
        "based_on": {"system": "urn:example:order", "value": "o-1"},
        "cuff": {"size": "adult", "range_cm": [27, 34]},
        "readings": [
            ("left", 142, 88, {"pulse_per_min": 72, "mean_arterial_mmhg": 106.5}),
            ("right", None, None, {"device_flags": ["cuff-loose", "measurement-failed"]}),
            ("right", 150.5, 92, {"device_flags": ["irregular-pulse"], "rhythm": "irregular"}),
            ("right", 146, 90, {"observer": {"system": "urn:example:staff", "value": "n-18"}}),
            ("right", 144, 90, {"pulse_per_min": 71.5, "cuff": {"size": "large adult"}}),
        ],
    },
    "two readings at home by a device described in place": {
        "setting": "home",
        "cuff": {"size": "large adult", "range_cm": [35, 44]},
        "device": {"kind": "semi-automatic", "site": "upper-arm", "validated": "yes"},
        "readings": [("left", 131, 79, {}), ("left", 128, 80, {})],
    },
    "unattended, and low": {
        "attendance": "unattended",
        "readings": [("right", 92, 58, {}), ("right", 94, 57, {}), ("right", 90, 55, {}), ("right", 91, 56, {})],
    },
}


def sitting_of(carried: dict[str, Any]) -> dict[str, Any]:
    """A whole sitting of somebody new."""
    person = {"identifier": {"system": "urn:example:mrn", "value": str(uuid4())}, "birth_date": "1971-01", "sex": "female"}
    readings = []
    for minute, (arm, systolic, diastolic, more) in enumerate(carried["readings"]):
        where = {"site": f"{arm}-upper-arm", "position": "sitting", "method": "oscillometric"}
        when = {"taken_at": f"2026-05-04T09:{minute:02}:00+02:00"}
        readings.append({**when, "systolic_mmhg": systolic, "diastolic_mmhg": diastolic, **where, **more})
    return {**carried, "subject": person, "readings": readings}


@pytest.mark.parametrize("name", CARRIED)
def test_our_own_bundle_gives_another_tenant_the_same_readings_and_evaluation(service: Server, name: str) -> None:
    with service.client() as here, service.client(tenant="elsewhere") as there:
        stored = here.post("/v1/reading-sets", json=sitting_of(CARRIED[name])).json()
        assert stored["evaluation"]["result"] is not None
        told = here.get(f"/v1/reading-sets/{stored['id']}/fhir").content
        carried = sent(there, 201, told)
        (copied,) = carried["reading_sets"]
        assert carried["refused"] == [] and copied["id"] != stored["id"]
        for part in (
            "readings",
            "setting",
            "attendance",
            "device",
            "cuff",
            "observer",
            "location",
            "encounter",
            "based_on",
            "closed",
        ):
            assert copied["reading_set"][part] == stored["reading_set"][part], part
        assert (copied["closed"], copied["evaluation"]) == (True, stored["evaluation"])
        # Back at home all of it is known, and nothing is doubled.
        home = sent(here, 200, told)
        assert (home["replayed"], home["refused"]) == (len(stored["reading_set"]["readings"]), [])
        assert home["reading_sets"][0]["version"] == 1


def test_our_own_reading_is_not_changed_from_outside(client: httpx.Client) -> None:
    stored = client.post("/v1/reading-sets", json=sitting_of(CARRIED["unattended, and low"])).json()
    told = json.loads(client.get(f"/v1/reading-sets/{stored['id']}/fhir").content)
    for entry in told["entry"]:
        if entry["resource"].get("id", "").endswith("-r0"):
            entry["resource"] |= {"status": "corrected"}
            entry["resource"]["component"][0]["valueQuantity"]["value"] = 99
    found = sent(client, 200, told)
    assert found["replayed"] == 3 and [part["code"] for part in found["refused"]] == ["differs-from-stored"]
    assert readings_of(client, stored["id"])[0]["systolic_mmhg"] == 92
