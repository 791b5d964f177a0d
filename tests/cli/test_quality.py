"""``quietcuff quality``: the first paragraph, the report as JSON, the page in a file."""

from __future__ import annotations

import asyncio
import sys
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


@pytest.mark.usefixtures("stored")
@pytest.mark.parametrize("command", [["quality"], ["tables", "--to", "tables"]])
def test_without_the_packages_that_reckon_a_sentence_says_how_to_get_them(
    command: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    assert main([*command, "--tenant", "clinic"]) == 1
    assert "sh deploy/setup.sh full" in capsys.readouterr().err


@pytest.mark.usefixtures("stored")
def test_tables_as_csv_need_no_extra(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    folder = tmp_path / "tables"
    assert main(["tables", "--tenant", "clinic", "--to", str(folder), "--format", "csv"]) == 0
    told = dict(line.split(": ") for line in capsys.readouterr().out.splitlines())
    lines = (folder / "sets.csv").read_text("utf-8").splitlines()
    assert told["sets"] == f"{len(lines) - 1} rows" and len(lines) > 10
