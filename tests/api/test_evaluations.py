"""The dry run over HTTP."""

from __future__ import annotations

from typing import Any

import httpx
import msgspec
import pytest

from api.serving import problem
from bodies import OPENED_SET, RICH_SET, changed
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import ReadingSet
from quietcuff.rules.catalog import load_rulebook

RICH = changed(RICH_SET, "/subject/arm_restrictions", [])


@pytest.mark.parametrize("body", [OPENED_SET, RICH])
def test_the_answer_is_the_evaluation_of_the_core_to_the_byte(client: httpx.Client, body: dict[str, Any]) -> None:
    answer = client.post("/v1/evaluations", json=body)
    reading_set = msgspec.convert(body, ReadingSet)
    expected = msgspec.json.encode(evaluate(reading_set, reading_set.history, load_rulebook()))
    assert (answer.status_code, answer.headers["Content-Type"]) == (200, "application/json")
    assert answer.content == expected


def test_every_key_of_the_evaluation_is_there(client: httpx.Client) -> None:
    answer = client.post("/v1/evaluations", json=OPENED_SET).json()
    assert set(answer) == set(Evaluation.__struct_fields__)


@pytest.mark.parametrize(
    "kind",
    ["application/json", "Application/JSON; charset=UTF-8", "application/vnd.example+json", 'application/json;charset="utf-8"'],
)
def test_json_by_any_of_its_names_is_read(client: httpx.Client, kind: str) -> None:
    answer = client.post("/v1/evaluations", content=msgspec.json.encode(OPENED_SET), headers={"Content-Type": kind})
    assert answer.status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Content-Type": "text/plain"},
        {"Content-Type": ""},
        {"Content-Type": "application/x-www-form-urlencoded"},
        {"Content-Type": "application/json; charset=latin-1"},
        {"Content-Type": "text/json"},
        {"Content-Type": "application/json", "Content-Encoding": "gzip"},
        {"Content-Type": "application/json", "Content-Encoding": "br"},
    ],
)
def test_any_other_kind_of_body_is_refused(client: httpx.Client, headers: dict[str, str]) -> None:
    problem(client.post("/v1/evaluations", content=b"{}", headers=headers), 415, "unsupported-media-type")


def test_every_fault_is_named_with_its_place(client: httpx.Client) -> None:
    body = changed(changed(OPENED_SET, "/colour", "red"), "/readings/0/systolic_mmhg", 412)
    body = changed(body, "/readings/0/taken_at", "2026-05-04T09:00:00")
    found = problem(client.post("/v1/evaluations", json=body), 422, "not-acceptable")
    assert [(fault["pointer"], fault["code"]) for fault in found["errors"]] == [
        ("/colour", "unknown-field"),
        ("/readings/0/systolic_mmhg", "out-of-range"),
        ("/readings/0/taken_at", "zone-missing"),
    ]
    assert found["detail"] == "3 faults; nothing was stored."


def test_what_the_core_refuses_is_told_as_faults_too(client: httpx.Client) -> None:
    body = changed(changed(OPENED_SET, "/protocol", "nobody-has-this"), "/readings/0/diastolic_mmhg", None)
    found = problem(client.post("/v1/evaluations", json=body), 422, "not-acceptable")
    assert {fault["pointer"] for fault in found["errors"]} == {"/protocol", "/readings/0/diastolic_mmhg"}


def test_a_hundred_faults_are_named_and_the_rest_counted(client: httpx.Client) -> None:
    body = changed(OPENED_SET, "/readings", [{**OPENED_SET["readings"][0], "site": "foot"}] * 130)
    found = problem(client.post("/v1/evaluations", json=body), 422, "not-acceptable")
    assert (len(found["errors"]), found["more"]) == (100, 30)
