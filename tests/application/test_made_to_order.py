"""Parts of a first version that a worker makes: the person as both sides know them, the document, the columns of the row."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import msgspec
import pytest

from application.clinic import sitting
from quietcuff.application.made_to_order import completed_document
from quietcuff.application.parties import facts_text, meet
from quietcuff.application.version_rows import MEAN_SHOWN, STATE_OF_MEAN
from quietcuff.core.model.history import History
from quietcuff.core.model.readings import Facts, Intake, ReadingSet, Subject
from quietcuff.storage.rows.reading_sets import SetRow

NOW = datetime(2026, 5, 4, 9, 5, tzinfo=UTC)
PERSON = {"identifier": {"system": "urn:example:mrn", "value": "p-0001"}}


def reading_set(**more: Any) -> ReadingSet:
    return msgspec.convert(sitting(**more), ReadingSet)


def test_a_document_is_joined_as_it_is_encoded() -> None:
    # Texts that look like the ends of the document.
    name = {"system": "urn:example:visit", "value": 'v","history":null,"intake":null}'}
    came = reading_set(identifier=name, location=name)
    completed = msgspec.structs.replace(came, history=History(as_of=NOW), intake=Intake(received_at=NOW))
    assert completed_document(msgspec.json.encode(came), completed) == msgspec.json.encode(completed)


@pytest.mark.parametrize("own", [{"history": History(as_of=NOW)}, {"intake": Intake()}])
def test_a_set_that_came_with_either_is_encoded(own: dict[str, Any]) -> None:
    came = msgspec.structs.replace(reading_set(), **own)
    assert completed_document(msgspec.json.encode(came), came) is None


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
