"""Check vectors: requests with what must come back, as one JSON object a line; ``source`` in each says where it comes from."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from core.golden import differences, evaluate_body
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook

OURS = sorted((Path(__file__).parents[1] / "data").glob("*-vectors.jsonl"))
SHARED = [Path("/work/shared/vectors") / name for name in ("office.jsonl", "series.jsonl")]


def read(path: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines() if line.strip()]


def gather() -> list[dict[str, Any]]:
    """Our own vectors; where there are others of the same kind beside the project, those too."""
    ours = [vector for path in OURS for vector in read(path)]
    known = {json.dumps(vector, sort_keys=True) for vector in ours}
    others = [vector for path in SHARED if path.exists() for vector in read(path)]
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
    assert {path.name: len(read(path)) for path in OURS} == {"office-vectors.jsonl": 36, "series-vectors.jsonl": 2}
