"""The golden cases of tests/cases, each run through ``evaluate``."""

from __future__ import annotations

from pathlib import Path

import pytest

from core.golden import Case, Topic, body_of, differences, evaluate_body, read_topics
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook

CASES = list(read_topics(Path(__file__).parents[1] / "cases"))


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


@pytest.mark.parametrize(("topic", "case"), [(t, c) for _, t, c in CASES], ids=[f"{n}: {c.title}" for n, _, c in CASES])
def test_sitting_comes_out_as_written(topic: Topic, case: Case, rulebook: Rulebook) -> None:
    body = body_of(topic, case)
    if "refused" in case.expect:
        with pytest.raises(NotAcceptable) as refusal:
            evaluate_body(body, rulebook)
        assert {f"{fault.pointer} {fault.code}" for fault in refusal.value.faults} == set(case.expect["refused"])
        return
    found = differences(evaluate_body(body, rulebook), case.expect)
    assert not found, f"{case.title} [{case.source}]:\n" + "\n".join(found)


def test_titles_are_unique_in_a_topic() -> None:
    titles = [(name, case.title) for name, _, case in CASES]
    assert len(titles) == len(set(titles))


def test_every_case_names_its_source() -> None:
    assert all(case.source.strip() and case.expect for _, _, case in CASES)
