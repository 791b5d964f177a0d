"""Check vectors: requests with what must come back, as one JSON object a line; ``source`` in each says where it comes from."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from core.golden import differences, evaluate_body
from quietcuff.core.rules import Rulebook
from quietcuff.rules.catalog import load_rulebook

OURS = Path(__file__).parents[1] / "data" / "office-vectors.jsonl"
SHARED = Path("/work/shared/vectors/office.jsonl")


def read(path: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines() if line.strip()]


def gather() -> list[dict[str, Any]]:
    """Our own vectors; where there are others of the same kind beside the project, those too."""
    ours = read(OURS)
    known = {json.dumps(vector, sort_keys=True) for vector in ours}
    others = read(SHARED) if SHARED.exists() else []
    return ours + [vector for vector in others if json.dumps(vector, sort_keys=True) not in known]


VECTORS = gather()


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


@pytest.mark.parametrize("vector", VECTORS, ids=[f"{v['id']}: {v['title']}" for v in VECTORS])
def test_vector_comes_out_as_it_says(vector: dict[str, Any], rulebook: Rulebook) -> None:
    found = differences(evaluate_body(vector["request"], rulebook), vector["expect"])
    assert not found, f"{vector['rule']} [{vector['source']}]:\n" + "\n".join(found)


def test_every_vector_names_its_source() -> None:
    assert all(vector["source"].strip() and vector["rule"].strip() for vector in VECTORS)
    assert len(read(OURS)) == 36
