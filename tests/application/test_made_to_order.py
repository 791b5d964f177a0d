"""Parts of a first version that a worker makes: the person as both sides know them, and the columns of the row."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import msgspec
import pytest

from application.clinic import sitting
from quietcuff.application.parties import facts_text, meet
from quietcuff.application.version_rows import MEAN_SHOWN, STATE_OF_MEAN
from quietcuff.core.model.readings import Facts, ReadingSet, Subject
from quietcuff.storage.rows.reading_sets import SetRow

NOW = datetime(2026, 5, 4, 9, 5, tzinfo=UTC)
PERSON = {"identifier": {"system": "urn:example:mrn", "value": "p-0001"}}


def reading_set(**more: Any) -> ReadingSet:
    return msgspec.convert(sitting(**more), ReadingSet)


def test_the_columns_of_a_mean_follow_each_other_in_the_row() -> None:
    names, fields = STATE_OF_MEAN + MEAN_SHOWN, SetRow.__struct_fields__
    first = fields.index(names[0])
    assert fields[first : first + len(names)] == names


@pytest.mark.parametrize(
    ("of_set", "stored", "filled", "learnt", "differ"),
    [
        ({}, {}, {}, {}, []),
        ({"sex": "male", "height_cm": 170}, {"sex": "male", "height_cm": 170}, {}, {}, []),
        ({"sex": "male"}, {"height_cm": 170}, {"height_cm": 170}, {"sex": "male"}, []),
        ({"height_cm": 171, "pregnancy": "no"}, {"height_cm": 170}, {}, {"pregnancy": "no"}, ["height_cm"]),
        ({}, {"arm_restrictions": [{"arm": "left", "reason": "line"}]}, {"arm_restrictions"}, {}, []),
    ],
)
def test_blank_facts_are_filled_in_and_learnt_and_others_differ(
    of_set: dict[str, Any], stored: dict[str, Any], filled: Any, learnt: dict[str, Any], differ: list[str]
) -> None:
    said, facts = msgspec.convert(PERSON | of_set, Subject), msgspec.convert(stored, Facts)
    met = meet(said, facts_text(facts))
    assert met.said == msgspec.convert(PERSON | of_set | {name: stored[name] for name in filled}, Subject)
    assert (met.said is said) == (not filled)
    assert met.learnt == (facts_text(msgspec.convert(stored | learnt, Facts)) if learnt else None)
    assert met.differ == differ
