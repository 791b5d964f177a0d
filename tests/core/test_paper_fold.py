"""The core against the same two plans written a second time from the table, on thousands of plain sittings."""

from __future__ import annotations

import random
from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from core.golden import SITES, evaluate_body
from core.paper_fold import Plain, Told, fold
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.rules.catalog import load_rulebook
from strategies import NOON

RULEBOOK = load_rulebook()
NAMES = {site: name for name, site in SITES.items()}


def invent(seed: int, count: int) -> list[Plain]:
    """Readings so narrow that ties, exact tens and repeated pairs come up often."""
    chance = random.Random(seed)
    systolic = [*range(120, 151), 130, 140, 140.5, 145.5, 150, 150.5]
    diastolic = [*range(70, 96), 80, 90, 90.25]
    return [Plain(chance.choice("LR"), chance.choice(systolic), chance.choice(diastolic)) for _ in range(count)]


plain_readings = st.builds(invent, st.integers(0, 2**32), st.integers(1, 8))


def evaluate_plain(readings: list[Plain], first_visit: bool, closed: bool) -> Evaluation:
    rows = [
        {
            "taken_at": (NOON + timedelta(seconds=70 * place)).isoformat(),
            "systolic_mmhg": reading.systolic,
            "diastolic_mmhg": reading.diastolic,
            "site": SITES[reading.arm],
            "position": "sitting",
            "method": "oscillometric",
        }
        for place, reading in enumerate(readings)
    ]
    body = {
        "subject": {"identifier": {"system": "urn:example:cases", "value": "person"}, "birth_date": "1971-01-15"},
        "visit": "first" if first_visit else "follow-up",
        "protocol": "office-both-arms" if first_visit else "office-one-arm",
        "guidelines": ["aha-acc-2025"],
        "closed": closed,
        "readings": rows,
    }
    return evaluate_body(body, RULEBOOK)


@pytest.mark.parametrize("first_visit", [True, False], ids=["first-visit", "follow-up"])
@settings(deadline=None, derandomize=True, max_examples=500)
@given(readings=plain_readings)
def test_an_open_sitting_asks_what_the_table_asks(first_visit: bool, readings: list[Plain]) -> None:
    evaluation, told = evaluate_plain(readings, first_visit, False), fold(readings, first_visit, False)
    step = evaluation.next_step
    found = Told(
        evaluation.state,
        step.action,
        NAMES[step.site] if step.site else None,
        [outcome.reason for outcome in evaluation.readings],
        told.due,
    )
    assert found == told


@pytest.mark.parametrize("first_visit", [True, False], ids=["first-visit", "follow-up"])
@settings(deadline=None, derandomize=True, max_examples=500)
@given(readings=plain_readings)
def test_a_closed_sitting_counts_what_the_table_counts(first_visit: bool, readings: list[Plain]) -> None:
    evaluation, told = evaluate_plain(readings, first_visit, True), fold(readings, first_visit, True)
    assert (evaluation.state, [outcome.reason for outcome in evaluation.readings]) == (told.state, told.reasons)
    if told.state == "complete":
        counted = [reading for reading, reason in zip(readings, told.reasons, strict=True) if reason is None]
        assert evaluation.result is not None
        assert evaluation.result.systolic_mean_mmhg == sum(reading.systolic for reading in counted) / 2
        assert ("further-reading-needed" in evaluation.categories[0].provisional_because) == told.due
