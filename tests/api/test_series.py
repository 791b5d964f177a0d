"""Home series, recordings, standing tests, children and surveys end to end: over HTTP, in both databases, into valid FHIR."""

from __future__ import annotations

from typing import Any
from uuid import uuid4

import httpx
import msgspec
import pytest

from api.test_vectors import Answered, of_somebody_new
from core.recordings import START as MIDNIGHT
from core.recordings import SUBJECT, ambulatory_body, by_hours, home_body, home_series, reading, recording
from fhir_r4.profiles import faults_of
from outside.test_fhir_validity import r4b_faults, walker

WALK = walker()
USUAL = by_hours((138, 86), (120, 72))
SLEEP = [{"asleep_at": "2026-05-04T23:00:00+02:00", "awake_at": "2026-05-05T07:00:00+02:00"}]


def at(clock: str) -> Any:
    hours, minutes = (int(part) for part in clock.split(":"))
    return MIDNIGHT.replace(hour=hours, minute=minutes)


def standing() -> dict[str, Any]:
    rows = [
        reading(at("09:00"), (138, 84), position="supine"),
        reading(at("09:01"), (128, 80), position="standing", stood_at=at("09:00").isoformat()),
        reading(at("09:03"), (116, 78), position="standing", stood_at=at("09:00").isoformat()),
    ]
    return {"subject": SUBJECT, "protocol": "orthostatic-standing", "visit": "follow-up", "readings": rows}


def child() -> dict[str, Any]:
    facts = {"identifier": SUBJECT["identifier"], "birth_date": "2018-05-04", "sex": "male", "height_cm": 127.9}
    rows = [reading(at(f"09:0{minute}"), (117, 70)) for minute in range(3)]
    return {"subject": facts, "visit": "follow-up", "readings": rows}


def survey() -> dict[str, Any]:
    rows = [
        reading(at(clock), pressures) for clock, pressures in (("09:00", (136, 84)), ("09:03", (130, 79)), ("09:06", (129, 78)))
    ]
    return {"subject": SUBJECT, "protocol": "survey-steps", "visit": "follow-up", "readings": rows}


BODIES: dict[str, dict[str, Any]] = {
    "home series": home_body(home_series(7, lambda _: (136, 86))),
    "home series too short": home_body(home_series(3, lambda _: (136, 86))),
    "recording": ambulatory_body(recording(USUAL), sleep=SLEEP),
    "recording not valid": ambulatory_body(recording(USUAL, hours=5)),
    "test of standing": standing(),
    "child": child(),
    "survey": survey(),
}


@pytest.mark.parametrize("body", BODIES.values(), ids=BODIES)
def test_it_is_stored_as_it_was_tried_and_leaves_as_valid_fhir(body: dict[str, Any], desk: httpx.Client) -> None:
    body = of_somebody_new(body)
    dry = desk.post("/v1/evaluations", json=body)
    assert dry.status_code == 200, dry.text
    stored = desk.post("/v1/reading-sets", json=body)
    assert stored.status_code == 201, stored.text
    path = stored.headers["Location"]
    assert desk.get(path).content == stored.content
    answered = msgspec.json.decode(stored.content, type=Answered)
    again = desk.post("/v1/evaluations", content=bytes(answered.reading_set), headers={"Content-Type": "application/json"})
    assert again.content == bytes(answered.evaluation)
    evaluation = stored.json()["evaluation"]
    for name in ("state", "result", "categories", "series", "orthostatic", "percentile"):
        assert evaluation[name] == dry.json()[name], name
    entries = [entry["resource"] for entry in desk.get(f"{path}/fhir").json()["entry"]]
    faults = [
        f"{each['resourceType']}/{each['id']}: {fault}" for each in entries for fault in faults_of(each) + r4b_faults(each)
    ]
    assert faults == []
    assert [str(fault) for each in entries[:12] + entries[-2:] for fault in WALK(each)] == []
    (mean,) = [each for each in entries if each["id"].endswith("-mean")]
    if evaluation["result"] is None:
        assert "dataAbsentReason" in mean and "derivedFrom" not in mean
        assert [part.get("valueQuantity") for part in mean["component"][:2]] == [None, None]
        return
    values = [part["valueQuantity"]["value"] for part in mean["component"][:2]]
    assert values == [evaluation["result"]["systolic_mmhg"], evaluation["result"]["diastolic_mmhg"]]
    assert len(mean["derivedFrom"]) == evaluation["result"]["readings_counted"]


def test_every_body_holds_what_it_is_for(desk: httpx.Client) -> None:
    found = {name: desk.post("/v1/evaluations", json=body).json() for name, body in BODIES.items()}
    assert found["home series"]["series"]["days_used"] == 6
    assert found["home series too short"]["state"] == "not-usable"
    assert found["recording"]["series"]["windows"] == "sleep-times"
    assert found["recording not valid"]["blocked_by"] == ["too-few-readings"]
    assert [drop["systolic_mmhg"] for drop in found["test of standing"]["orthostatic"]["drops"]] == [10, 22]
    assert found["child"]["percentile"]["reference"] == "nhbpep-2004-pressure"
    assert found["survey"]["result"]["systolic_mmhg"] == 129.5
    assert all({"series", "orthostatic", "percentile"} <= set(evaluation) for evaluation in found.values())


def test_sleep_is_corrected_like_any_other_fact(desk: httpx.Client) -> None:
    stored = desk.post("/v1/reading-sets", json=of_somebody_new(ambulatory_body(recording(USUAL))))
    path = stored.headers["Location"]
    assert stored.json()["evaluation"]["series"]["windows"] == "clock"
    body = {"reason": "the diary came later", "changes": [{"change": "amend-set", "set": {"sleep": SLEEP}}]}
    amended = desk.post(f"{path}/corrections", json=body, headers={"If-Match": '"1"'})
    assert amended.status_code == 200, amended.text
    assert amended.json()["evaluation"]["series"]["windows"] == "sleep-times"
    assert amended.json()["evaluation"]["changed_because"] == ["sleep-changed"]
    back = {"reason": "not the diary of this day", "changes": [{"change": "amend-set", "set": {"sleep": None}}]}
    restored = desk.post(f"{path}/corrections", json=back, headers={"If-Match": '"2"'})
    assert restored.json()["evaluation"]["series"]["windows"] == "clock"


def test_sleep_that_cannot_be_is_refused_with_its_place(desk: httpx.Client) -> None:
    wrong = [{"asleep_at": SLEEP[0]["awake_at"], "awake_at": SLEEP[0]["asleep_at"]}]
    answer = desk.post("/v1/evaluations", json=ambulatory_body(recording(USUAL), sleep=wrong))
    assert answer.status_code == 422
    assert [(fault["pointer"], fault["code"]) for fault in answer.json()["errors"]] == [("/sleep/0/awake_at", "wrong-order")]
    no_zone = [{"asleep_at": "2026-05-04T23:00:00", "awake_at": SLEEP[0]["awake_at"]}]
    answer = desk.post("/v1/evaluations", json=ambulatory_body(recording(USUAL), sleep=no_zone))
    assert [(fault["pointer"], fault["code"]) for fault in answer.json()["errors"]] == [("/sleep/0/asleep_at", "zone-missing")]


def test_a_recording_and_a_test_of_standing_compare_no_arms_and_a_standing_result_is_not_remembered(desk: httpx.Client) -> None:
    subject = {"identifier": {"system": "urn:example:series", "value": str(uuid4())}, "birth_date": "1966-01-15"}
    for body in (standing(), ambulatory_body(recording(USUAL))):
        rows = [
            row | {"site": "right-upper-arm" if place % 6 == 1 else "left-upper-arm"}
            for place, row in enumerate(body["readings"])
        ]
        assert desk.post("/v1/reading-sets", json=body | {"subject": subject, "readings": rows}).status_code == 201
    assert desk.post("/v1/reading-sets", json=standing() | {"subject": subject}).status_code == 201
    found = desk.post("/v1/subjects/find", json={"identifier": subject["identifier"]}).json()
    history = desk.get(f"/v1/subjects/{found['id']}").json()["history"]
    assert history["pairs"] == []
    assert [sitting["setting"] for sitting in history["sittings"]] == ["ambulatory"]
