"""The record sheet holds what was recorded, says what was not, and lets no text from outside become markup."""

from __future__ import annotations

from typing import Any

import msgspec

from core.golden import PERSON, read_line
from quietcuff.core.evaluate import evaluate
from quietcuff.core.readings import ReadingSet
from quietcuff.core.sheet import Sheet, make_sheet
from quietcuff.core.sheet_text import sheet_html, sheet_text
from quietcuff.rules.catalog import load_rulebook

RULEBOOK = load_rulebook()
HOSTILE = "<script>alert(1)</script>"


def sheet_of(**fields: Any) -> Sheet:
    readings = [read_line(line) for line in ("09:00:00 134/84 L", "09:01:10 132/82 L")]
    reading_set = msgspec.convert(
        {"subject": PERSON, "guidelines": ["aha-acc-2025"], "readings": readings, **fields}, ReadingSet
    )
    return make_sheet(reading_set, evaluate(reading_set, None, RULEBOOK))


def test_every_reading_and_answer_stands_in_both_renderings() -> None:
    sheet = sheet_of(context={"talking": "yes"}, observer={"system": "urn:example:staff", "value": "observer-7"})
    assert len(sheet.readings) == 2
    assert ("Talking", "yes") in sheet.lines and ("Caffeine within 30 min", "not recorded") in sheet.lines
    for told in (sheet_text(sheet), sheet_html(sheet)):
        assert "134/84" in told and "132/82" in told and "observer-7" in told and "single sitting" in told


def test_hostile_text_stays_text() -> None:
    # The cuff stands in two rows and the record line, the observer in one line.
    page = sheet_html(sheet_of(cuff={"size": HOSTILE}, observer={"system": "urn:example:staff", "value": HOSTILE}))
    assert "<script" not in page and page.count("&lt;script&gt;") == 4
