"""Faults of shape and of meaning in one report, as far as what a fault of meaning rests on is sound itself."""

from __future__ import annotations

import json
from functools import partial
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bodies import FIRST_READING, OPENED_SET, RICH_SET, changed, mutated
from quietcuff.core.model.errors import NotAcceptable, NotReadable
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.sitting.acceptance import faults_of_meaning
from quietcuff.decode.faults import find_faults, shape_of
from quietcuff.decode.own_json import _forgive, read
from quietcuff.rules.catalog import load_rulebook

BOOK = load_rulebook()
MEANING = partial(faults_of_meaning, rulebook=BOOK)
TOMORROW = {**FIRST_READING, "taken_at": "2026-05-05T09:00:00+02:00"}


def faults(body: Any) -> list[tuple[str | None, str]]:
    with pytest.raises(NotAcceptable) as refused:
        read(json.dumps(body).encode(), ReadingSet, MEANING)
    return [(fault.pointer, fault.code) for fault in refused.value.faults]


def but(**more: Any) -> dict[str, Any]:
    return {**OPENED_SET, **more}


def test_an_unknown_protocol_is_told_with_the_faults_of_every_other_part() -> None:
    body = but(protocol="no-such", colour="red", guidelines=["aha-acc-2025", "none"], cuff={"range_cm": [34, 27]})
    body["context"] = {"talking": "perhaps", "rest_minutes": "five"}
    assert faults(body) == [
        ("/colour", "unknown-field"),
        ("/context/rest_minutes", "wrong-type"),
        ("/context/talking", "unknown-code"),
        ("/cuff/range_cm", "wrong-order"),
        ("/guidelines/1", "unknown-code"),
        ("/protocol", "unknown-code"),
    ]


@pytest.mark.parametrize(
    ("pointer", "value", "code"),
    [
        ("/subject", ..., "missing"),
        ("/subject/identifier", "p-0001", "wrong-type"),
        ("/subject/identifier/system", "two words", "unfit-characters"),
        ("/guidelines", [], "too-few"),
        ("/readings/0", 7, "wrong-type"),
        ("/readings/0/taken_at", "yesterday", "not-a-time"),
        ("/readings/0/device_flags", ["loud"], "unknown-code"),
        ("/device_average", {"readings": 2, "systolic_mmhg": 1}, "missing"),
    ],
)
def test_a_part_that_is_needed_and_faulty_hides_no_fault_of_another(pointer: str, value: Any, code: str) -> None:
    found = faults(changed(but(protocol="no-such"), pointer, value))
    assert ("/protocol", "unknown-code") in found and code in [kind for _, kind in found] and len(found) == 2


def test_days_are_compared_where_every_time_is_sound_and_not_elsewhere() -> None:
    over = ("/readings/1/taken_at", "sitting-over")
    assert over in faults(but(readings=[FIRST_READING, TOMORROW], colour="red"))
    assert over in faults(but(readings=[FIRST_READING, {**TOMORROW, "site": "knee"}]))
    unsound = [{**FIRST_READING, "taken_at": "nine o'clock"}, FIRST_READING, TOMORROW]
    assert faults(but(readings=unsound)) == [("/readings/0/taken_at", "not-a-time")]
    assert faults(but(readings=[FIRST_READING, TOMORROW], setting="ward")) == [("/setting", "unknown-code")]
    born = {**OPENED_SET["subject"], "birth_date": "2030"}
    assert faults(but(subject=born, colour="red")) == [
        ("/colour", "unknown-field"),
        ("/subject/birth_date", "after-the-readings"),
    ]
    assert faults(but(subject=born, readings=unsound)) == [("/readings/0/taken_at", "not-a-time")]
    sleep = [{"asleep_at": "late", "awake_at": "2026-05-04T07:00:00+02:00"}]
    assert faults(but(sleep=sleep)) == [("/sleep/0/asleep_at", "not-a-time")]


def test_a_pressure_alone_is_told_once() -> None:
    alone = {**FIRST_READING, "diastolic_mmhg": None}
    assert faults(but(readings=[alone], colour="red")) == [
        ("/colour", "unknown-field"),
        ("/readings/0/diastolic_mmhg", "one-pressure-missing"),
    ]


SOUND = but(protocol="no-such", guidelines=["esc-2024", "esc-2024"], readings=[FIRST_READING, TOMORROW])
MEANT = {("/protocol", "unknown-code"), ("/guidelines/1", "named-twice"), ("/readings/1/taken_at", "sitting-over")}
PARTS = ("identifier", "context", "cuff", "device", "device_average", "observer", "location")


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(PARTS).flatmap(lambda part: mutated({part: RICH_SET[part]})))
def test_whatever_else_is_faulty_the_same_faults_of_meaning_are_told(damaged: dict[str, Any]) -> None:
    body = {**SOUND, **damaged}
    try:
        found = MEANING(read(json.dumps(body).encode(), ReadingSet, MEANING))
    except NotAcceptable as refused:
        found = refused.faults
    except NotReadable:
        return
    told = [(fault.pointer, fault.code) for fault in found]
    of_shape = {(fault.pointer, fault.code) for fault in find_faults(forgiven(body), ReadingSet)}
    assert set(told) == of_shape | MEANT and len(told) == len(set(told))


def forgiven(body: dict[str, Any]) -> Any:
    return _forgive(json.loads(json.dumps(body)), shape_of(ReadingSet))
