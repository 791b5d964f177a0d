"""The record sheet in a real browser: how many pages it prints on, and how it lies on a narrow screen."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from html import escape
from typing import Any

import msgspec
import pytest

from bodies import FIRST_READING, OPENED_SET
from browser.conftest import Browser
from core.recordings import ambulatory_body, by_hours, recording
from quietcuff.api.routes.reading_sets import SHEET_POLICY
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.record.sheet import make_sheet
from quietcuff.core.record.sheet_sections import Stored
from quietcuff.core.record.sheet_text import sheet_html
from quietcuff.rules.catalog import load_rulebook

ANSWERED = {
    "talking": "no", "caffeine_within_30_min": "yes", "tobacco_within_30_min": "no", "exercise_within_30_min": "no",
    "full_bladder": "no", "pain": "no", "anxiety_or_stress": "no", "back_supported": "yes", "feet_flat": "yes",
    "legs_crossed": "no", "arm_supported": "yes", "cuff_fits_two_fingers": "yes", "quiet_room": "yes",
    "acute_symptoms": "no", "auscultation_possible": "yes", "pulse_palpated": "regular",
}  # fmt: skip
# Reads the page in a frame as wide as a telephone, and writes what it finds where the browser's text is read.
FRAME = """<!doctype html><body><iframe style="width:390px;height:800px;border:0" srcdoc="{page}"></iframe>
<pre id="found"></pre>
<script>
onload = () => {{
  const page = document.querySelector("iframe").contentDocument, box = page.querySelector(".wide");
  document.getElementById("found").textContent = JSON.stringify({{
    page: page.documentElement.scrollWidth, seen: page.documentElement.clientWidth,
    table: box.scrollWidth, box: box.clientWidth,
    collapse: page.defaultView.getComputedStyle(page.querySelector("table")).borderCollapse,
  }});
}};
</script>"""


def office(readings: int, **fields: Any) -> dict[str, Any]:
    sites = ["left-upper-arm", *["right-upper-arm"] * (readings - 1)]
    taken = [
        {**FIRST_READING, "taken_at": f"2026-05-04T09:0{n}:00+02:00", "site": site, "systolic_mmhg": 150 + n}
        for n, site in enumerate(sites)
    ]
    return {**OPENED_SET, "closed": True, "readings": taken, **fields}


def page_of(body: dict[str, Any]) -> str:
    rulebook, reading_set = load_rulebook(), msgspec.convert(body, ReadingSet)
    now = datetime(2026, 5, 4, 12, tzinfo=UTC)
    set_id = "0197f6a0-0000-7000-8000-000000000000"
    stored = Stored(id=set_id, version=1, status="active", closed=True, stored_at=now, changed_at=now)
    return sheet_html(make_sheet(reading_set, evaluate(reading_set, None, rulebook), rulebook.wording, stored))


def pages(printed: bytes) -> int:
    """How many pages a PDF has: each is an object of that type. Source: ISO 32000-1, 7.7.3.3."""
    return len(re.findall(rb"/Type\s*/Page\b", printed))


@pytest.mark.parametrize(
    "body",
    [
        office(3),
        office(5, context={**OPENED_SET["context"], **ANSWERED}, guidelines=["aha-acc-2025", "esh-2023", "esc-2024"]),
    ],
    ids=["three-readings", "five-readings-all-answered"],
)
def test_an_office_sitting_prints_on_one_page(browser: Browser, body: dict[str, Any]) -> None:
    assert pages(browser.print(page_of(body))) == 1


def test_a_long_recording_prints_on_several_pages(browser: Browser) -> None:
    assert pages(browser.print(page_of(ambulatory_body(recording(by_hours((138, 86), (120, 72))))))) > 1


def test_on_a_narrow_screen_the_table_scrolls_and_the_page_does_not(browser: Browser) -> None:
    """The policy of the service stands in the page, so that the style works only where the policy lets it."""
    policy = f'<meta http-equiv="Content-Security-Policy" content="{escape(SHEET_POLICY)}">'
    page = page_of(office(4)).replace("<head>", f"<head>{policy}")
    written = browser.run(FRAME.format(page=escape(page)), "--dump-dom")
    found = json.loads(re.findall(r'<pre id="found">(.*?)</pre>', written)[0])
    assert found["page"] <= found["seen"] == 390
    assert found["table"] > found["box"] > 300
    assert found["collapse"] == "collapse"
