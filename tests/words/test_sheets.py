"""The record sheet in each language: codes are said, and what people typed stays as they typed it."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import msgspec
import pytest

from bodies import RICH_SET, changed
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.record.sheet import make_sheet
from quietcuff.core.record.sheet_text import sheet_html, sheet_text
from quietcuff.words.language import CODES, DRAFTED
from quietcuff.words.languages import load_languages
from quietcuff.words.sheets import speak_sheet
from words.answered import RULEBOOK, answered

LANGUAGES = load_languages(RULEBOOK)
ENGLISH = re.compile(r"\b(recorded|upper|sitting|wrist|visit|unattended|counts|reading|left|another|pressure|yes|office)\b")
# The record names rules by their identifiers, and amendments by what people wrote.
BY_IDENTIFIER = ("sha256:", "urn:")


@pytest.mark.parametrize("code", DRAFTED)
def test_no_line_of_a_sheet_is_left_in_english(code: str) -> None:
    left = set()
    for reading_set, evaluation in answered()[::3]:
        if reading_set.readings:
            sheet = speak_sheet(LANGUAGES.speakers[code], reading_set, evaluation)
            lines = sheet_text(sheet).splitlines()
            left |= {line for line in lines if ENGLISH.search(line) and not any(each in line for each in BY_IDENTIFIER)}
    assert not left


@pytest.mark.parametrize("code", DRAFTED)
def test_a_device_and_a_cuff_are_told_in_words_of_the_language(code: str) -> None:
    reading_set = msgspec.convert(json.loads((Path(__file__).parents[2] / "docs/sitting.json").read_bytes()), ReadingSet)
    evaluation = evaluate(reading_set, reading_set.history, RULEBOOK)
    speaker = LANGUAGES.speakers[code]
    lines = {label: text for part in speak_sheet(speaker, reading_set, evaluation).after for label, text in part.lines}
    device, cuff = (lines[speaker.language.sheet[name]] for name in ("device", "cuff"))
    assert speaker.value("adults") in device and not re.search(r"\b(adults?|upper|yes|no)\b", f"{device} {cuff}")


@pytest.mark.parametrize("code", CODES)
def test_what_people_typed_stays(code: str) -> None:
    body: dict[str, Any] = changed(RICH_SET, "/device/manufacturer", "Wrist & home, regular")
    body = changed(body, "/location", {"system": "urn:example:rooms", "value": "office"})
    reading_set = msgspec.convert(body, ReadingSet)
    evaluation = evaluate(reading_set, reading_set.history, RULEBOOK)
    told = sheet_text(speak_sheet(LANGUAGES.speakers[code], reading_set, evaluation))
    assert "Wrist & home, regular" in " ".join(told.split()) and "office (urn:example:rooms)" in told


@pytest.mark.parametrize("code", CODES)
def test_the_sheet_has_the_same_rows_and_says_its_language(code: str) -> None:
    reading_set, evaluation = next(pair for pair in answered() if pair[0].readings)
    plain = make_sheet(reading_set, evaluation, RULEBOOK.wording)
    spoken = speak_sheet(LANGUAGES.speakers[code], reading_set, evaluation)
    assert [row[:3] for row in spoken.readings] == [row[:3] for row in plain.readings]
    assert [len(each.lines) for each in spoken.before + spoken.after] == [
        len(each.lines) for each in plain.before + plain.after
    ]
    assert f'<html lang="{code}">' in sheet_html(spoken)
