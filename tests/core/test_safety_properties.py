"""What must hold of safety in every group, over thousands of invented sittings of every kind."""

from __future__ import annotations

import random
from typing import Any

import msgspec
import pytest

from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.rulebook import Guideline, Row, Rulebook
from quietcuff.rules.catalog import load_rulebook
from strategies import ENCODER, Inventor

RULEBOOK = load_rulebook()
LEVELS = ("none", "ask", "confirm", "same-day", "urgent")
BATCHES, BATCH = 20, 1000
GROUPS: dict[str, dict[str, Any]] = {
    "adult": {"birth_date": "1971-01-15", "sex": "male"},
    "woman": {"birth_date": "1991-03-01", "sex": "female"},
    "pregnant": {"birth_date": "1995-01-15", "sex": "female", "pregnancy": "pregnant"},
    "after birth": {"birth_date": "1995-01-15", "sex": "female", "pregnancy": "postpartum", "delivered_on": "2026-04-20"},
    "after birth, day not known": {"birth_date": "1995-01-15", "sex": "female", "pregnancy": "postpartum"},
    "child": {"birth_date": "2018-05-04", "sex": "male", "height_cm": 128},
    "child without height": {"birth_date": "2018-05-04", "sex": "female"},
    "adolescent": {"birth_date": "2011-01-15", "sex": "female"},
    "old": {"birth_date": "1938-01-15", "sex": "female", "antihypertensive_treatment": "yes"},
    "age not known": {},
}
SETTINGS = [
    ("office", None),
    ("office", "office-one-arm"),
    ("office", "office-both-arms"),
    ("office", "office-pregnancy"),
    ("office", "orthostatic-standing"),
    ("home", None),
    ("home", "home-seven-day"),
    ("ambulatory", None),
]


def invent(seed: int) -> dict[str, Any]:
    """One sitting: a body of the common strategies, put into a group, a setting and a level that leans towards severe edges."""
    chance = random.Random(seed)
    body = Inventor(seed, chance.choice([0, 1, 3])).body(chance.randint(1, 6), None)
    setting, protocol = chance.choice(SETTINGS)
    body["subject"] = {"identifier": body["subject"]["identifier"]} | GROUPS[chance.choice(list(GROUPS))]
    body["setting"] = setting
    body.pop("protocol", None)
    if protocol is not None:
        body["protocol"] = protocol
    for reading in body["readings"]:
        if "systolic_mmhg" in reading and chance.random() < 0.6:
            reading["systolic_mmhg"] = chance.choice([159, 159.5, 160, 161, 179, 179.5, 179.99, 180, 185, 140, 120])
            reading["diastolic_mmhg"] = chance.choice([80, 90, 104, 109.5, 109.99, 110, 119.5, 120])
    return body


def judged(body: dict[str, Any], rulebook: Rulebook = RULEBOOK) -> tuple[ReadingSet, Evaluation] | None:
    reading_set = msgspec.json.decode(ENCODER.encode(body), type=ReadingSet)
    try:
        return reading_set, evaluate(reading_set, reading_set.history, rulebook)
    except NotAcceptable:
        return None


def severe_rows(guideline: Guideline, setting: str) -> list[Row]:
    if guideline.measures != "pressure":
        return []
    bands = [each for each in guideline.out_of_office if each.setting == setting and each.decides]
    rows = guideline.rows if setting == "office" or not bands else bands[0].rows
    return [row for row in rows if row.severe]


def at_severe_edge(row: Row, systolic: float, diastolic: float) -> bool:
    return (row.systolic_mmhg is not None and systolic >= row.systolic_mmhg) or (
        row.diastolic_mmhg is not None and diastolic >= row.diastolic_mmhg
    )


@pytest.mark.parametrize("batch", range(BATCHES))
def test_nothing_severe_stands_beside_silence(batch: int) -> None:
    # 20,000 sittings in all. Severe by a label, by the reported value, or by a valid reading, under any guideline that is
    # for the person; and by 180/110 (160/110 in pregnancy) under none.
    seen = 0
    for seed in range(batch * BATCH, (batch + 1) * BATCH):
        found = judged(invent(seed))
        if found is None:
            continue
        reading_set, evaluation = found
        rows = [
            (row, entry.category)
            for entry in evaluation.categories
            if entry.category is not None
            for row in severe_rows(RULEBOOK.guidelines[entry.guideline], reading_set.setting)
        ]
        values = [
            (reading.systolic_mmhg, reading.diastolic_mmhg)
            for outcome, reading in zip(evaluation.readings, reading_set.readings, strict=True)
            if outcome.counts and reading.systolic_mmhg is not None and reading.diastolic_mmhg is not None
        ]
        if evaluation.result is not None:
            values.append((evaluation.result.systolic_mmhg, evaluation.result.diastolic_mmhg))
        labelled = any(category in (row.category, row.unconfirmed_category) for row, category in rows)
        reached = any(at_severe_edge(row, *value) for row, _ in rows for value in values)
        anybody = any(systolic >= 180 or diastolic >= 110 for systolic, diastolic in values)
        if labelled or reached or anybody:
            seen += 1
            assert evaluation.safety.level != "none", (seed, ENCODER.encode(reading_set))
            assert evaluation.safety.text
            assert evaluation.next_step.action != "none" or evaluation.safety.level == "ask", seed
    assert seen > BATCH / 10


def with_lower_edges() -> Rulebook:
    """The rulebook with severe rows far lower in two guidelines, so that it matters which were chosen: none that is released
    has a severe limit below 180/110, which holds for everybody anyway."""
    guidelines = dict(RULEBOOK.guidelines)
    for name, systolic in (("nice-2019", 150), ("jsh-2019", 165)):
        rows = [msgspec.structs.replace(row, systolic_mmhg=systolic) if row.severe else row for row in guidelines[name].rows]
        guidelines[name] = msgspec.structs.replace(guidelines[name], rows=rows)
    return msgspec.structs.replace(RULEBOOK, guidelines=guidelines)


@pytest.mark.parametrize("batch", range(4))
def test_one_guideline_more_never_lowers_the_level(batch: int) -> None:
    chance = random.Random(batch)
    rulebook = with_lower_edges()
    names = list(rulebook.guidelines)
    raised = 0
    for seed in range(batch * 500, (batch + 1) * 500):
        body = invent(seed + 100_000)
        few = chance.sample(names, chance.randint(1, 3))
        more = few + [chance.choice([name for name in names if name not in few])]
        one, other = judged(body | {"guidelines": few}, rulebook), judged(body | {"guidelines": more}, rulebook)
        if one is None or other is None:
            continue
        levels = [LEVELS.index(found[1].safety.level) for found in (one, other)]
        raised += levels[0] < levels[1]
        assert levels[0] <= levels[1], (seed, few, more)
    assert raised > 0


def with_other_days(chance: random.Random) -> Rulebook:
    """The rulebook with other days to confirm within in each guideline: the released ones mostly say 28."""
    guidelines = {
        name: msgspec.structs.replace(
            guideline,
            rows=[
                msgspec.structs.replace(row, confirm_within_days=chance.randint(1, 60)) if row.confirm else row
                for row in guideline.rows
            ],
        )
        for name, guideline in RULEBOOK.guidelines.items()
    }
    return msgspec.structs.replace(RULEBOOK, guidelines=guidelines)


@pytest.mark.parametrize("batch", range(4))
def test_the_soonest_deadline_wins(batch: int) -> None:
    chance = random.Random(batch)
    rulebook = with_other_days(chance)
    compared = 0
    for seed in range(batch * 250, (batch + 1) * 250):
        body = invent(seed + 200_000) | {"setting": "office", "protocol": "office-one-arm", "closed": True}
        value = {"systolic_mmhg": chance.choice([128, 138, 150, 170, 184]), "diastolic_mmhg": chance.choice([78, 88, 96, 112])}
        times = ["2026-05-04T09:00:00+02:00", "2026-05-04T09:01:10+02:00"]
        body["readings"] = [{"taken_at": at, "site": "left-upper-arm", "position": "sitting"} | value for at in times]
        body["device"] = {"kind": "automatic", "site": "upper-arm", "validated": "yes"}
        body["cuff"] = {"mark_within_range": "yes"}
        body["subject"].pop("arm_restrictions", None)
        several = chance.sample(list(rulebook.guidelines), chance.randint(2, 5))
        found = judged(body | {"guidelines": several}, rulebook)
        assert found is not None
        alone = [judged(body | {"guidelines": [name]}, rulebook) for name in several]
        dates = [each[1].confirm_by.date for each in alone if each is not None and each[1].confirm_by is not None]
        by = found[1].confirm_by
        assert (None if by is None else by.date) == min(dates, default=None), (seed, several)
        compared += len(set(dates)) > 1
    assert compared > 15


def test_a_question_of_pregnancy_keeps_its_level_beside_a_settled_low_reading() -> None:
    # 160/100 would be severe if she were pregnant, which nobody recorded. The low reading has words and no level of its own:
    # it gives the text, and must not take the level away. Source: DECISION (the most pressing concern gives the level)
    body = {
        "subject": {
            "identifier": {"system": "urn:example:mrn", "value": "invented"},
            "birth_date": "1991-03-01",
            "sex": "female",
        },
        "context": {"acute_symptoms": "no"},
        "readings": [
            {"taken_at": f"2026-05-04T09:0{minute}:00+02:00", "site": "left-upper-arm", "position": "sitting"} | value
            for minute, value in enumerate(
                [{"systolic_mmhg": 165, "diastolic_mmhg": 95}, {"systolic_mmhg": 85, "diastolic_mmhg": 55}]
            )
        ],
    }
    found = judged(body)
    assert found is not None
    safety = found[1].safety
    assert (safety.level, safety.ask, safety.readings) == ("ask", ["pregnancy"], [0])
    assert safety.text is not None and safety.text.startswith("Low pressure (85/55)")
