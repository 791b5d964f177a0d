"""``quietcuff quality``: the first paragraph, the report as JSON, the page in a file."""

from __future__ import annotations

import asyncio
from pathlib import Path

import msgspec
import pytest

from application.test_bulk import receive_some
from fhir_r4.stored_sets import open_clinic
from quietcuff.analytics.quality.shapes import Report
from quietcuff.cli import main
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import open_store

STORED = 16


@pytest.fixture
def stored(sqlite_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", sqlite_url)
    asyncio.run(fill(sqlite_url))


async def fill(url: str) -> None:
    store = open_store(url)
    await receive_some(await open_clinic(store, load_rulebook()), 31, STORED)
    await store.close()


@pytest.mark.usefixtures("stored")
def test_the_paragraph_is_printed_and_the_page_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = tmp_path / "report.html"
    assert main(["quality", "--tenant", "clinic", "--by", "setting", "--html", str(page)]) == 0
    printed = capsys.readouterr().out
    assert main(["quality", "--tenant", "clinic", "--json"]) == 0
    report = msgspec.json.decode(capsys.readouterr().out, type=Report)
    assert report.sittings >= 10 and report.summary == printed.splitlines()
    assert f"{report.sittings} sittings" in page.read_text("utf-8")


@pytest.mark.usefixtures("stored")
def test_what_is_no_day_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["quality", "--tenant", "clinic", "--from", "May", "--to", "2026-13-01"]) == 1
    told = capsys.readouterr().err
    assert "from" in told and "to" in told
