"""The line for the record never reads as an ordinary result where the sitting was none."""

from __future__ import annotations

from typing import Any

import pytest

from core.golden import PERSON, evaluate_body, read_line
from quietcuff.rules.catalog import load_rulebook

RULEBOOK = load_rulebook()
ORDINARY = ["09:00:00 134/84 L", "09:01:10 132/82 L", "09:02:20 130/80 L"]


def line_of(lines: list[str], **fields: Any) -> str:
    body = {"subject": PERSON, "visit": "follow-up", "guidelines": ["aha-acc-2025"], **fields}
    told = evaluate_body({**body, "readings": [read_line(line) for line in lines]}, RULEBOOK).record_line
    assert told is not None
    return told


@pytest.mark.parametrize(
    ("lines", "fields", "said"),
    [
        (ORDINARY, {}, "provisional (single sitting)"),
        (ORDINARY, {"context": {"pulse_palpated": "irregular"}}, "irregular pulse"),
        (ORDINARY, {"context": {"acute_symptoms": "yes"}}, "acute symptoms"),
        (["09:00:00 190/112 L", "09:01:10 150/92 L", "09:02:20 148/90 L"], {}, "1 severe reading, highest 190/112"),
        (["09:00:00 190/112 L", "09:01:10 186/124 L"], {}, "2 severe readings, highest 190/124"),
        (["09:00:00 190/112 L"], {}, "1 severe reading, highest 190/112"),
        (["09:00:00 80/120 L", *[line.replace("09:", "10:") for line in ORDINARY]], {}, "1 implausible"),
    ],
    ids=["provisional", "irregular", "symptoms", "severe", "two-severe", "severe-without-result", "implausible"],
)
def test_line_says_what_was_not_ordinary(lines: list[str], fields: dict[str, Any], said: str) -> None:
    assert said in line_of(lines, **fields)
    assert (said in line_of(ORDINARY)) is (said == "provisional (single sitting)")


@pytest.mark.parametrize(("method", "said"), [("oscillometric", "Oscillometric"), ("auscultatory", "Auscultated")])
def test_line_names_the_method(method: str, said: str) -> None:
    readings = [{**read_line(line), "method": method} for line in ORDINARY]
    body = {"subject": PERSON, "visit": "follow-up", "guidelines": ["aha-acc-2025"], "readings": readings}
    line = evaluate_body(body, RULEBOOK).record_line
    assert line is not None and said in line


def test_voided_readings_are_told() -> None:
    readings = [read_line(line) for line in ORDINARY] + [{**read_line("09:03:30 134/84 L"), "voided": True}]
    body = {"subject": PERSON, "visit": "follow-up", "guidelines": ["aha-acc-2025"], "readings": readings}
    line = evaluate_body(body, RULEBOOK).record_line
    assert line is not None and "1 taken back" in line
