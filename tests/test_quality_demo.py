"""The demonstration of the report on measuring: an invented year, and whether what was planted is found."""

from __future__ import annotations

import sys
from datetime import date
from pathlib import Path

import pytest

from quietcuff.cli import main
from quietcuff.demo.clinic_year import (
    DAYS,
    NEVER_RESTS,
    PLANTED,
    ROUNDS_TO_ZERO,
    WITHOUT_SECOND_ARM,
    invent_year,
)

SITTINGS = 400
LAST_DAY = date(2026, 5, 3)


def test_the_page_is_written_and_what_was_planted_comes_first(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = tmp_path / "report.html"
    assert main(["demo", "--quality", "--sittings", str(SITTINGS), "--page", str(page)]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "is invented" in told and f" {page}." in told and f"{SITTINGS} sittings were stored" in told
    said = told.partition("What the report says first: ")[2]
    assert said.startswith("Three things to mend")
    assert f"Observer {ROUNDS_TO_ZERO}" in said and f"Observer {NEVER_RESTS}" in said and "second arm was left out" in said
    written = page.read_text("utf-8")
    assert "an invented clinic group, no real people" in written and f"{SITTINGS} sittings" in written
    assert list(tmp_path.iterdir()) == [page]


def test_the_year_is_the_same_each_time_and_lies_within_a_year() -> None:
    year = invent_year(SITTINGS, LAST_DAY)
    assert year == invent_year(SITTINGS, LAST_DAY) and len(year) == SITTINGS
    days = [date.fromisoformat(body["readings"][0]["taken_at"][:10]) for body in year]
    assert days == sorted(days) and days[-1] <= LAST_DAY and (LAST_DAY - days[0]).days < DAYS
    assert len({body["identifier"]["value"] for body in year}) == SITTINGS


def test_the_habits_are_where_they_are_said_to_be() -> None:
    assert len(PLANTED) == 3
    for body in invent_year(SITTINGS, LAST_DAY):
        sites = {reading["site"] for reading in body["readings"]}
        in_both = body["visit"] == "first" and body["location"]["value"] != WITHOUT_SECOND_ARM
        assert len(sites) == (2 if in_both else 1)
        assert body["context"]["rest_minutes"] >= 5 or body["observer"]["value"] == NEVER_RESTS


def test_without_the_packages_that_reckon_it_says_how_to_get_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    page = tmp_path / "report.html"
    assert main(["demo", "--quality", "--page", str(page)]) == 1
    assert "sh deploy/setup.sh full" in capsys.readouterr().err and not page.exists()


@pytest.mark.parametrize("number", ["0", "many", "-3", "100001"])
def test_a_number_of_sittings_is_one(number: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["demo", "--quality", "--sittings", number])
    assert "from 1 to 100000" in capsys.readouterr().err
