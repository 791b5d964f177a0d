"""Clinical check vectors, worked out by hand before running: ``tests/data/clinical.jsonl``, with why in each line."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest

from core.golden import evaluate_body
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook

FILE = Path(__file__).parents[1] / "data" / "clinical.jsonl"
VECTORS = {vector["id"]: vector for vector in map(json.loads, FILE.read_text(encoding="utf-8").splitlines())}

Answer = dict[str, Any]


def mean(answer: Answer) -> list[float]:
    return [answer["result"][name] for name in ("systolic_mmhg", "diastolic_mmhg")]


def codes(answer: Answer) -> set[str]:
    return {finding["code"] for finding in answer["findings"]}


def labels(answer: Answer) -> dict[str, str | None]:
    return {entry["guideline"]: entry["category"] for entry in answer["categories"]}


def following(answer: Answer) -> Answer:
    then: Answer | None = answer["next_step"]["then"]
    return {} if then is None else then


HOLDS: dict[str, Callable[[Answer, Any], bool]] = {
    "state": lambda answer, wanted: answer["state"] == wanted,
    "mean": lambda answer, wanted: mean(answer) == wanted,
    "used": lambda answer, wanted: [each["index"] for each in answer["readings"] if each["counts"]] == wanted,
    "labels": lambda answer, wanted: wanted.items() <= labels(answer).items(),
    "safety": lambda answer, wanted: answer["safety"]["level"] == wanted,
    "safety_not": lambda answer, wanted: answer["safety"]["level"] != wanted,
    "findings_include": lambda answer, wanted: set(wanted) <= codes(answer),
    "findings_exclude": lambda answer, wanted: not set(wanted) & codes(answer),
    "provisional_include": lambda answer, wanted: (
        set(wanted) <= {reason for entry in answer["categories"] for reason in entry["provisional_because"]}
    ),
    "next_action": lambda answer, wanted: answer["next_step"]["action"] == wanted,
    "next_action_not": lambda answer, wanted: answer["next_step"]["action"] != wanted,
    "then_action_not": lambda answer, wanted: following(answer).get("action") != wanted,
    "next_site": lambda answer, wanted: answer["next_step"]["site"] == wanted,
    "next_reason_excludes": lambda answer, wanted: (
        not any(
            word in step.get("reason", "")
            for word in ([wanted] if isinstance(wanted, str) else wanted)
            for step in (answer["next_step"], following(answer))
        )
    ),
    "next_cuff": lambda answer, wanted: answer["next_step"]["cuff"] == wanted,
    "next_cuff_not": lambda answer, wanted: answer["next_step"]["cuff"] != wanted,
    "confirm_by_at_latest": lambda answer, wanted: answer["confirm_by"]["date"] <= wanted,
    "ask_or_safety_ask_includes": lambda answer, wanted: wanted in answer["next_step"]["ask"] + answer["safety"]["ask"],
    "record_line_excludes": lambda answer, wanted: wanted not in (answer["record_line"] or ""),
}


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


@pytest.mark.parametrize("vector_id", list(VECTORS))
def test_clinical_vector_comes_out_as_worked_out_by_hand(vector_id: str, rulebook: Rulebook) -> None:
    vector = VECTORS[vector_id]
    answer = msgspec.json.decode(msgspec.json.encode(evaluate_body(vector["body"], rulebook)))
    failed = {name: wanted for name, wanted in vector["expect"].items() if not HOLDS[name](answer, wanted)}
    assert not failed, (vector["why"], answer["next_step"], answer["result"], codes(answer))


def test_every_key_that_the_vectors_use_is_looked_at() -> None:
    assert {name for vector in VECTORS.values() for name in vector["expect"]} <= HOLDS.keys()
    assert all(vector["why"].strip() for vector in VECTORS.values())
