"""The picture of a person's pressures over HTTP, on both databases."""

from __future__ import annotations

import re
import sys
from typing import Any
from uuid import uuid4

import httpx
import pytest

from api.serving import problem
from api.test_summary import FOLLOW_UP, first_visit, reading, sitting, store
from quietcuff.analytics import trend_picture


def picture(desk: httpx.Client, subject_id: str, **asked: str) -> str:
    answer = desk.get(f"/v1/subjects/{subject_id}/trend.svg", params=asked)
    assert answer.status_code == 200, answer.text
    assert answer.headers["Content-Type"] == "image/svg+xml"
    assert answer.headers["Cache-Control"] == "no-store"
    # The picture is coloured by its own style, and can load or run nothing.
    assert "default-src 'none'; style-src 'unsafe-inline'" in answer.headers["Content-Security-Policy"]
    return answer.text


def drawn(svg: str, group: str) -> int:
    found = re.search(rf'<g id="{group}">.*?</g>\s*</g>', svg, re.S)
    return found[0].count("<use ") if found else 0


def test_results_are_drawn_and_the_person_is_not_named(desk: httpx.Client) -> None:
    person = str(uuid4())
    first = store(desk, first_visit(person))
    store(desk, sitting(person, reading(2, 0, 138, 86), reading(2, 2, 136, 84), **FOLLOW_UP))
    svg = picture(desk, first["subject_id"])
    assert drawn(svg, "results-systolic-office") == drawn(svg, "results-diastolic-office") == 2
    assert drawn(svg, "not-counted-systolic") == 2
    assert "2 results of closed sittings" in svg and "the latest 137/85 (office)" in svg
    assert person not in svg and first["subject_id"] not in svg and first["id"] not in svg and "1960" not in svg


def test_days_and_guideline_may_be_chosen(desk: httpx.Client) -> None:
    person = str(uuid4())
    first = store(desk, first_visit(person))
    store(desk, sitting(person, reading(2, 0, 138, 86), reading(2, 2, 136, 84), **FOLLOW_UP))
    subject_id = first["subject_id"]
    between = reading(10, 0, 1, 1)["taken_at"][:10]
    assert drawn(picture(desk, subject_id, to=between), "results-systolic-office") == 1
    assert "137/85" in picture(desk, subject_id, **{"from": between})
    svg = picture(desk, subject_id, guideline="canada-2025")
    assert re.findall(r'id="limit-(\w+-\d+)"', svg) == ["systolic-130", "diastolic-80"]
    assert "No result to draw" in picture(desk, subject_id, **{"from": "2199-01-01"})


def test_the_picture_that_the_caller_has_is_not_sent_again(desk: httpx.Client) -> None:
    person = str(uuid4())
    path = f"/v1/subjects/{store(desk, first_visit(person))['subject_id']}/trend.svg"
    first = desk.get(path)
    again = desk.get(path, headers={"If-None-Match": first.headers["ETag"]})
    assert (again.status_code, again.content, again.headers["ETag"]) == (304, b"", first.headers["ETag"])
    assert desk.get(path).content == first.content
    store(desk, sitting(person, reading(2, 0, 138, 86), reading(2, 2, 136, 84), **FOLLOW_UP))
    assert desk.get(path, headers={"If-None-Match": first.headers["ETag"]}).status_code == 200


@pytest.mark.parametrize(
    ("asked", "parameter", "code"),
    [
        ({"guideline": "none-such"}, "guideline", "unknown-code"),
        ({"from": "yesterday"}, "from", "not-a-time"),
        ({"to": "2026-05-04T09:00:00"}, "to", "not-a-time"),
        ({"color": "red"}, "color", "unknown-parameter"),
    ],
)
def test_what_cannot_be_asked_is_refused(desk: httpx.Client, asked: dict[str, Any], parameter: str, code: str) -> None:
    found = problem(desk.get(f"/v1/subjects/{uuid4()}/trend.svg", params=asked), 422, "not-acceptable")
    assert [(fault["parameter"], fault["code"]) for fault in found["errors"]] == [(parameter, code)]


def test_nobody_has_no_picture_and_a_person_without_sittings_an_empty_one(desk: httpx.Client) -> None:
    problem(desk.get(f"/v1/subjects/{uuid4()}/trend.svg"), 404, "not-found")
    made = desk.post("/v1/subjects", json={"identifier": {"system": "urn:example:mrn", "value": str(uuid4())}}).json()
    assert "No result to draw" in picture(desk, made["id"])


def test_what_was_voided_or_is_open_is_not_drawn(desk: httpx.Client) -> None:
    person = str(uuid4())
    voided = store(desk, first_visit(person))
    correction = {"reason": "another person", "changes": [{"change": "void-set"}]}
    answer = desk.post(f"/v1/reading-sets/{voided['id']}/corrections", json=correction, headers={"If-Match": '"1"'})
    assert answer.status_code == 200, answer.text
    store(desk, sitting(person, reading(1, 0, 138, 86), **FOLLOW_UP, closed=False))
    svg = picture(desk, voided["subject_id"])
    assert "No result to draw" in svg and "<use " in svg and "results-" not in svg and "not-counted" not in svg


def test_only_the_newest_sittings_are_drawn(desk: httpx.Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(trend_picture, "MOST_SETS", 2)
    person = str(uuid4())
    stored = [
        store(desk, sitting(person, reading(day, 0, 138, 86), reading(day, 2, 136, 84), **FOLLOW_UP)) for day in (9, 6, 3)
    ]
    assert drawn(picture(desk, stored[0]["subject_id"]), "results-systolic-office") == 2


def test_without_the_packages_that_draw_it_says_how_to_get_them(desk: httpx.Client, monkeypatch: pytest.MonkeyPatch) -> None:
    subject_id = store(desk, first_visit(str(uuid4())))["subject_id"]
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    found = problem(desk.get(f"/v1/subjects/{subject_id}/trend.svg"), 501, "not-installed")
    assert "the extra pictures" in found["detail"] and "sh deploy/setup.sh full" in found["detail"]
    assert desk.get(f"/v1/subjects/{subject_id}/summary").status_code == 200


def test_the_picture_speaks_the_language_asked_for(desk: httpx.Client) -> None:
    path = f"/v1/subjects/{store(desk, first_visit(str(uuid4())))['subject_id']}/trend.svg"
    plain, german = desk.get(path), desk.get(path, headers={"Accept-Language": "de-AT, en;q=0.5"})
    assert (plain.headers["Content-Language"], plain.headers["Vary"]) == ("en", "Accept-Language")
    assert german.headers["Content-Language"] == "de" and "Blutdruck im Verlauf" in german.text
    assert "<title>La pression" in desk.get(path, params={"lang": "fr"}, headers={"Accept-Language": "de"}).text
    assert desk.get(path, headers={"Accept-Language": "*"}).content == plain.content != german.content
    known = {"If-None-Match": german.headers["ETag"], "Accept-Language": "de"}
    again = desk.get(path, headers=known)
    assert (again.status_code, again.headers["Vary"]) == (304, "Accept-Language")
