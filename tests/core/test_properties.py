"""What must hold of every sitting, whatever is sent: the invariants of a sitting, the mean, the bytes, the nurse."""

from __future__ import annotations

import random
from datetime import date, timedelta
from typing import Any

import msgspec
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from core.nurse import carry_on
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import Reading, ReadingSet
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook
from strategies import (
    ENCODER,
    GUIDELINES,
    NOON,
    Inventor,
    as_reading_set,
    bodies,
    inventors,
    reading_sets,
    without_none,
)

LEVELS = ["none", "ask", "confirm", "same-day", "urgent"]
RULEBOOK = load_rulebook()
often = settings(
    deadline=None, derandomize=True, max_examples=400, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much]
)
seldom = settings(
    deadline=None, derandomize=True, max_examples=200, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much]
)


def judge(reading_set: ReadingSet, rulebook: Rulebook = RULEBOOK) -> Evaluation:
    """The evaluation; sets that are no one sitting are left to the tests of refusals."""
    try:
        return evaluate(reading_set, reading_set.history, rulebook)
    except NotAcceptable:
        assume(False)
        raise


def restricted_sides(reading_set: ReadingSet) -> set[str]:
    day = date(2026, 5, 4)
    return {r.arm for r in reading_set.subject.arm_restrictions if r.until is None or r.until >= day}


def is_expecting(reading_set: ReadingSet) -> bool:
    """Pregnant, or within 42 days of a birth; a birth that is not dated, or dated later, is taken as recent."""
    subject, day = reading_set.subject, date(2026, 5, 4)
    days_since = None if subject.delivered_on is None else (day - subject.delivered_on).days
    recent = days_since is not None and 0 <= days_since <= 42
    undated = subject.pregnancy == "postpartum" and (days_since is None or days_since < 0)
    return subject.pregnancy == "pregnant" or recent or undated


def is_severe(reading: Reading, expecting: bool) -> bool:
    """Plausible or over-range, at or above the trigger; by its own words, not the core's."""
    systolic, diastolic = reading.systolic_mmhg, reading.diastolic_mmhg
    if reading.voided or systolic is None or diastolic is None or not diastolic < systolic:
        return False
    plausible = 50 <= systolic <= 300 and 20 <= diastolic <= 200 and systolic - diastolic >= 10
    return (plausible or systolic > 300) and (systolic >= (160 if expecting else 180) or diastolic >= 110)


def relabelled(evaluation: Evaluation, places: dict[int, int]) -> dict[str, Any]:
    """The evaluation as plain values with its places renamed, in the order of the new names."""
    answer: dict[str, Any] = msgspec.json.decode(ENCODER.encode(evaluation))
    for outcome in answer["readings"]:
        outcome["index"] = places[outcome["index"]]
    answer["readings"].sort(key=lambda outcome: outcome["index"])
    for finding in answer["findings"]:
        if finding["reading"] is not None:
            finding["reading"] = places[finding["reading"]]
    answer["safety"]["readings"] = sorted(places[place] for place in answer["safety"]["readings"])
    return answer


def plain(evaluation: Evaluation) -> dict[str, Any]:
    answer: dict[str, Any] = msgspec.json.decode(ENCODER.encode(evaluation))
    return answer


@often
@given(reading_sets(), st.integers(0, 2**32))
def test_order_of_arrival_changes_nothing(reading_set: ReadingSet, seed: int) -> None:
    expected = plain(judge(reading_set))
    order = list(range(len(reading_set.readings)))
    random.Random(seed).shuffle(order)
    same: dict[bytes, list[int]] = {}
    for place in order:
        same.setdefault(ENCODER.encode(reading_set.readings[place]), []).append(place)
    kept = {key: iter(sorted(places)) for key, places in same.items()}
    order = [next(kept[ENCODER.encode(reading_set.readings[place])]) for place in order]
    shuffled = msgspec.structs.replace(reading_set, readings=[reading_set.readings[place] for place in order])
    assert relabelled(judge(shuffled), dict(enumerate(order))) == expected


@often
@given(reading_sets())
def test_no_next_site_is_restricted(reading_set: ReadingSet) -> None:
    evaluation = judge(reading_set)
    then = evaluation.next_step.then
    sites = [evaluation.next_step.site, evaluation.plan.site, evaluation.arms.arm_to_use, then and then.site]
    assert not {site.split("-")[0] for site in sites if site} & restricted_sides(reading_set)
    assert evaluation.next_step.site != "not-recorded"


@often
@given(reading_sets())
def test_a_severe_reading_is_never_silent(reading_set: ReadingSet) -> None:
    evaluation = judge(reading_set)
    expecting = is_expecting(reading_set)
    severe = [place for place, reading in enumerate(reading_set.readings) if is_severe(reading, expecting)]
    if severe:
        assert evaluation.safety.level != "none"
        assert set(severe) <= set(evaluation.safety.readings)
        assert evaluation.safety.text
        assert {f.reading for f in evaluation.findings if f.code == "severe-reading"} >= set(severe)
    if reading_set.context.acute_symptoms == "yes":
        assert (evaluation.safety.level, evaluation.next_step.action) == ("urgent", "urgent-assessment")


@often
@given(reading_sets())
def test_no_step_asks_for_what_is_recorded(reading_set: ReadingSet) -> None:
    evaluation = judge(reading_set)
    asked = {
        *evaluation.safety.ask,
        *evaluation.next_step.ask,
        *(evaluation.next_step.then.ask if evaluation.next_step.then else []),
    }
    known = {**msgspec.structs.asdict(reading_set.context), **msgspec.structs.asdict(reading_set.subject)}
    assert all(known[name] in (None, "not-recorded") for name in asked)
    if evaluation.next_step.action == "measure-other-arm":
        there = [
            outcome
            for outcome, reading in zip(evaluation.readings, reading_set.readings, strict=True)
            if outcome.reason in ("pending", "other-arm", None) and reading.site == evaluation.next_step.site
        ]
        assert not there or evaluation.arms.pairs == 1


@often
@given(reading_sets())
def test_every_reading_counts_or_has_a_reason(reading_set: ReadingSet) -> None:
    evaluation = judge(reading_set)
    assert [outcome.index for outcome in evaluation.readings] == list(range(len(reading_set.readings)))
    assert all(outcome.counts != (outcome.reason is not None) for outcome in evaluation.readings)
    counted = sum(outcome.counts for outcome in evaluation.readings)
    assert (evaluation.result is not None) == (evaluation.state == "complete") == (counted > 0)
    assert evaluation.result is None or evaluation.result.readings_counted == counted
    assert (evaluation.blocked_by != []) == (evaluation.state == "not-usable")


@often
@given(bodies(most=6), st.sets(st.integers(0, 5), max_size=4))
def test_voiding_is_never_having_sent(body: dict[str, Any], voided: set[int]) -> None:
    rows = [{**row, "voided": place in voided or row.get("voided", False)} for place, row in enumerate(body["readings"])]
    left = [place for place, row in enumerate(rows) if not row["voided"]]
    assume(left)
    with_voided = plain(judge(as_reading_set({**body, "readings": rows})))
    without = judge(as_reading_set({**body, "readings": [rows[place] for place in left]}))
    with_voided["readings"] = [outcome for outcome in with_voided["readings"] if outcome["reason"] != "voided"]
    assert relabelled(without, dict(enumerate(left))) == with_voided


@seldom
@given(bodies(most=4))
def test_all_voided_is_as_if_nothing_were_known(body: dict[str, Any]) -> None:
    evaluation = judge(as_reading_set({**body, "readings": [{**row, "voided": True} for row in body["readings"]]}))
    assert {outcome.reason for outcome in evaluation.readings} == {"voided"}
    assert evaluation.result is None and evaluation.safety.readings == []
    assert all(finding.reading is None for finding in evaluation.findings)
    assert body.get("context", {}).get("acute_symptoms") == "yes" or evaluation.safety.level == "none"


@often
@given(bodies(closed=False, most=4), inventors, st.sampled_from([0, 30, 60, 90, 600]))
def test_a_reading_that_is_not_severe_never_lowers_safety_from_confirmed(
    body: dict[str, Any], inventor: Inventor, seconds: int
) -> None:
    severe = [{**row, "systolic_mmhg": 190, "diastolic_mmhg": 112, "voided": False} for row in body["readings"]]
    before = judge(as_reading_set({**body, "readings": [*severe, *twice_severe()]}))
    assume(any(finding.code == "severe-confirmed" for finding in before.findings))
    later = max(as_reading_set(body).readings, key=lambda reading: reading.taken_at).taken_at
    added = {**inventor.reading(later + timedelta(seconds=seconds)), "systolic_mmhg": 138, "diastolic_mmhg": 84}
    after = judge(as_reading_set({**body, "readings": [*severe, *twice_severe(), added]}))
    assert LEVELS.index(after.safety.level) >= LEVELS.index(before.safety.level)
    assert any(finding.code == "severe-confirmed" for finding in after.findings)


def twice_severe() -> list[dict[str, Any]]:
    """Two severe readings that say as little as they may."""
    return [
        {"taken_at": (NOON + timedelta(seconds=seconds)).isoformat(), "systolic_mmhg": 190, "diastolic_mmhg": 112}
        for seconds in (5, 75)
    ]


@often
@given(reading_sets())
def test_no_category_without_a_result_or_outside_the_population(reading_set: ReadingSet) -> None:
    evaluation = judge(reading_set)
    for entry in evaluation.categories:
        population = RULEBOOK.guidelines[entry.guideline].population
        outside = is_expecting(reading_set) != (population.pregnancy == "only") or reading_set.setting != "office"
        if evaluation.state != "complete" or outside:
            assert entry.category is None
        assert (entry.category is None) == (entry.label is None) == (entry.decided_by is None) == (entry.basis is None)
        assert entry.provisional == bool(entry.provisional_because)
        assert entry.category is None or "single-sitting" in entry.provisional_because


@often
@given(reading_sets(closed=True))
def test_arms_methods_and_positions_never_share_a_mean(reading_set: ReadingSet) -> None:
    evaluation = judge(reading_set)
    counted = [reading_set.readings[outcome.index] for outcome in evaluation.readings if outcome.counts]
    assert len({reading.site for reading in counted}) <= 1
    assert len({reading.position for reading in counted}) <= 1
    assert len({method for reading in counted for method in [recorded_method(reading_set, reading)]}) <= 1
    if evaluation.result is not None:
        assert (counted[0].site, counted[0].position) == (evaluation.result.site, evaluation.result.position)


def recorded_method(reading_set: ReadingSet, reading: Reading) -> str | None:
    """As the reading says, else as the kind of its device does."""
    device = reading.device or reading_set.device
    kinds = {"automatic": "oscillometric", "semi-automatic": "oscillometric", "auscultatory": "auscultatory"}
    return reading.method or (kinds.get(device.kind or "") if device is not None else None)


@often
@given(reading_sets(closed=True))
def test_the_mean_lies_between_the_counted_readings(reading_set: ReadingSet) -> None:
    evaluation = judge(reading_set)
    assume(evaluation.result is not None)
    result = evaluation.result
    assert result is not None
    counted = [reading_set.readings[outcome.index] for outcome in evaluation.readings if outcome.counts]
    for name in ("systolic", "diastolic"):
        values = [float(getattr(reading, f"{name}_mmhg")) for reading in counted]
        mean = getattr(result, f"{name}_mean_mmhg")
        assert min(values) - 1e-4 <= mean <= max(values) + 1e-4
        assert abs(mean - sum(values) / len(values)) <= 1e-4
        assert abs(getattr(result, f"{name}_mmhg") - sum(values) / len(values)) <= 0.5 + 1e-9
    assert result.taken_from <= result.taken_to


@often
@given(reading_sets())
def test_the_same_sitting_gives_the_same_bytes(reading_set: ReadingSet) -> None:
    first = ENCODER.encode(judge(reading_set))
    assert ENCODER.encode(judge(reading_set)) == first
    over_the_wire = msgspec.json.decode(ENCODER.encode(reading_set), type=ReadingSet)
    assert ENCODER.encode(judge(over_the_wire)) == first
    assert ENCODER.encode(judge(over_the_wire, load_rulebook_again())) == first
    assert ENCODER.encode(msgspec.json.decode(first)) == first


def load_rulebook_again(loaded: list[Rulebook] = []) -> Rulebook:  # noqa: B006
    """A second rulebook from the same files."""
    if not loaded:
        loaded.append(load_rulebook())
    return loaded[0]


@often
@given(reading_sets())
def test_every_answer_holds_every_key(reading_set: ReadingSet) -> None:
    evaluation = judge(reading_set)
    assert_all_keys(evaluation, plain(evaluation))


def assert_all_keys(struct: Any, value: Any) -> None:
    if isinstance(struct, msgspec.Struct):
        assert set(value) == set(struct.__struct_fields__)
        for name in struct.__struct_fields__:
            assert_all_keys(getattr(struct, name), value[name])
    elif isinstance(struct, list):
        for inner, outer in zip(struct, value, strict=True):
            assert_all_keys(inner, outer)


@often
@given(reading_sets())
def test_nothing_is_raised_but_a_refusal_with_its_places(reading_set: ReadingSet) -> None:
    try:
        evaluation = evaluate(reading_set, reading_set.history, RULEBOOK)
    except NotAcceptable as refusal:
        assert refusal.faults
        assert all(fault.pointer is not None and fault.code and fault.detail for fault in refusal.faults)
        return
    codes = {finding.code for finding in evaluation.findings}
    assert codes <= set(RULEBOOK.wording.finding)
    assert all(key in RULEBOOK.sources for finding in evaluation.findings for key in finding.source)
    assert not any("{" in finding.message for finding in evaluation.findings)


@often
@given(reading_sets(closed=True))
def test_after_closing_no_step_asks_for_a_reading_in_this_sitting(reading_set: ReadingSet) -> None:
    evaluation = judge(reading_set)
    steps = [evaluation.next_step.action, *([evaluation.next_step.then.action] if evaluation.next_step.then else [])]
    assert not {"take-reading", "measure-other-arm", "close", "auscultate"} & set(steps)
    assert evaluation.state != "in-progress"


@often
@given(reading_sets(closed=False))
def test_an_open_sitting_closes_or_goes_on(reading_set: ReadingSet) -> None:
    evaluation = judge(reading_set)
    own = evaluation.next_step.then or evaluation.next_step
    assert (evaluation.state == "complete") <= (
        own.action == "close" or evaluation.next_step.action in ("take-reading", "confirm-now")
    )
    if evaluation.state == "in-progress":
        assert own.action != "close" or restricted_sides(reading_set) == {"left", "right"} or is_newborn(reading_set)
        assert evaluation.plan.remaining > 0
    assert evaluation.plan.planned >= evaluation.plan.taken + evaluation.plan.remaining


@seldom
@given(reading_sets(closed=False, most=3), st.integers(0, 2**32))
def test_a_nurse_who_follows_every_step_reaches_close_within_ten_readings(reading_set: ReadingSet, seed: int) -> None:
    judge(reading_set)
    chance = random.Random(seed)
    irregular = chance.choice([0, 0, 0.1, 0.5])
    level = chance.choice([84, 120, 140, 165, 178])
    free: list[Any] = [f"{side}-upper-arm" for side in ("left", "right") if side not in restricted_sides(reading_set)]

    def pressures() -> tuple[float, float, str]:
        systolic = level + chance.randint(-12, 12)
        return (
            systolic,
            max(systolic - chance.choice([30, 45, 60]), 40),
            "irregular" if chance.random() < irregular else "regular",
        )

    def answer(name: str) -> str:
        return chance.choice(["no", "yes"]) if name == "auscultation_possible" else "no"

    ended = carry_on(reading_set, RULEBOOK, pressures, answer, free)
    assert ended.ended, ended.steps
    assert ended.evaluation.plan.taken <= 10, ended.steps
    assert ended.evaluation.state == "complete" or not free or is_newborn(reading_set), ended.steps


def is_newborn(reading_set: ReadingSet) -> bool:
    """Under 28 days: no reading of an arm cuff counts."""
    return reading_set.subject.birth_date == "2026-04-20"


@pytest.mark.parametrize("guideline", GUIDELINES)
@seldom
@given(inventors, st.integers(8000, 22000), st.integers(4500, 13000), st.integers(0, 6000), st.integers(0, 6000))
def test_a_category_never_falls_as_pressure_rises(
    guideline: str, inventor: Inventor, systolic: int, diastolic: int, more_systolic: int, more_diastolic: int
) -> None:
    fitting: dict[str, dict[str, Any]] = {
        "aap-2017": {"birth_date": "2011-01-15", "pregnancy": "no"},
        "acog-2020": {"pregnancy": "pregnant"},
        "nice-ng133-2019": {"pregnancy": "pregnant"},
        "fourth-report-2004": {"birth_date": "2018-01-15", "pregnancy": "no", "sex": "male", "height_cm": 128},
    }
    adult = {"birth_date": inventor.pick(["1971-01-15", "1940-02-29", "2008-05-04"]), "pregnancy": "no"}
    who = {"delivered_on": None, "arm_restrictions": [], **fitting.get(guideline, adult)}
    subject, count = without_none({**inventor.subject(), **who}), inventor.random.randint(3, 4)
    protocol = inventor.pick(
        ["office-one-arm", "office-aha-acc-2025", "office-nice-2019", "office-esc-2024", "office-ish-2020"]
    )

    def rank_of(systolic_hundredths: int, diastolic_hundredths: int) -> int:
        rows = [
            {
                "taken_at": (NOON + timedelta(seconds=70 * place)).isoformat(),
                "systolic_mmhg": systolic_hundredths / 100,
                "diastolic_mmhg": diastolic_hundredths / 100,
                "site": "left-upper-arm",
                "position": "sitting",
                "method": "oscillometric",
            }
            for place in range(count)
        ]
        body = {"subject": subject, "visit": "follow-up", "protocol": protocol, "guidelines": [guideline], "readings": rows}
        category = judge(as_reading_set(body)).categories[0].category
        assume(category is not None)  # implausible pairs give no result
        return rank_in(guideline, str(category))

    assert rank_of(systolic + more_systolic, diastolic + more_diastolic) >= rank_of(systolic, diastolic)


def rank_in(guideline: str, category: str) -> int:
    """The place of a category in its table, from the lowest; an unconfirmed one stands with its own row."""
    rows = RULEBOOK.guidelines[guideline].rows
    return next(rank for rank, row in enumerate(rows) if category in (row.category, row.unconfirmed_category))
