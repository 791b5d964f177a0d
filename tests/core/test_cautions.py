"""The cautions that go with an answer: three always, the others where they apply."""

from __future__ import annotations

from typing import Any

import pytest

from core.golden import PERSON, evaluate_body, read_line
from quietcuff.rules.catalog import load_rulebook

RULEBOOK = load_rulebook()
ALWAYS = {"not-a-device", "no-treatment", "single-sitting"}
ORDINARY = ["09:00:00 134/84 L", "09:01:10 132/82 L"]


def cautions_of(lines: list[str], **fields: Any) -> set[str]:
    body = {"subject": PERSON, "visit": "follow-up", "guidelines": ["aha-acc-2025"], **fields}
    told = evaluate_body({**body, "readings": [read_line(line) for line in lines]}, RULEBOOK).cautions
    codes = {text: code for code, text in RULEBOOK.wording.caution.items()}
    assert len(told) == len(set(told))
    return {codes[text] for text in told}


@pytest.mark.parametrize(
    ("lines", "fields", "more"),
    [
        (ORDINARY, {}, set()),
        (ORDINARY, {"guidelines": ["aha-acc-2025", "esc-2024"]}, {"guidelines-disagree"}),
        (["09:00:00 190/112 L", "09:01:10 150/92 L", "09:02:20 148/90 L"], {}, {"severe"}),
        (ORDINARY, {"context": {"acute_symptoms": "yes"}}, {"severe"}),
        (["09:00:00 88/56 L", "09:01:10 110/70 L"], {}, {"low"}),
        (ORDINARY, {"subject": {**PERSON, "birth_date": "2008-05-05"}}, {"child"}),
        (ORDINARY, {"subject": {**PERSON, "birth_date": "2008-05-04"}}, set()),
        (ORDINARY, {"subject": {**PERSON, "sex": "female", "pregnancy": "pregnant"}}, {"expecting"}),
        (ORDINARY, {"context": {"pulse_palpated": "irregular"}}, {"irregular"}),
    ],
    ids=["ordinary", "two-guidelines", "severe", "symptoms", "low", "17-years", "18-years", "pregnant", "irregular"],
)
def test_cautions_are_those_that_apply(lines: list[str], fields: dict[str, Any], more: set[str]) -> None:
    assert cautions_of(lines, **fields) == ALWAYS | more
