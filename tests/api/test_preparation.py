"""Sittings before their first reading, and those that were endless before, over HTTP; on both databases."""

from __future__ import annotations

from typing import Any
from uuid import uuid4

import httpx
import pytest

from bodies import FIRST_READING, OPENED_SET

PATH = "/v1/reading-sets"
FAILED = {"systolic_mmhg": None, "diastolic_mmhg": None}
SMALL = {"size": "adult", "range_cm": [10, 12]}


def empty(**more: Any) -> dict[str, Any]:
    """An open set of somebody new, without readings."""
    name = str(uuid4())
    subject = {**OPENED_SET["subject"], "identifier": {"system": "urn:example:mrn", "value": name}}
    identifier = {"system": "urn:example:visit", "value": name}
    return {**OPENED_SET, "identifier": identifier, "subject": subject, "readings": [], "closed": False, **more}


def test_an_open_set_without_readings_says_what_to_prepare(desk: httpx.Client) -> None:
    answer = desk.post(PATH, json=empty())
    assert answer.status_code == 201, answer.text
    preparation = answer.json()["evaluation"]["preparation"]
    assert preparation["arms"] == ["left-upper-arm", "right-upper-arm"]
    assert (preparation["cuff"], preparation["protocol"], preparation["readings"]) == ("adult", "office-both-arms", 4)
    assert preparation["prepare"] and preparation["minutes"] > 0
    assert answer.json()["evaluation"]["next_step"]["cuff"] == "adult"


def test_nothing_of_an_empty_set_is_shown_in_fhir_and_lists_have_it(desk: httpx.Client) -> None:
    envelope = desk.post(PATH, json=empty()).json()
    found = desk.get("/fhir/R4/Observation", params={"patient": envelope["subject_id"]})
    shown = [each["resource"]["resourceType"] for each in found.json().get("entry", [])]
    assert (found.status_code, "Observation" in shown) == (200, False)
    bundle = desk.get(f"{PATH}/{envelope['id']}/fhir")
    kinds = [entry["resource"]["resourceType"] for entry in bundle.json().get("entry", [])]
    assert bundle.status_code == 200 and kinds and "Observation" not in kinds
    listed = desk.get(PATH, params={"subject_id": envelope["subject_id"]}).json()
    assert [each["id"] for each in listed["items"]] == [envelope["id"]]


def test_a_dry_run_needs_no_reading_either(desk: httpx.Client) -> None:
    answer = desk.post("/v1/evaluations", json=empty())
    assert answer.status_code == 200, answer.text
    assert answer.json()["preparation"]["readings"] == 4
    body = desk.post(PATH, json=empty()).json()
    again = desk.post("/v1/evaluations", json=body["reading_set"])
    assert again.json() == body["evaluation"]


@pytest.mark.parametrize("path", [PATH, "/v1/evaluations"])
def test_a_closed_set_without_readings_is_refused(desk: httpx.Client, path: str) -> None:
    answer = desk.post(path, json=empty(closed=True))
    assert answer.status_code == 422
    assert [(error["pointer"], error["code"]) for error in answer.json()["errors"]] == [("/readings", "too-few")]


def test_readings_that_are_left_out_are_missing(desk: httpx.Client) -> None:
    body = {name: value for name, value in empty().items() if name != "readings"}
    answer = desk.post(PATH, json=body)
    assert answer.status_code == 422
    assert [(error["pointer"], error["code"]) for error in answer.json()["errors"]] == [("/readings", "missing")]


@pytest.mark.parametrize(
    "spoiled",
    [
        FAILED,
        {"systolic_mmhg": 84, "diastolic_mmhg": 138},
        {"systolic_mmhg": 150, "diastolic_mmhg": 0, "method": "auscultatory"},
        {"cuff": SMALL},
        {"device": {"kind": "automatic", "site": "finger"}},
        {"position": "standing"},
    ],
    ids=["device-error", "swapped", "sounds-to-zero", "wrong-cuff", "finger", "standing"],
)
def test_what_fails_in_the_same_way_each_time_ends_with_a_reason(desk: httpx.Client, spoiled: dict[str, Any]) -> None:
    answer = desk.post(PATH, json=empty())
    path = answer.headers["Location"]
    steps = []
    for minute in range(12):
        reading = {**FIRST_READING, "taken_at": f"2026-05-04T09:{2 * minute:02}:00+02:00", **spoiled}
        answer = desk.post(f"{path}/readings", json={"readings": [reading]}, headers={"If-Match": "*"})
        assert answer.status_code == 200, answer.text
        step = answer.json()["evaluation"]["next_step"]
        steps.append(step["action"])
        if step["action"] == "close":
            break
    assert steps[-1] == "close" and len(steps) <= 8, steps
    assert step["reason"] and step["then"] is None
