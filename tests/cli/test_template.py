"""``quietcuff template``: an empty sheet that the reader of sheets takes, in each language."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from quietcuff.cli import main
from quietcuff.decode.sheet.columns import COLUMNS
from quietcuff.decode.sheet.table import read_table
from quietcuff.report.empty_sheet import NOT_SHOWN
from quietcuff.rules.catalog import load_rulebook
from quietcuff.words.language import CODES
from quietcuff.words.languages import load_languages
from quietcuff.words.sheet_words import plain_headers

HEADERS = plain_headers(load_languages(load_rulebook()), list(COLUMNS))


@pytest.mark.parametrize("code", CODES)
def test_every_header_of_the_empty_sheet_is_known_and_explained(code: str, capsys: Any) -> None:
    assert main(["template", "--lang", code, "--all", "--separator", "semicolon"]) == 0
    printed = capsys.readouterr().out
    assert printed.startswith("\ufeff")
    table = read_table(printed.encode(), lambda header: header in HEADERS)
    assert [HEADERS.get(cell) for cell in table.header.cells] == [name for name in COLUMNS if name not in NOT_SHOWN]
    explained = [line for line in printed.splitlines() if line.lstrip('\ufeff"').startswith("# ")]
    assert len(explained) == len(table.header.cells) + 2
    assert all(f"({name}" in "".join(explained) for name in COLUMNS if name not in NOT_SHOWN)


def test_a_filled_sheet_is_evaluated_with_its_lines_of_explanation(tmp_path: Path, capsys: Any) -> None:
    assert main(["template"]) == 0
    empty = capsys.readouterr().out
    path = tmp_path / "filled.csv"
    names = [HEADERS[cell] for cell in read_table(empty.encode(), lambda header: header in HEADERS).header.cells]
    row = dict.fromkeys(names, "") | {
        "person": "p-0001",
        "taken_at": "2026-05-04 09:00",
        "systolic_mmhg": "136",
        "diastolic_mmhg": "83",
        "site": "left upper arm",
        "talking": "No",
    }
    path.write_text(empty + ",".join(row.values()) + "\r\n", encoding="utf-8")
    assert main(["evaluate", str(path), "--zone", "Europe/Vienna", "--json"]) == 0
    (evaluation,) = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [reading["index"] for reading in evaluation["readings"]] == [0]
