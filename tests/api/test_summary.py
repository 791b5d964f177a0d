"""A person over sittings, through HTTP on both databases.

Expected values are worked out by hand here; "common practice, no published source" where nothing else is named.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import uuid4

import httpx

from api.serving import problem
from api.test_reading_sets import assert_whole
from quietcuff.core.over_visits.result import Summary

FOLLOW_UP = {"visit": "follow-up", "protocol": "office-one-arm"}
TODAY = datetime.now(UTC).replace(hour=9, minute=0, second=0, microsecond=0)


def reading(days_ago: int, minute: int, systolic: float, diastolic: float, site: str = "right-upper-arm") -> dict[str, Any]:
    taken = TODAY - timedelta(days=days_ago) + timedelta(minutes=minute)
    return {
        "taken_at": taken.isoformat(),
        "systolic_mmhg": systolic,
        "diastolic_mmhg": diastolic,
        "site": site,
        "position": "sitting",
        "method": "oscillometric",
    }


def sitting(person: str, *readings: dict[str, Any], **more: Any) -> dict[str, Any]:
    identifier = {"system": "urn:example:mrn", "value": person}
    subject = {"identifier": identifier, "birth_date": "1960-05-01", "sex": "male"}
    return {"subject": subject, "guidelines": ["aha-acc-2025"], "readings": list(readings), **more}


def first_visit(person: str) -> dict[str, Any]:
    """Right higher by 12; the last two in the right arm are 150/92 and 146/90: 148/91."""
    return sitting(
        person,
        reading(20, 0, 140, 86, "left-upper-arm"),
        reading(20, 2, 152, 92),
        reading(20, 4, 150, 92),
        reading(20, 6, 146, 90),
    )


def store(desk: httpx.Client, body: dict[str, Any]) -> dict[str, Any]:
    answer = desk.post("/v1/reading-sets", json=body)
    assert answer.status_code == 201, answer.text
    stored: dict[str, Any] = answer.json()
    return stored


def summary_of(desk: httpx.Client, subject_id: str) -> dict[str, Any]:
    answer = desk.get(f"/v1/subjects/{subject_id}/summary")
    assert answer.status_code == 200, answer.text
    body: dict[str, Any] = answer.json()
    assert_whole(body, Summary)
    return body


def test_two_visits_are_pooled_by_day_in_the_higher_arm(desk: httpx.Client) -> None:
    person = str(uuid4())
    first = store(desk, first_visit(person))
    second = store(desk, sitting(person, reading(2, 0, 138, 86), reading(2, 2, 136, 84), **FOLLOW_UP))
    summary = summary_of(desk, first["subject_id"])
    assert summary["sittings"] == {"stored": 2, "counted": 2, "left_out": []}
    assert summary["pooled"]["office"] == {"systolic_mmhg": 143, "diastolic_mmhg": 88, "sittings": 2, "days": 2}
    assert summary["arm"]["arm_to_use"] == "right-upper-arm"
    assert (summary["arm"]["pairs"], summary["arm"]["arm_of_record"], summary["arm"]["basis"]) == (1, None, "earlier-sittings")
    assert summary["latest"]["set"] == second["id"]
    assert summary["latest"]["result"] == {"systolic_mmhg": 137, "diastolic_mmhg": 85}
    assert summary["categories"][0]["category"] == "stage-2"
    assert summary["categories"][0]["provisional_because"] == []
    assert summary["next_step"]["action"] == "measure-out-of-office"
    # The lowest systolic and diastolic of the most recent day. Source: NCQA and CMS, CMS165 versions 12 to 14.
    assert summary["control_measure"] == {
        "day": (TODAY - timedelta(days=2)).date().isoformat(),
        "systolic_mmhg": 136,
        "diastolic_mmhg": 84,
        "below_140_90": True,
        "differs_because": ["lowest-of-day", "controlled-only-by-lowest"],
    }
    assert date.fromisoformat(summary["window"]["to"]) - date.fromisoformat(summary["window"]["from"]) == timedelta(days=180)


def test_what_is_not_pooled_says_why(desk: httpx.Client) -> None:
    person = str(uuid4())
    first = store(desk, first_visit(person))
    painful = store(
        desk, sitting(person, reading(5, 0, 170, 100), reading(5, 2, 168, 98), **FOLLOW_UP, context={"pain": "yes"})
    )
    left_arm = store(
        desk,
        sitting(
            person,
            reading(3, 0, 138, 86, "left-upper-arm"),
            reading(3, 2, 136, 84, "left-upper-arm"),
            **FOLLOW_UP,
        ),
    )
    old = store(desk, sitting(person, reading(400, 0, 138, 86), reading(400, 2, 136, 84), **FOLLOW_UP))
    voided = store(desk, sitting(person, reading(4, 0, 138, 86), reading(4, 2, 136, 84), **FOLLOW_UP))
    correction = {"reason": "another person", "changes": [{"change": "void-set"}]}
    answer = desk.post(f"/v1/reading-sets/{voided['id']}/corrections", json=correction, headers={"If-Match": '"1"'})
    assert answer.status_code == 200, answer.text
    summary = summary_of(desk, first["subject_id"])
    assert summary["sittings"]["stored"] == 5
    assert {entry["set"]: entry["because"] for entry in summary["sittings"]["left_out"]} == {
        painful["id"]: "pain",
        left_arm["id"]: "not-arm-of-record",
        old["id"]: "outside-window",
        voided["id"]: "voided",
    }
    assert summary["pooled"]["office"] == {"systolic_mmhg": 148, "diastolic_mmhg": 91, "sittings": 1, "days": 1}
    assert summary["categories"][0]["provisional_because"] == ["single-sitting"]


def test_a_severe_reading_of_the_newest_sitting_presses_here_too(desk: httpx.Client) -> None:
    person = str(uuid4())
    stored = store(desk, sitting(person, reading(1, 0, 204, 112), **FOLLOW_UP))
    summary = summary_of(desk, stored["subject_id"])
    assert summary["safety"]["level"] == "confirm"
    assert summary["next_step"]["action"] == "confirm-now"
    assert (summary["latest"], summary["pooled"]["office"], summary["categories"]) == (None, None, [])


def test_the_summary_does_not_depend_on_the_order_of_arrival(desk: httpx.Client) -> None:
    summaries = []
    for order in ((0, 1), (1, 0)):
        person = str(uuid4())
        later = sitting(person, reading(2, 0, 138, 86), reading(2, 2, 136, 84), **FOLLOW_UP)
        bodies = [first_visit(person) | {"visit": "first"}, later]
        stored = [store(desk, bodies[place]) for place in order]
        summary = summary_of(desk, stored[0]["subject_id"])
        summaries.append({name: summary[name] for name in ("pooled", "arm", "next_step", "control_measure", "window")})
    assert summaries[0] == summaries[1]


def test_a_person_without_sittings_and_nobody(desk: httpx.Client) -> None:
    made = desk.post("/v1/subjects", json={"identifier": {"system": "urn:example:mrn", "value": str(uuid4())}}).json()
    summary = summary_of(desk, made["id"])
    assert summary["sittings"] == {"stored": 0, "counted": 0, "left_out": []}
    assert summary["next_step"]["action"] == "none"
    problem(desk.get(f"/v1/subjects/{uuid4()}/summary"), 404, "not-found")
