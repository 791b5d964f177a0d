"""Changes name the same fields as what they change, and apply without touching anything else."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bodies import OPENED_SET, RICH_SET
from quietcuff.core.model import changes, readings
from quietcuff.core.model.changes import (
    Append,
    ContextChange,
    Correction,
    ReadingChange,
    apply_append,
    apply_correction,
    defaults_of,
    merged,
    place_in_correction,
)
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.readings import Context, Reading, ReadingSet

OPENED = msgspec.convert(OPENED_SET, ReadingSet)
RICH = msgspec.convert(RICH_SET, ReadingSet)


def correction(*parts: dict[str, Any]) -> Correction:
    return msgspec.convert({"reason": "typing error", "changes": list(parts)}, Correction)


@pytest.mark.parametrize(
    ("change", "original", "others"),
    [
        (changes.ContextChange, readings.Context, set()),
        (changes.FactsChange, readings.Facts, set()),
        (changes.SubjectChange, readings.Subject, set()),
        # A reading is known by its identifier: it stays what it was, and voiding is a change of its own.
        (changes.ReadingChange, readings.Reading, {"identifier", "voided"}),
    ],
)
def test_a_change_names_every_field(change: type[msgspec.Struct], original: type[msgspec.Struct], others: set[str]) -> None:
    assert set(change.__struct_fields__) == set(original.__struct_fields__) - others


def test_a_change_of_nothing_changes_nothing() -> None:
    assert merged(OPENED.context, ContextChange()) == OPENED.context
    assert merged(OPENED.readings[0], ReadingChange()) == OPENED.readings[0]


@given(st.sampled_from([name for name in Context.__struct_fields__]))
def test_null_gives_the_fields_own_default(name: str) -> None:
    cleared = merged(RICH.context, msgspec.convert({name: None}, ContextChange))
    assert getattr(cleared, name) == defaults_of(Context)[name]
    assert msgspec.structs.replace(cleared, **{name: getattr(RICH.context, name)}) == RICH.context


def test_what_is_changed_is_checked_like_what_comes_in() -> None:
    for wrong in ({"systolic_mmhg": 142.125}, {"taken_at": "2026-05-04T09:00:00"}, {"taken_at": None}, {"colour": 1}):
        with pytest.raises(msgspec.ValidationError):
            msgspec.convert(wrong, ReadingChange)
    assert msgspec.convert({"systolic_mmhg": 142.0}, ReadingChange).systolic_mmhg == 142


def test_appending_never_moves_what_is_there() -> None:
    late = msgspec.convert({"readings": [RICH_SET["readings"][0]] * 2, "closed": True}, Append)
    changed = apply_append(OPENED, late)
    assert changed.reading_set.readings[: len(OPENED.readings)] == OPENED.readings
    assert len(changed.reading_set.readings) == len(OPENED.readings) + 2
    assert changed.codes == ["reading-appended", "closed"]
    assert changed.reading_set.closed


def test_saying_again_what_was_said_is_no_change_of_the_context() -> None:
    same = Append(context=ContextChange(talking="no"), readings=[])
    assert apply_append(OPENED, same).codes == []


def test_changes_apply_in_their_order() -> None:
    twice = correction(
        {"change": "amend-reading", "index": 0, "set": {"systolic_mmhg": 150}},
        {"change": "amend-reading", "index": 0, "set": {"systolic_mmhg": 155}},
        {"change": "void-reading", "index": 0},
    )
    changed = apply_correction(OPENED, twice)
    assert changed.reading_set.readings[0].systolic_mmhg == 155
    assert changed.codes == ["reading-amended", "reading-voided"]
    assert not changed.voids_set


def test_taking_back_the_set_changes_nothing_it_says() -> None:
    changed = apply_correction(OPENED, correction({"change": "void-set"}))
    assert (changed.reading_set, changed.codes, changed.voids_set) == (OPENED, ["set-voided"], True)


def test_there_and_back_is_nothing_to_change() -> None:
    before = OPENED.readings[0].systolic_mmhg
    there = {"change": "amend-reading", "index": 0, "set": {"systolic_mmhg": 150}}
    back = {"change": "amend-reading", "index": 0, "set": {"systolic_mmhg": before}}
    with pytest.raises(NotAcceptable) as refused:
        apply_correction(OPENED, correction(there, back))
    assert refused.value.faults[0].code == "nothing-to-change"


def test_the_original_stays_as_it_was() -> None:
    before = msgspec.json.encode(OPENED)
    apply_correction(OPENED, correction({"change": "void-reading", "index": 0}))
    assert msgspec.json.encode(OPENED) == before
    assert isinstance(OPENED.readings[0], Reading)


@pytest.mark.parametrize(
    ("pointer", "place"),
    [
        ("/readings/2/taken_at", "/changes/1/set/taken_at"),
        ("/readings/0/taken_at", "/changes"),
        ("/protocol", "/changes/2/set/protocol"),
        ("/guidelines/0", "/changes"),
        ("", "/changes"),
    ],
)
def test_a_fault_of_the_sitting_is_told_in_terms_of_the_correction(pointer: str, place: str) -> None:
    parts = correction(
        {"change": "void-reading", "index": 1},
        {"change": "amend-reading", "index": 2, "set": {"taken_at": "2026-05-04T19:00:00+02:00"}},
        {"change": "amend-set", "set": {"protocol": "no-such"}},
    )
    assert place_in_correction(parts, pointer) == place
