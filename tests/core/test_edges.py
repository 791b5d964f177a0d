"""Edges that only a value exactly on them tells apart: each test fails when one comparison is moved or turned.

Where a change means the same no test can fail: in ``arms.is_inconsistent`` the sign of a difference that is not zero may be
asked with ``> 0`` or ``>= 0``.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

import msgspec
import pytest

from core.golden import PERSON, evaluate_body, read_line
from quietcuff.core.model.changes import correctable_reading
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.history import HistoryPair
from quietcuff.core.model.readings import Reading, ReadingSet
from quietcuff.core.over_visits.control import measure_control
from quietcuff.core.rulebook.rulebook import Edge
from quietcuff.core.sitting.arms import arm_of_record
from quietcuff.core.sitting.person import earliest_birth_day
from quietcuff.rules.catalog import load_rulebook

RULEBOOK = load_rulebook()
LIMIT = Edge(systolic_mmhg=140, diastolic_mmhg=90)


def sitting(*lines: str, **fields: Any) -> Evaluation:
    subject = PERSON | fields.pop("subject", {})
    body = {"visit": "follow-up", "subject": subject, "readings": [read_line(line) for line in lines]}
    return evaluate_body(body | fields, RULEBOOK)


def codes(evaluation: Evaluation) -> list[str]:
    return [finding.code for finding in evaluation.findings]


def test_one_ordinary_reading_settles_a_low_one() -> None:
    settled = sitting("09:00:00 88/56 L", "09:01:10 118/76 L", closed=False)
    assert (settled.safety.level, settled.safety.ask) == ("none", [])
    assert sitting("09:00:00 118/76 L", "09:01:10 88/56 L", closed=False).next_step.reason.startswith("A low reading")


def test_the_tenth_valid_reading_is_the_last_that_is_asked_for() -> None:
    lines = [f"09:{minute:02}:00 {170 if minute < 9 else 184}/95 L" for minute in range(10)]
    assert sitting(*lines, closed=False).safety.level == "same-day"
    assert sitting(*lines[1:], closed=False).safety.level == "confirm"


def test_the_places_that_may_be_corrected_are_named() -> None:
    reading_set = msgspec.convert(
        {"subject": PERSON, "readings": [read_line("09:00:00 120/80 L"), read_line("09:01:10 120/80 L")]}, ReadingSet
    )
    with pytest.raises(NotAcceptable) as refused:
        correctable_reading(reading_set, 2, "/corrections/0")
    assert refused.value.faults[0].detail == "A place from 0 to 1."


def test_the_lower_of_the_last_two_is_not_the_lower_of_three() -> None:
    # NICE: the lower of the last two of a third reading's pair (as in the protocol's source).
    found = sitting("09:00:00 138/84 L", "09:01:10 152/92 L", "09:02:20 150/91 L", protocol="office-nice-2019")
    assert [outcome.index for outcome in found.readings if outcome.counts] == [2]


@pytest.mark.parametrize(
    ("text", "day"), [("1958", date(1958, 1, 1)), ("1958-06", date(1958, 6, 1)), ("1958-06-09", date(1958, 6, 9))]
)
def test_the_earliest_day_of_a_birth_date(text: str, day: date) -> None:
    assert earliest_birth_day(text) == day


def test_notes_of_the_intake_are_told_of_readings_that_stand_and_of_no_others() -> None:
    notes = [{"reading": place, "code": "clock-shifted"} for place in (0, 1)]
    found = sitting("09:00:00 120/80 L voided=yes", "09:01:10 120/80 L", "09:02:20 120/80 L", intake={"notes": notes})
    assert [finding.reading for finding in found.findings if finding.code == "clock-shifted"] == [1]


def test_the_fit_is_known_from_arm_and_range_together() -> None:
    cuff = {"range_cm": [22, 32]}
    assert "cuff-not-recorded" not in codes(sitting("09:00:00 120/80 L", cuff=cuff, subject={"arm_circumference_cm": 27}))
    assert "cuff-not-recorded" in codes(sitting("09:00:00 120/80 L", cuff=cuff))


def test_another_guideline_calls_a_diastolic_of_exactly_110_severe() -> None:
    lines = ("09:00:00 150/110 L", "09:01:10 150/110 L")
    assert "other-guideline-severe" in codes(sitting(*lines, guidelines=["esc-2024"]))
    below = ("09:00:00 150/109 L", "09:01:10 150/109 L")
    assert "other-guideline-severe" not in codes(sitting(*below, guidelines=["esc-2024"]))


def test_diastolic_makes_an_arm_of_record_where_systolic_is_even() -> None:
    pairs = [
        HistoryPair(day=date(2026, 3, day), systolic_difference_mmhg=difference, diastolic_difference_mmhg=12)
        for day, difference in ((1, 3), (2, -3))
    ]
    assert arm_of_record(pairs, RULEBOOK.limits) == "right-upper-arm"


def test_somebody_may_be_born_on_the_day_of_the_readings() -> None:
    assert sitting("09:00:00 70/40 L", subject={"birth_date": "2026-05-04"}).state == "not-usable"
    with pytest.raises(NotAcceptable) as refused:
        sitting("09:00:00 70/40 L", subject={"birth_date": "2026-05-05"})
    assert [fault.code for fault in refused.value.faults] == ["after-the-readings"]


@pytest.mark.parametrize(("years", "told"), [("2025-06-01", True), ("2025-05-04", False), ("1990-01-01", False)])
def test_under_one_year_is_out_of_scope_and_nobody_older_is(years: str, told: bool) -> None:
    found = sitting("09:00:00 90/50 L", "09:01:10 90/50 L", "09:02:20 90/50 L", subject={"birth_date": years})
    assert ("out-of-scope" in codes(found)) == told


@pytest.mark.parametrize(
    ("systolic", "diastolic", "below"),
    [(139, 89, True), (140, 89, False), (139, 90, False), (150, 85, False), (130, 95, False)],
)
def test_controlled_is_below_both(systolic: float, diastolic: float, below: bool) -> None:
    # CMS165: the most recent day, lowest of each, strictly below 140 and strictly below 90.
    reading = Reading(
        taken_at=datetime.fromisoformat("2026-05-04T09:00:00+02:00"), systolic_mmhg=systolic, diastolic_mmhg=diastolic
    )
    measured = measure_control([reading], LIMIT, None)
    assert measured is not None
    assert (measured.below_140_90, measured.differs_because) == (below, ["no-clinical-mean"])
    same = measure_control([reading], LIMIT, (int(systolic), int(diastolic)))
    assert same is not None and same.differs_because == []


def test_of_two_arms_that_were_severe_at_one_moment_the_same_is_asked_for_in_any_order() -> None:
    """Neither is later, and neither has stood down: common practice, no published source, says no more than to choose one."""
    lines = ["09:00:00 184/112 L", "09:00:00 186/111 R"]
    asked = [sitting(*order, closed=False).next_step for order in (lines, lines[::-1])]
    assert asked[0].site == asked[1].site == "right-upper-arm"
