"""The record sheet holds what was recorded, says what was not, and lets no text from outside become markup."""

from __future__ import annotations

from datetime import UTC, datetime
from html.parser import HTMLParser
from typing import Any

import msgspec
import pytest

from core.golden import PERSON, read_line
from core.recordings import ambulatory_body, by_hours, recording
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.readings import Context, ReadingSet
from quietcuff.core.record.sheet import COLUMNS, Sheet, make_sheet
from quietcuff.core.record.sheet_sections import Amendment, Stored
from quietcuff.core.record.sheet_text import STYLE, sheet_html, sheet_text
from quietcuff.rules.catalog import load_rulebook

RULEBOOK = load_rulebook()
HOSTILE = "<script>alert(1)</script>"
NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)
ORDINARY = ("09:00:00 134/84 L", "09:01:10 132/82 L")


def sheet_of_body(body: dict[str, Any], stored: Stored | None = None) -> Sheet:
    reading_set = msgspec.convert(body, ReadingSet)
    return make_sheet(reading_set, evaluate(reading_set, None, RULEBOOK), RULEBOOK.wording, stored)


def sheet_of(*lines: str, stored: Stored | None = None, **fields: Any) -> Sheet:
    readings = [read_line(line) for line in lines or ORDINARY]
    return sheet_of_body({"subject": PERSON, "guidelines": ["aha-acc-2025"], "readings": readings, **fields}, stored)


def lines_of(sheet: Sheet, heading: str) -> dict[str, str]:
    """The lines under a heading; those of one name joined."""
    found: dict[str, str] = {}
    for section in [*sheet.before, *sheet.after]:
        if section.heading == heading:
            for name, said in section.lines:
                found[name] = f"{found[name]} | {said}" if name in found else said
    return found


def column(sheet: Sheet, name: str) -> list[str]:
    return [row[COLUMNS.index(name)] for row in sheet.readings]


def stored_set(**fields: Any) -> Stored:
    known = {"id": "0197-set", "version": 1, "status": "active", "closed": True, "stored_at": NOON, "changed_at": NOON}
    return Stored(**known | fields)


def test_every_reading_and_answer_stands_in_both_renderings() -> None:
    sheet = sheet_of(context={"talking": "yes"}, observer={"system": "urn:example:staff", "value": "observer-7"})
    assert column(sheet, "pressure") == ["134/84", "132/82"] and column(sheet, "time") == ["09:00:00", "09:01:10"]
    for told in (sheet_text(sheet), sheet_html(sheet)):
        assert "134/84" in told and "132/82" in told and "observer-7" in told and "single sitting" in told


def test_what_was_not_recorded_is_gathered_in_one_line() -> None:
    answers = lines_of(sheet_of(context={"talking": "yes", "rest_minutes": 5}), "How it was measured")
    # Care is ordinary where nobody says otherwise.
    assert set(answers) == {"Talking", "Rest before (minutes)", "Care", "Not recorded"}
    assert len(answers["Not recorded"].split(", ")) == len(Context.__struct_fields__) - 3
    assert "caffeine within 30 minutes" in answers["Not recorded"] and "talking" not in answers["Not recorded"]


def test_the_persons_facts_and_the_cuff_are_told() -> None:
    facts = {**PERSON, "height_cm": 171.5, "arm_restrictions": [{"arm": "left", "reason": "dialysis-access"}]}
    cuff = {"size": "adult", "range_cm": [27, 34], "mark_within_range": "no"}
    sheet = sheet_of("09:00:00 134/84 R", "09:01:10 132/82 R", subject=facts, cuff=cuff)
    known = lines_of(sheet, "Known of the person")
    assert known["Born"] == PERSON["birth_date"] and known["Height (cm)"] == "171.5"
    assert known["Arm not to be used"] == "left arm: dialysis access"
    assert lines_of(sheet, "Device and cuff")["Cuff"] == "adult, 27 to 34 cm, mark within range: no"


def test_devices_that_differ_name_their_readings() -> None:
    readings = [read_line(line) for line in ("09:00:00 134/84 L", "09:01:00 132/82 L", "09:02:00 131/81 L")]
    readings[1] |= {"device": {"kind": "auscultatory"}, "device_flags": ["body-movement"]}
    sheet = sheet_of_body({"subject": PERSON, "readings": readings, "device": {"kind": "automatic", "validated": "yes"}})
    devices = lines_of(sheet, "Device and cuff")["Device"]
    assert "Readings 1, 3: automatic, clinically validated: yes" in devices and "Reading 2: auscultatory" in devices
    assert column(sheet, "remarks") == ["–", "device: body movement", "–"]
    assert column(sheet, "counts")[1] == "no: failed or flagged by the device"


def test_readings_are_numbered_by_time_as_in_the_record_line() -> None:
    late, voided, early = (read_line(line) for line in ("09:02:00 140/90 L", "09:01:00 138/88 L", "09:00:00 136/86 L"))
    sheet = sheet_of_body({"subject": PERSON, "visit": "follow-up", "readings": [late, {**voided, "voided": True}, early]})
    assert list(zip(column(sheet, "place"), column(sheet, "pressure"), strict=True)) == [
        ("1", "136/86"),
        ("–", "138/88"),
        ("2", "140/90"),
    ]
    assert column(sheet, "counts") == ["yes", "no: taken back", "yes"]
    assert "readings 1 and 2 of 2" in lines_of(sheet, "Outcome")["Result"]


def test_a_safety_sentence_stands_there_without_a_level_too() -> None:
    # Below 90/60 without symptoms nothing must be done at once, and it is said all the same.
    sheet = sheet_of("09:00:00 86/54 L", "09:01:10 84/52 L", context={"acute_symptoms": "no"})
    assert lines_of(sheet, "Outcome")["Safety"].startswith("Low pressure (")


def test_rules_are_named_with_their_versions() -> None:
    sheet, guideline = sheet_of(), RULEBOOK.guidelines["aha-acc-2025"]
    record = lines_of(sheet, "Record")
    assert f"aha-acc-2025, version {guideline.version}" in lines_of(sheet, "Outcome")["Label"]
    assert record["Guideline"].endswith(RULEBOOK.digests["aha-acc-2025"][:19]) and "sha256:" in record["Protocol"]


@pytest.mark.parametrize(
    ("fields", "notice"),
    [
        ({"status": "voided"}, "VOIDED"),
        ({"closed": False}, "OPEN"),
        ({"version": 2, "later": [Amendment(version=2, cause="corrected", at=NOON, reason="wrong arm")]}, "AMENDED"),
    ],
)
def test_what_a_stored_set_has_gone_through_comes_first(fields: dict[str, Any], notice: str) -> None:
    sheet = sheet_of(stored=stored_set(**fields))
    assert [said.partition(":")[0] for said in sheet.notices] == [notice]
    assert sheet_text(sheet).splitlines()[2] == sheet.notices[0] and f'"notice">{notice}' in sheet_html(sheet)
    assert sheet_of(stored=stored_set()).notices == []
    if notice == "AMENDED":
        assert lines_of(sheet, "Record")["Version 2"] == "corrected, 2026-05-04 12:00:00+00:00: wrong arm"


def test_a_long_recording_is_there_in_full_with_its_sums() -> None:
    body = ambulatory_body(recording(by_hours((138, 86), (120, 72))))
    sheet = sheet_of_body(body)
    assert len(sheet.readings) == len(body["readings"]) > 60
    assert "day 138/86 (mean of 36)" in sheet.summary and "night 120/72 (mean of 10)" in sheet.summary
    assert column(sheet, "time")[0] == "2026-05-04 09:00:00"
    # A run of readings that one thing was noticed of is told once.
    assert "Readings 2–39" in lines_of(sheet, "Outcome")["Noticed"]


class Page(HTMLParser):
    """The elements of a page, and its text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: list[str] = []
        self.attributes: set[str] = set()
        self.texts: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append(tag)
        self.attributes |= {name for name, _ in attrs}

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


def test_hostile_text_stays_text() -> None:
    named = {"system": "urn:example:staff", "value": f'{HOSTILE}" onload="alert(1)'}
    sheet = sheet_of(cuff={"size": HOSTILE}, observer=named, subject={**PERSON, "identifier": named})
    page = Page(sheet_html(sheet))
    assert "script" not in page.elements and not {"onload", "src", "href"} & page.attributes
    # The cuff in two rows, in its own line and in the record line; the observer and the person in one line each.
    assert "".join(page.texts).count(HOSTILE) == 6


def test_the_style_loads_nothing() -> None:
    assert "url(" not in STYLE and "@import" not in STYLE and "<" not in STYLE and 'style="' not in sheet_html(sheet_of())
