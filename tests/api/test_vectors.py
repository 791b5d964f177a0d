"""The check vectors and the golden sittings through the HTTP API, as a dry run and stored, on both databases."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from uuid import uuid4

import httpx
import msgspec
import pytest

from core.golden import body_of, differences, read_topics
from core.test_vectors import VECTORS
from quietcuff.core.model.evaluation import Evaluation

CASES = Path(__file__).parents[1] / "cases"
DECODER = msgspec.json.Decoder(Evaluation)


class Answered(msgspec.Struct):
    """The part of an envelope that the vectors speak of."""

    reading_set: msgspec.Raw
    evaluation: msgspec.Raw


def of_somebody_new(request: dict[str, Any]) -> dict[str, Any]:
    """The request about a person of whom nothing is stored yet."""
    identifier = {"system": "urn:example:vectors", "value": str(uuid4())}
    return request | {"subject": request["subject"] | {"identifier": identifier}}


@pytest.mark.parametrize("vector", VECTORS, ids=[vector["id"] for vector in VECTORS])
def test_a_vector_comes_out_as_it_says_through_the_api(vector: dict[str, Any], desk: httpx.Client) -> None:
    request = of_somebody_new(vector["request"])
    dry = desk.post("/v1/evaluations", json=request)
    assert dry.status_code == 200, dry.text
    assert differences(DECODER.decode(dry.content), vector["expect"]) == []
    stored = desk.post("/v1/reading-sets", json=request)
    assert stored.status_code == 201, stored.text
    answered = msgspec.json.decode(stored.content, type=Answered)
    assert differences(DECODER.decode(bytes(answered.evaluation)), vector["expect"]) == []
    assert desk.get(stored.headers["Location"]).content == stored.content


def test_evaluating_what_was_answered_gives_the_answered_bytes(desk: httpx.Client) -> None:
    bodies = [
        body_of(topic, case) for name, topic, case in read_topics(CASES) if name in ("first-visit", "rhythm", "pregnancy")
    ]
    compared = 0
    for body in bodies:
        stored = desk.post("/v1/reading-sets", json=of_somebody_new({**body, "history": None}))
        if stored.status_code == 422:
            continue
        answered = msgspec.json.decode(stored.content, type=Answered)
        again = desk.post("/v1/evaluations", content=bytes(answered.reading_set), headers={"Content-Type": "application/json"})
        assert again.content == bytes(answered.evaluation)
        compared += 1
    assert compared > 20
