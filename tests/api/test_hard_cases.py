"""The hard cases over HTTP: stored on both databases, and as dry runs, they are answered as the core alone answers them."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from uuid import uuid4

import httpx
import msgspec
import pytest

from core.golden import Case, Topic, body_of, differences, read_topics
from quietcuff.core.model.evaluation import Evaluation

CASES = [(topic, case) for file, topic, case in read_topics(Path(__file__).parents[1] / "cases") if file.startswith("hard")]
TITLES = [case.title for _, case in CASES]
DECODER = msgspec.json.Decoder(Evaluation)


def of_somebody_new(topic: Topic, case: Case) -> dict[str, Any]:
    """The body of a case, about a person of whom nothing is stored yet."""
    body = body_of(topic, case)
    return body | {"subject": body["subject"] | {"identifier": {"system": "urn:example:cases", "value": str(uuid4())}}}


@pytest.mark.parametrize(("topic", "case"), CASES, ids=TITLES)
def test_a_hard_case_is_answered_as_written_dry_and_stored(desk: httpx.Client, topic: Topic, case: Case) -> None:
    body = of_somebody_new(topic, case)
    dry = desk.post("/v1/evaluations", json=body)
    assert dry.status_code == 200, dry.text
    assert differences(DECODER.decode(dry.content), case.expect) == [], case.source
    stored = desk.post("/v1/reading-sets", json=body)
    assert stored.status_code == 201, stored.text
    assert differences(DECODER.decode(msgspec.json.encode(stored.json()["evaluation"])), case.expect) == [], case.source
    assert desk.get(stored.headers["Location"]).content == stored.content
