"""People and devices over HTTP."""

from __future__ import annotations

from typing import Any
from uuid import uuid4

import httpx
import msgspec
import pytest

from api.serving import problem
from api.test_reading_sets import assert_whole
from bodies import DEVICE, OPENED_SET, SUBJECT
from quietcuff.api.openapi import DeviceRecord, SubjectRecord


def person(**more: Any) -> dict[str, Any]:
    return {**SUBJECT, "identifier": {"system": "urn:example:mrn", "value": str(uuid4())}, **more}


def device(**more: Any) -> dict[str, Any]:
    return {**DEVICE, "identifier": {"system": "urn:example:device", "value": str(uuid4())}, **more}


def test_a_person_is_registered_once_and_found_by_identifier(desk: httpx.Client) -> None:
    body = person()
    made = desk.post("/v1/subjects", json=body)
    assert (made.status_code, made.headers["ETag"]) == (201, '"1"')
    assert made.headers["Location"] == f"/v1/subjects/{made.json()['id']}"
    assert_whole(made.json(), SubjectRecord)
    assert desk.post("/v1/subjects", json=body).status_code == 200
    found = desk.post("/v1/subjects/find", json={"identifier": body["identifier"]})
    assert found.json() == {"id": made.json()["id"]}
    read = desk.get(made.headers["Location"])
    assert (read.headers["ETag"], read.json()["birth_date"]) == ('"1"', "1971-01-15")


def test_what_is_left_out_stays_and_null_clears(desk: httpx.Client) -> None:
    body = person()
    desk.post("/v1/subjects", json=body)
    changed = desk.post("/v1/subjects", json={"identifier": body["identifier"], "sex": None, "height_cm": 170})
    assert (changed.status_code, changed.headers["ETag"]) == (200, '"2"')
    known = changed.json()
    assert (known["sex"], known["height_cm"], known["birth_date"]) == (None, 170, "1971-01-15")


def test_a_stale_version_of_a_registry_is_refused(desk: httpx.Client) -> None:
    for path, body in (("/v1/subjects", person()), ("/v1/devices", device())):
        desk.post(path, json=body)
        problem(desk.post(path, json=body, headers={"If-Match": '"7"'}), 412, "version-stale")
        problem(desk.post(path, json=body, headers={"If-Match": "7"}), 400, "bad-header")
        assert desk.post(path, json=body, headers={"If-Match": '"1"'}).status_code == 200


def test_nobody_is_not_found(desk: httpx.Client) -> None:
    problem(desk.post("/v1/subjects/find", json={"identifier": person()["identifier"]}), 404, "not-found")
    for path in (f"/v1/subjects/{uuid4()}", "/v1/subjects/nobody", f"/v1/devices/{uuid4()}", "/v1/devices/none"):
        problem(desk.get(path), 404, "not-found")


def test_the_history_answered_makes_the_dry_run_a_preview(desk: httpx.Client) -> None:
    body = person()
    first = {"subject": body, "closed": True, "readings": [dict(OPENED_SET["readings"][0]) for _ in range(2)]}
    first["readings"][1]["taken_at"] = "2026-05-04T09:02:00+02:00"
    stored = desk.post("/v1/reading-sets", json=first).json()
    known = desk.get(f"/v1/subjects/{stored['subject_id']}").json()
    again = {**first, "readings": [{**one, "taken_at": one["taken_at"].replace("05-04", "05-20")} for one in first["readings"]]}
    preview = desk.post("/v1/evaluations", json={**again, "history": known["history"]})
    assert preview.status_code == 200, preview.text
    assert len(known["history"]["sittings"]) == (1 if stored["evaluation"]["result"] else 0)


def test_a_device_is_replaced_as_a_whole(desk: httpx.Client) -> None:
    body = device()
    made = desk.post("/v1/devices", json=body)
    assert (made.status_code, made.headers["ETag"]) == (201, '"1"')
    assert_whole(made.json(), DeviceRecord)
    changed = desk.post("/v1/devices", json={"identifier": body["identifier"], "model": "B"})
    assert (changed.status_code, changed.json()["manufacturer"], changed.json()["version"]) == (200, None, 2)
    read = desk.get(made.headers["Location"])
    assert (read.content, read.headers["ETag"]) == (changed.content, '"2"')


def test_a_device_that_the_caller_has_already_is_not_sent_again(desk: httpx.Client) -> None:
    body = device()
    path = desk.post("/v1/devices", json=body).headers["Location"]
    for held in ('"1"', 'W/"1", "9"', "*"):
        known = desk.get(path, headers={"If-None-Match": held})
        assert (known.status_code, known.content, known.headers["ETag"]) == (304, b"", '"1"')
    desk.post("/v1/devices", json={**body, "model": "B"})
    changed = desk.get(path, headers={"If-None-Match": '"1"'})
    assert (changed.status_code, changed.json()["model"], changed.headers["ETag"]) == (200, "B", '"2"')


def test_every_fault_of_a_device_is_named(desk: httpx.Client) -> None:
    faulty = device(
        validation_evidence=[{"standard": "ISO 81060-2:2018", "population_groups": []}, {"population_groups": ["giants"]}],
        accuracy_check_interval_months=0,
        clock_drift_seconds=1.5,
        last_accuracy_check="2026-02-30",
    )
    found = problem(desk.post("/v1/devices", json=faulty), 422, "not-acceptable")
    assert {fault["pointer"] for fault in found["errors"]} == {
        "/validation_evidence/0/population_groups",
        "/validation_evidence/1/standard",
        "/validation_evidence/1/population_groups/0",
        "/accuracy_check_interval_months",
        "/clock_drift_seconds",
        "/last_accuracy_check",
    }


def test_a_registered_device_tells_its_studies_as_fhir(desk: httpx.Client) -> None:
    made = desk.post("/v1/devices", json=device()).json()
    resource = desk.get(f"/fhir/R4/Device/{made['id']}").json()
    assert [note["text"] for note in resource["note"]] == [
        "Reported as validated for accuracy.",
        "Reported as validated for: adults, pregnancy.",
        "Reported to have passed ISO 81060-2:2018 in: adults, pregnancy.",
    ]


def test_what_is_registered_of_a_device_speaks_in_its_sittings(desk: httpx.Client) -> None:
    known = device(
        validated_for=["adults"], validation_evidence=[], last_accuracy_check="2024-01-10", clock_drift_seconds=-7200
    )
    assert desk.post("/v1/devices", json=known).status_code == 201
    subject = {**person(), "pregnancy": "pregnant"}
    body = {**OPENED_SET, "identifier": None, "subject": subject, "device": {"identifier": known["identifier"]}}
    stored = desk.post("/v1/reading-sets", json=body).json()
    codes = {finding["code"] for finding in stored["evaluation"]["findings"]}
    assert {"device-not-validated-for-group", "accuracy-check-overdue", "device-clock-off"} <= codes
    assert stored["reading_set"]["device"]["clock_drift_seconds"] == -7200


@pytest.mark.parametrize("path", ["/v1/subjects", "/v1/subjects/find", "/v1/devices"])
def test_a_body_without_identifier_is_not_acceptable(desk: httpx.Client, path: str) -> None:
    found = problem(desk.post(path, json={}), 422, "not-acceptable")
    assert [(fault["pointer"], fault["code"]) for fault in found["errors"]] == [("/identifier", "missing")]


def test_the_identifier_of_a_person_stands_in_no_header(desk: httpx.Client) -> None:
    body = person()
    answer = desk.post("/v1/subjects", json=body)
    value = body["identifier"]["value"]
    assert value in answer.text
    assert value not in msgspec.json.encode(dict(answer.headers)).decode() and value not in str(answer.url)
