"""What must hold of every home series, recording and test of standing, whatever was measured."""

from __future__ import annotations

import random
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from core.golden import evaluate_body
from core.recordings import START, ambulatory_body, home_body, home_series, reading, recording
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.rules.catalog import load_rulebook

RULEBOOK = load_rulebook()
often = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
SITES = ["left-upper-arm"] * 6 + ["right-upper-arm", "not-recorded"]


def odd(rng: random.Random, row: dict[str, Any]) -> dict[str, Any]:
    """A reading that may have failed, be implausible, of the other arm, flagged or taken back."""
    chance = rng.random()
    if chance < 0.05:
        return {name: value for name, value in row.items() if not name.endswith("mmhg")}
    if chance < 0.08:
        return row | {"systolic_mmhg": 60, "diastolic_mmhg": 90}
    if chance < 0.11:
        return row | {"device_flags": ["body-movement"]}
    return row | {"site": rng.choice(SITES), "voided": chance > 0.95}


def pressures(rng: random.Random) -> Callable[[Any], tuple[int, int]]:
    level = rng.randint(95, 190)
    return lambda _: (level + rng.randint(-14, 14), level - 50 + rng.randint(-8, 8))


def home(rng: random.Random) -> dict[str, Any]:
    readings = home_series(rng.randint(1, 9), pressures(rng), times=rng.randint(1, 3))
    return home_body([odd(rng, row) for row in readings], guidelines=["esh-2023", "aha-acc-2025", "jsh-2019"])


def ambulatory(rng: random.Random) -> dict[str, Any]:
    readings = recording(pressures(rng), hours=rng.choice([8, 24, 30]), day_every=rng.choice([20, 30]))
    protocol = rng.choice(["ambulatory-24-hour", "ambulatory-nice-2019", "ambulatory-24-hour-10-to-20"])
    guidelines = ["esc-2024", "aha-acc-2025", "nice-2019"]
    return ambulatory_body([odd(rng, row) for row in readings], protocol=protocol, guidelines=guidelines)


def standing(rng: random.Random) -> dict[str, Any]:
    at = pressures(rng)
    rows, moment = [], START + timedelta(hours=9)
    for place in range(rng.randint(1, 6)):
        moment += timedelta(seconds=rng.randint(20, 150))
        upright = place > 0 and rng.random() < 0.7
        row = reading(moment, at(moment), position="standing" if upright else rng.choice(["supine", "sitting"]))
        if upright and rng.random() < 0.8:
            row["stood_at"] = (moment - timedelta(seconds=rng.randint(0, 300))).isoformat()
        rows.append(odd(rng, row))
    return home_body(rows, setting="office", protocol="orthostatic-standing", guidelines=["orthostatic-2011", "esh-2023"])


bodies = st.tuples(st.sampled_from([home, ambulatory, standing]), st.randoms(use_true_random=False), st.booleans()).map(
    lambda drawn: drawn[0](drawn[1]) | {"closed": drawn[2]}
)


def judge(body: dict[str, Any]) -> Evaluation:
    return evaluate_body(body, RULEBOOK)


@often
@given(bodies, st.randoms(use_true_random=False))
def test_arrival_in_any_order_changes_nothing(body: dict[str, Any], rng: random.Random) -> None:
    order = list(range(len(body["readings"])))
    rng.shuffle(order)
    evaluation = judge(body)
    shuffled = judge(body | {"readings": [body["readings"][place] for place in order]})
    assert [shuffled.readings[order.index(place)].reason for place in range(len(order))] == [
        outcome.reason for outcome in evaluation.readings
    ]
    for name in ("state", "blocked_by", "result", "categories", "series", "orthostatic", "plan", "record_line", "confirm_by"):
        assert getattr(shuffled, name) == getattr(evaluation, name), name


@often
@given(bodies)
def test_every_reading_counts_or_has_a_reason(body: dict[str, Any]) -> None:
    evaluation = judge(body)
    counted = sum(outcome.counts for outcome in evaluation.readings)
    assert all(outcome.counts == (outcome.reason is None) for outcome in evaluation.readings)
    assert (evaluation.result is not None) == (evaluation.state == "complete") == (counted > 0)
    assert (evaluation.blocked_by != []) == (evaluation.state == "not-usable")
    assert not (body["closed"] and evaluation.state == "in-progress")
    assert evaluation.plan.planned >= evaluation.plan.taken + evaluation.plan.remaining


@often
@given(bodies)
def test_the_mean_lies_between_the_readings_that_count(body: dict[str, Any]) -> None:
    evaluation = judge(body)
    if evaluation.result is None:
        return
    used = [row for row, outcome in zip(body["readings"], evaluation.readings, strict=True) if outcome.counts]
    for name in ("systolic_mmhg", "diastolic_mmhg"):
        values = [row[name] for row in used]
        assert min(values) <= getattr(evaluation.result, name.replace("_mmhg", "_mean_mmhg")) <= max(values)
    sites = {row["site"] for row in used}
    assert len(sites) == 1
    assert all(row.get("position") != "standing" for row in used) or body["setting"] == "ambulatory"


@often
@given(bodies)
def test_a_severe_reading_is_never_lost(body: dict[str, Any]) -> None:
    severe = {
        place
        for place, row in enumerate(body["readings"])
        if not row.get("voided")
        and row.get("systolic_mmhg", 0) > row.get("diastolic_mmhg", 0)
        and (row["systolic_mmhg"] >= 180 or row["diastolic_mmhg"] >= 110)
    }
    safety = judge(body).safety
    assert (safety.level != "none" and severe <= set(safety.readings)) or not severe


@often
@given(bodies)
def test_voiding_is_never_having_sent(body: dict[str, Any]) -> None:
    left = [row for row in body["readings"] if not row.get("voided")]
    if not left:
        return
    evaluation, without = judge(body), judge(body | {"readings": left})
    for name in ("state", "blocked_by", "result", "categories", "series", "orthostatic", "plan"):
        assert getattr(without, name) == getattr(evaluation, name), name


@often
@given(bodies)
def test_what_was_answered_is_read_back_to_the_byte(body: dict[str, Any]) -> None:
    encoded = msgspec.json.encode(judge(body))
    assert msgspec.json.encode(msgspec.json.decode(encoded, type=Evaluation)) == encoded


@often
@given(bodies, st.sampled_from(["left", "right"]))
def test_no_step_goes_to_an_arm_that_must_not_be_used(body: dict[str, Any], arm: str) -> None:
    subject = body["subject"] | {"arm_restrictions": [{"arm": arm, "reason": "dialysis-access"}]}
    evaluation = judge(body | {"subject": subject})
    steps = [evaluation.next_step, evaluation.next_step.then]
    assert all(step is None or step.site != f"{arm}-upper-arm" for step in steps)


@pytest.mark.parametrize("make", [home, ambulatory])
def test_categories_rise_with_the_pressure(make: Callable[[random.Random], dict[str, Any]]) -> None:
    flat = {home: home_series, ambulatory: recording}[make]
    order = {
        "aha-acc-2025": ["normal", "elevated", "stage-1", "stage-2"],
        "esh-2023": ["not-hypertension", "hypertension"],
        "nice-2019": ["not-hypertension", "stage-1", "stage-2"],
    }
    ranks: dict[str, list[int]] = {guideline: [] for guideline in order}
    for level in range(96, 170):
        rows = (
            flat(7, lambda _, level=level: (level, level - 50))
            if make is home
            else flat(lambda _, level=level: (level, level - 50))
        )
        body = (home_body if make is home else ambulatory_body)(rows, guidelines=list(order))
        for entry in judge(body).categories:
            ranks[entry.guideline].append(order[entry.guideline].index(entry.category or ""))
    assert all(found == sorted(found) and len(set(found)) == len(order[name]) for name, found in ranks.items())
