"""From what is measured over days to the summary and to FHIR: over HTTP, on both databases, with what was sent out of order.

Expected values are worked out by hand; limits of esh-2023 out of the office are 135/85 at home, 120/70 by night [ISH20, AFP21].
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import uuid4

import httpx

from api.test_summary import summary_of
from core.recordings import ambulatory_body, by_hours, home_body, home_series, reading, recording
from fhir_r4.profiles import faults_of
from outside.test_fhir_validity import r4b_faults, walker

WALK = walker()
MIDNIGHT = datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
ADULT = {"birth_date": "1975-01-15", "sex": "female"}


def day(ago: int) -> datetime:
    return MIDNIGHT - timedelta(days=ago)


def seated(ago: int, value: tuple[float, float], **more: Any) -> dict[str, Any]:
    rows = [reading(day(ago) + timedelta(hours=9, minutes=2 * place), value) for place in range(3)]
    return {"visit": "follow-up", "guidelines": ["esh-2023"], "readings": rows} | more


def store(desk: httpx.Client, subject: dict[str, Any], *bodies: dict[str, Any]) -> list[dict[str, Any]]:
    """The sets as answered, each sent for one new person."""
    identifier = {"system": "urn:example:mrn", "value": str(uuid4())}
    answers = [desk.post("/v1/reading-sets", json=body | {"subject": subject | {"identifier": identifier}}) for body in bodies]
    assert [answer.status_code for answer in answers] == [201] * len(bodies), answers[-1].text
    return [answer.json() for answer in answers]


def mean_as_fhir(desk: httpx.Client, set_id: str) -> dict[str, Any]:
    """The result of a set out of its Bundle, every resource of which is valid."""
    bundle = desk.get(f"/v1/reading-sets/{set_id}/fhir").json()
    entries: list[dict[str, Any]] = [entry["resource"] for entry in bundle["entry"]]
    assert [fault for each in [bundle, *entries] for fault in faults_of(each)] == []
    assert [fault for each in entries for fault in r4b_faults(each)] == []
    assert [fault for each in entries[:6] + entries[-2:] for fault in WALK(each)] == []
    return next(each for each in entries if each["id"] == f"{set_id}-mean")


def words_of(mean: dict[str, Any]) -> set[str]:
    return {coding["code"] for concept in mean.get("interpretation", []) for coding in concept["coding"]}


def test_single_home_sittings_sent_out_of_order_become_a_series_and_a_masked_pattern(desk: httpx.Client) -> None:
    readings = home_series(7, lambda at: (150, 95) if at.date() == day(10).date() else (138, 84), start=day(10))
    pairs = [readings[place : place + 2] for place in range(0, len(readings), 2)]
    singles = [home_body(pair, protocol="home-sitting") for pair in reversed(pairs)]
    sets = store(desk, ADULT, *singles[:7], seated(2, (128, 82)), *singles[7:], seated(30, (130, 80)))
    summary = summary_of(desk, sets[0]["subject_id"])
    home = summary["pooled"]["home"]
    assert (home["systolic_mmhg"], home["diastolic_mmhg"], home["readings"], home["days"]) == (138, 84, 24, 6)
    assert (home["made_of"], len(home["sets"]), home["days_dropped"]) == ("single-sittings", 14, 1)
    assert [entry["category"] for entry in home["categories"]] == ["hypertension"]
    assert summary["pooled"]["office"] == {"systolic_mmhg": 129, "diastolic_mmhg": 81, "sittings": 2, "days": 2}
    assert [(each["guideline"], each["code"], each["parts"]) for each in summary["patterns"]] == [
        ("esh-2023", "masked-pattern", ["home"])
    ]
    assert summary["next_step"]["action"] == "measure-out-of-office"
    assert [entry["visits_used"] for entry in summary["certainty"]] == [2]
    assert summary["pooled"]["lacking"] == [{"setting": "ambulatory", "because": ["none-stored"], "message": None}]
    mean = mean_as_fhir(desk, sets[0]["id"])
    assert words_of(mean) == set()


def test_a_voided_home_sitting_leaves_the_series(desk: httpx.Client) -> None:
    readings = home_series(4, lambda at: (150, 95) if at.date() == day(3).date() else (130, 80), start=day(6))
    pairs = [readings[place : place + 2] for place in range(0, len(readings), 2)]
    sets = store(desk, ADULT, *(home_body(pair, protocol="home-sitting") for pair in pairs))
    before = summary_of(desk, sets[0]["subject_id"])["pooled"]["home"]
    assert (before["systolic_mmhg"], before["readings"]) == (137, 12)
    voiding = {"reason": "another person's cuff", "changes": [{"change": "void-set"}]}
    for each in sets[-2:]:
        path = f"/v1/reading-sets/{each['id']}/corrections"
        assert desk.post(path, json=voiding, headers={"If-Match": '"1"'}).status_code == 200
    after = summary_of(desk, sets[0]["subject_id"])
    assert after["pooled"]["home"] is None
    lacking = next(each for each in after["pooled"]["lacking"] if each["setting"] == "home")
    assert lacking["because"] == ["too-few-readings", "too-few-days"]
    assert after["next_step"]["action"] == "measure-out-of-office"


def test_a_recording_joins_two_visits_to_a_sustained_pattern(desk: httpx.Client) -> None:
    body = ambulatory_body(recording(by_hours((138, 86), (120, 72)), start=day(5) + timedelta(hours=9)))
    stored, *_ = store(desk, ADULT, body, seated(20, (146, 92)), seated(8, (148, 90)))
    summary = summary_of(desk, stored["subject_id"])
    found = summary["pooled"]["ambulatory"]
    assert found["set"] == stored["id"] and found["parts"]
    assert (found["day"]["systolic_mmhg"], found["night"]["systolic_mmhg"]) == (138, 120)
    assert [(each["code"], each["parts"]) for each in summary["patterns"]] == [
        ("sustained-pattern", ["day", "night", "hours-24"])
    ]
    assert (summary["next_step"]["action"], summary["confirm_by"]) == ("none", None)
    values = {
        coding["code"]: component["valueQuantity"]["value"]
        for component in mean_as_fhir(desk, stored["id"])["component"]
        for coding in component["code"].get("coding", [])
    }
    assert (values["8490-5"], values["8472-3"]) == (found["hours_24"]["systolic_mmhg"], found["hours_24"]["diastolic_mmhg"])
    for asked in ({"code": "97844-5"}, {"component-code": "8490-5"}):
        answer = desk.get("/fhir/R4/Observation", params={"patient": stored["subject_id"], **asked}).json()
        assert [entry["resource"]["id"] for entry in answer["entry"]] == [f"{stored['id']}-mean"], asked


def test_a_test_of_standing_is_in_no_pooled_value_and_its_fall_is_labelled_apart(desk: httpx.Client) -> None:
    lying = day(3) + timedelta(hours=9)
    rows = [reading(lying, (138, 84), position="supine")]
    for minute in (1, 3):
        at = lying + timedelta(minutes=minute)
        rows.append(reading(at, (116, 78), position="standing", stood_at=lying.isoformat()))
    test = {"protocol": "orthostatic-standing", "visit": "follow-up", "readings": rows}
    standing, office = store(desk, ADULT, test, seated(4, (132, 82)))
    summary = summary_of(desk, standing["subject_id"])
    assert summary["sittings"]["left_out"] == [{"set": standing["id"], "because": "test-of-standing"}]
    assert summary["pooled"]["office"]["systolic_mmhg"] == 132
    assert summary["latest"]["set"] == office["id"]
    mean = mean_as_fhir(desk, standing["id"])
    assert "interpretation" not in mean
    falls = [part["valueQuantity"]["value"] for part in mean["component"] if "Fall of sys" in part["code"].get("text", "")]
    assert falls == [22, 22]


def test_a_child_over_three_visits_by_percentiles(desk: httpx.Client) -> None:
    """A boy of eight at about the median height: 118 is above the 95th percentile, 116 to 117. Source: [FR04-APP-B]."""
    birth = MIDNIGHT.date() - timedelta(days=round(8.3 * 365.25))
    boy = {"birth_date": birth.isoformat(), "sex": "male", "height_cm": 128.2}
    visits = [seated(ago, (118, 70), guidelines=["fourth-report-2004"]) for ago in (30, 20, 10)]
    sets = store(desk, boy, *visits)
    summary = summary_of(desk, sets[0]["subject_id"])
    assert [(entry["category"], entry["provisional"]) for entry in summary["categories"]] == [("stage-1", False)]
    assert 95 < summary["percentile"]["systolic"] < 98
    assert [entry["guideline"] for entry in summary["certainty"]] == ["fourth-report-2004"]
    mean = mean_as_fhir(desk, sets[0]["id"])
    assert words_of(mean) == {"H", "stage-1"}
    named = {part["code"]["text"] for part in mean["component"] if "text" in part["code"]}
    assert {
        "Height z (cdc-2000-height)",
        "Systolic blood pressure percentile for sex, age and height (nhbpep-2004-pressure)",
    } <= named


def test_pregnancy_over_two_visits(desk: httpx.Client) -> None:
    expecting = {"birth_date": "1996-01-15", "sex": "female", "pregnancy": "pregnant"}
    sets = store(desk, expecting, *(seated(ago, (150, 92), guidelines=["acog-2020"]) for ago in (9, 2)))
    summary = summary_of(desk, sets[0]["subject_id"])
    assert [(entry["category"], entry["provisional"]) for entry in summary["categories"]] == [("hypertension", False)]
    assert summary["certainty"][0]["prior"] == "none"
    assert (summary["next_step"]["action"], summary["patterns"]) == ("same-day-review", [])
    assert words_of(mean_as_fhir(desk, sets[0]["id"])) == {"H", "hypertension"}
