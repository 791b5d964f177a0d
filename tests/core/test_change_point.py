"""Whether visits stood still: the change test by itself, behind the certainty of one evaluation, and in the summary.

Checked against the direct formula of two weighted means, and against simulation: people who stand still are told that they
changed no more often than the rule file says. The people are invented.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from core.golden import evaluate_body
from core.test_certainty import body, codes, earlier, history, only
from core.test_summary import FACTS, SUBJECT, TODAY, numbered, office, summary_of
from quietcuff.core.certainty.changes import (
    Level,
    drift_of,
    find_change,
    newest_is_beyond,
    steps_of,
    sums_of,
    visits_before_change,
)
from quietcuff.core.model.evaluation import Evaluation, Finding
from quietcuff.core.model.readings import Facts
from quietcuff.core.summarise import summarise
from quietcuff.rules.catalog import load_rulebook

BOOK = load_rulebook()
RULES = BOOK.drift
# One untreated office visit of two readings: 56.25, 18.9, 17.64 between visits, 10.76, 1.24, 9.89 within (docs/certainty.md).
COVARIANCE = (67.0, 20.14, 27.5)
Pressures = tuple[float, float]

PREGNANCY = [(112, 70), (115, 72), (119, 74), (124, 78), (130, 82), (136, 86), (142, 90), (148, 94)]
TREATED = [(168, 100), (166, 98), (170, 99), (150, 92), (138, 86), (132, 82)]
STEADY = [(131, 82), (138, 79), (127, 84), (135, 86), (129, 78), (133, 81)]


def levels(values: Sequence[Pressures], days_apart: int = 14) -> list[Level]:
    return [
        Level(day=days_apart * place, systolic=systolic, diastolic=diastolic, covariance=COVARIANCE)
        for place, (systolic, diastolic) in enumerate(values)
    ]


def left_out(values: Sequence[Pressures], *, moving: bool = False) -> int:
    return visits_before_change(levels(values), RULES, moving=moving)


def test_two_visits_are_compared_by_their_difference() -> None:
    """dᵀ(V₁ + V₂)⁻¹d by hand: 20/10 apart, sum (134, 40, 55): (400·55 - 2·20·10·40 + 100·134)/(134·55 - 40²) = 19400/5770."""
    parts = [
        sums_of([Level(day=day, systolic=systolic, diastolic=diastolic, covariance=(67, 20, 27.5))])
        for day, systolic, diastolic in ((0, 160, 95), (1, 140, 85))
    ]
    assert steps_of(parts, RULES) == [pytest.approx(19400 / 5770, abs=1e-9)]
    assert left_out([(160, 95), (140, 85)]) == 0
    assert left_out([(165, 98), (130, 80)]) == 1
    assert left_out([(165, 98)]) == 0
    # Chi-square of two degrees of freedom is exp(-x/2) above x.
    assert math.exp(-RULES.limit(2, moving=False) / 2) == pytest.approx(0.05, abs=2e-4)
    assert math.exp(-RULES.limit(2, moving=True) / 2) == pytest.approx(0.20, abs=1e-3)


def test_a_step_is_the_difference_of_the_weighted_means() -> None:
    """Three against two: dᵀ(V/3 + V/2)⁻¹d, which is dᵀV⁻¹d·6/5; below four visits nothing weakens it, so one is left out."""
    values = levels([(140, 86), (146, 90), (120, 75)])
    d = (143 - 120, 88 - 75)
    a, b, c = COVARIANCE
    square = (d[0] * d[0] * c - 2 * d[0] * d[1] * b + d[1] * d[1] * a) / (a * c - b * b)
    assert steps_of([sums_of([level]) for level in values], RULES)[1] == pytest.approx(square / 1.5, abs=1e-9)


def test_a_straight_line_takes_away_what_regression_takes_away() -> None:
    """Uncorrelated unit variances: slope²·Σ(t - mean)², for systolic 3 mmHg a visit and diastolic 1: (9 + 1)·2."""
    values = [
        Level(day=place, systolic=100 + 3 * place, diastolic=70 + place, covariance=(1.0, 0.0, 1.0)) for place in range(3)
    ]
    assert drift_of(values, RULES) == pytest.approx(20, abs=1e-9)


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        (PREGNANCY, 5),
        (TREATED, 3),
        (STEADY, 0),
        ([*STEADY, (165, 98), (131, 81), (130, 80)], 0),
        ([*STEADY, (165, 98)], 6),
        ([(150, 95), (112, 70), (114, 71)], 1),
        ([*STEADY, (165, 98), (166, 97), (163, 99)], 6),
    ],
    ids=["rising", "falling", "steady", "one-off", "newest-alone", "first-alone", "step"],
)
def test_what_came_before_a_change_is_left_out(values: Sequence[Pressures], expected: int) -> None:
    assert left_out(values) == expected
    kept = levels(values)[expected:]
    assert find_change(kept, RULES, moving=False) == 0


def test_where_values_move_a_smaller_change_is_enough() -> None:
    values = [(122, 76), (120, 75), (125, 78), (137, 86), (139, 87)]
    assert (left_out(values), left_out(values, moving=True)) == (0, 3)


def people(count: int, visits: int, seed: int, shift: Callable[[int], Pressures] = lambda _: (0, 0)) -> list[list[Level]]:
    chance = random.Random(seed)
    a, b, c = COVARIANCE
    found = []
    for _ in range(count):
        values = []
        for place in range(visits):
            one, other = chance.gauss(0, 1), chance.gauss(0, 1)
            up = shift(place)
            systolic = 130 + math.sqrt(a) * one + up[0]
            values.append((systolic, 80 + b / math.sqrt(a) * one + math.sqrt(c - b * b / a) * other + up[1]))
        found.append(levels(values))
    return found


@pytest.mark.parametrize("visits", [2, 3, 5, 9])
def test_people_who_stand_still_are_seldom_told_that_they_changed(visits: int) -> None:
    """By simulation, at most the stated share and three standard errors of it."""
    count = 2000
    some = people(count, visits, 100 + visits)
    for moving, share in ((False, RULES.wrong_where_still), (True, RULES.wrong_where_moving)):
        told = sum(visits_before_change(each, RULES, moving=moving) > 0 for each in some) / count
        assert told <= share + 3 * math.sqrt(share * (1 - share) / count)
        assert told > 0


@pytest.mark.parametrize("visits", [4, 6, 10])
def test_limits_are_the_quantiles_of_the_largest_statistic(visits: int) -> None:
    count, above = 3000, 0
    for each in people(count, visits, 200 + visits):
        largest = max(*steps_of([sums_of([level]) for level in each], RULES), drift_of(each, RULES))
        above += largest >= RULES.limit(visits, moving=False)
    assert above / count == pytest.approx(0.05, abs=3 * math.sqrt(0.05 * 0.95 / count))


def test_large_changes_are_found() -> None:
    """Power as docs/certainty.md tells it, within two points."""
    shapes: list[tuple[Callable[[int], Pressures], int, float]] = [
        (lambda place: (36 * place / 7, 24 * place / 7), 8, 0.979),
        (lambda place: (20 * (place > 3), 10 * (place > 3)), 8, 0.798),
        (lambda place: (-36 * (place > 2), -18 * (place > 2)), 6, 0.995),
    ]
    for shift, visits, expected in shapes:
        some = people(1500, visits, 300 + visits, shift)
        found = sum(visits_before_change(each, RULES, moving=False) > 0 for each in some) / len(some)
        assert found == pytest.approx(expected, abs=0.02 + 3 * math.sqrt(expected * (1 - expected) / len(some)))


@settings(deadline=None, derandomize=True, max_examples=60)
@given(st.lists(st.tuples(st.integers(90, 210), st.integers(50, 120)), min_size=1, max_size=12), st.booleans())
def test_the_newest_visit_is_always_kept_and_after_a_change_never_beyond_its_interval(
    values: list[Pressures], moving: bool
) -> None:
    visits = levels(values)
    before = visits_before_change(visits, RULES, moving=moving)
    assert 0 <= before < len(visits)
    assert before == 0 or not newest_is_beyond(visits[before:])


def past(values: Sequence[Pressures], days_apart: int = 14) -> list[dict[str, Any]]:
    """Earlier sittings, the last a while before 1 May 2026."""
    first = date(2026, 4, 24) - timedelta(days=days_apart * (len(values) - 1))
    return [earlier(*value, (first + timedelta(days=days_apart * place)).isoformat()) for place, value in enumerate(values)]


def evaluation_after(values: Sequence[Pressures], newest: Pressures, **more: Any) -> Evaluation:
    return evaluate_body(body(newest, newest, history=history(*past(values)), **more), BOOK)


def said(findings: list[Finding], code: str) -> str:
    return next(finding.message for finding in findings if finding.code == code)


def test_an_evaluation_rests_on_what_came_after_the_change() -> None:
    """Falling from 168 to 132 with no change of treatment recorded: three visits are left, their mean 140/87."""
    evaluation = evaluation_after(TREATED[:-1], TREATED[-1])
    entry = only(evaluation)
    assert entry.visits_used == 3
    low, high = entry.interval_95.systolic_mmhg
    assert low <= 132 <= high
    assert said(evaluation.findings, "values-changed") == (
        "The usual pressure has changed: 168/99 at 3 visits before 2026-04-10, 140/87 since then. "
        "Chances and intervals rest on what came since."
    )
    assert "newest-outside-interval" not in codes(evaluation)


def test_a_newest_value_far_off_stands_alone_and_another_visit_is_asked_for() -> None:
    evaluation = evaluation_after(STEADY, (165, 98))
    assert only(evaluation).visits_used == 1
    assert "measure again on another day" in said(evaluation.findings, "newest-differs")
    assert "values-changed" not in codes(evaluation)
    steady = evaluation_after(STEADY, (132, 82))
    assert only(steady).visits_used == 7
    assert not {"values-changed", "newest-differs", "newest-outside-interval"} & set(codes(steady))


def test_a_newest_value_outside_its_interval_is_told_with_what_the_interval_rests_on() -> None:
    evaluation = evaluation_after(STEADY, (142, 82))
    low, high = only(evaluation).interval_95.systolic_mmhg
    assert not low <= 142 <= high
    told = said(evaluation.findings, "newest-outside-interval")
    assert told.startswith("The newest value (systolic)") and "6 earlier visits and what is known of people" in told


@settings(deadline=None, derandomize=True, max_examples=60, suppress_health_check=list(HealthCheck))
@given(
    st.lists(st.tuples(st.integers(100, 200), st.integers(60, 110)), max_size=8),
    st.tuples(st.integers(100, 175), st.integers(60, 105)),
    st.sampled_from(["pregnant", "no", "not-recorded"]),
    st.randoms(use_true_random=False),
)
def test_no_interval_leaves_the_newest_value_out_in_silence_and_the_order_of_earlier_ones_does_not_matter(
    values: list[Pressures], newest: Pressures, pregnancy: str, chance: random.Random
) -> None:
    sittings = past(values)
    subject = {"sex": "female", "pregnancy": pregnancy}
    guidelines = ["acog-2020" if pregnancy == "pregnant" else "esc-2024"]
    whole = body(newest, newest, history=history(*sittings), subject=subject, guidelines=guidelines)
    evaluation = evaluate_body(whole, BOOK)
    for entry in evaluation.certainty:
        ends = (entry.interval_95.systolic_mmhg, entry.interval_95.diastolic_mmhg)
        inside = all(low <= value <= high for value, (low, high) in zip(newest, ends, strict=True))
        assert inside == ("newest-outside-interval" not in codes(evaluation))
    chance.shuffle(sittings)
    mixed = evaluate_body(whole | {"history": history(*sittings)}, BOOK)
    assert (mixed.certainty, mixed.findings) == (evaluation.certainty, evaluation.findings)


def visits(values: Sequence[Pressures], days_apart: int = 14, **more: Any) -> list[dict[str, Any]]:
    """Office visits that end three days ago."""
    count = len(values)
    return [office(3 + days_apart * (count - 1 - place), value, **more) for place, value in enumerate(values)]


def test_a_summary_pools_the_visits_since_the_change_and_says_why_the_others_are_left_out() -> None:
    summary = summary_of(*visits(TREATED))
    assert [(each.set, each.because) for each in summary.sittings.left_out] == [
        (f"s{place}", "before-change") for place in range(3)
    ]
    pooled = summary.pooled.office
    assert pooled is not None
    # 150, 138, 132 and 92, 86, 82: 420/3 and 260/3.
    assert (pooled.systolic_mmhg, pooled.diastolic_mmhg, pooled.days) == (140, 87, 3)
    assert summary.certainty[0].visits_used == 3
    assert "168/99 at 3 visits before" in said(summary.findings, "values-changed")
    assert summary.sittings.counted == 3


def test_in_pregnancy_the_recent_visits_rule() -> None:
    """Weeks 20 to 38, from 112/70 to 148/94."""
    subject = SUBJECT | {"birth_date": "1996-01-15", "pregnancy": "pregnant"}
    facts = Facts(birth_date="1996-01-15", sex="female", pregnancy="pregnant")
    summary = summary_of(*visits(PREGNANCY, 18, subject=subject, guidelines=["acog-2020"]), facts=facts)
    pooled = summary.pooled.office
    assert pooled is not None
    assert (pooled.systolic_mmhg, pooled.diastolic_mmhg, pooled.days) == (142, 90, 3)
    assert [entry.category for entry in summary.categories] == ["hypertension"]
    low, high = summary.certainty[0].interval_95.systolic_mmhg
    assert low <= 148 <= high


def test_a_newest_visit_that_differs_is_measured_again_on_another_day() -> None:
    summary = summary_of(*visits([(172, 99), (168, 98), (170, 97), (128, 80)]))
    pooled = summary.pooled.office
    assert pooled is not None and (pooled.systolic_mmhg, pooled.days) == (128, 1)
    assert (summary.next_step.action, summary.next_step.reason) == (
        "repeat-another-day",
        BOOK.wording.step["newest-differs"],
    )
    assert summary.categories[0].provisional_because == ["single-sitting"]
    assert {"newest-differs"} <= {finding.code for finding in summary.findings}


def test_a_steady_person_keeps_every_visit_whatever_the_order() -> None:
    stored = numbered(*visits(STEADY))
    summary = summarise("person", FACTS, stored, TODAY, BOOK)
    assert summary.sittings.left_out == []
    assert summary == summarise("person", FACTS, stored[::-1], TODAY, BOOK)
    changed = numbered(*visits(TREATED))
    random.Random(3).shuffle(changed)
    assert summarise("person", FACTS, changed, TODAY, BOOK) == summary_of(*visits(TREATED))


def test_a_summary_answers_as_of_a_moment() -> None:
    early = summarise("person", FACTS, numbered(*visits(TREATED)), datetime(2026, 5, 1, tzinfo=UTC), BOOK)
    assert {each.because for each in early.sittings.left_out} == {"outside-window"}
