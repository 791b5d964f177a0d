"""What series and tests of standing are to the summary of a person."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import msgspec
import pytest

from core.recordings import START, SUBJECT, home_body, reading
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.readings import Facts, ReadingSet
from quietcuff.core.over_visits.pooling import CurrentSitting
from quietcuff.core.over_visits.result import Summary
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.core.summarise import summarise
from quietcuff.rules.catalog import load_rulebook


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


def summary_of(bodies: list[dict[str, Any]], rulebook: Rulebook) -> Summary:
    """The summary of closed sets, in the order given, a week after the first."""
    stored = []
    for number, body in enumerate(bodies):
        reading_set = msgspec.convert(body, ReadingSet)
        evaluation = evaluate(reading_set, None, rulebook)
        stored.append(
            CurrentSitting(set_id=f"s{number}", status="active", closed=True, reading_set=reading_set, evaluation=evaluation)
        )
    facts = Facts(birth_date="1966-01-15", sex="female")
    return summarise("person", facts, stored, START + timedelta(days=7), rulebook)


def test_a_test_of_standing_is_neither_pooled_nor_the_latest_result(rulebook: Rulebook) -> None:
    seated = {
        "subject": SUBJECT,
        "visit": "follow-up",
        "guidelines": ["esh-2023"],
        "readings": [reading(START + timedelta(hours=9, minutes=minute), (142, 88)) for minute in (0, 2)],
    }
    morning = START + timedelta(days=1, hours=9)
    rows = [
        reading(morning, (120, 70), position="supine"),
        reading(morning + timedelta(minutes=2), (96, 60), position="standing", stood_at=morning.isoformat()),
    ]
    standing = home_body(rows, setting="office", protocol="orthostatic-standing", guidelines=["orthostatic-2011"])
    summary = summary_of([seated, standing], rulebook)
    assert [(left.set, left.because) for left in summary.sittings.left_out] == [("s1", "test-of-standing")]
    assert summary.latest is not None and summary.latest.set == "s0"
    assert summary.pooled.office is not None and summary.pooled.office.systolic_mmhg == 142
    assert [entry.guideline for entry in summary.categories] == ["esh-2023"]


def test_an_adult_table_and_no_other_is_used_on_pooled_values(rulebook: Rulebook) -> None:
    """Percentiles and falls on standing say nothing of a pooled pressure."""
    rows = [reading(START + timedelta(hours=9, minutes=minute), (142, 88)) for minute in (0, 2)]
    seated = {
        "subject": SUBJECT,
        "visit": "follow-up",
        "guidelines": ["fourth-report-2004", "orthostatic-2011"],
        "readings": rows,
    }
    summary = summary_of([seated], rulebook)
    assert [entry.category for entry in summary.categories] == [None, None]
