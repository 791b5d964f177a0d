"""The ten questions of the analyst's page, run as they stand in polars and in DuckDB: both give the same answer."""

from __future__ import annotations

import asyncio
import random
import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import pytest

from application.clinic import open_clinic, sitting
from databases import SqliteFiles
from quietcuff.cli import main
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import open_store

PAGE = Path(__file__).parents[3] / "docs/analyst.md"
PEOPLE = 45
FROM = datetime.fromisoformat("2026-01-12T09:00:00+01:00")


def questions() -> dict[str, tuple[str, str]]:
    """Each question's polars and SQL."""
    text = PAGE.read_text("utf-8")
    found = re.findall(
        r"^### (\d+\. [^\n]*)\n(?:(?!^### ).)*?^```python tables\n(.*?)^```\n\n```sql\n(.*?)^```", text, re.M | re.S
    )
    return {title: (code, query) for title, code, query in found}


def invented(rng: random.Random, person: int, visit: int) -> dict[str, Any]:
    """A sitting of an invented clinic: some treated, some at home, some with too few readings, one nurse who rounds."""
    nurse = rng.choice("abc")
    base = 118 + person % 9 * 5 + rng.randint(-6, 6)
    begins = FROM + timedelta(days=person % 7 * 17 + visit * 30, minutes=rng.randrange(300))
    at_home = rng.random() < 0.2
    count = rng.choice([1, 3, 3, 3, 4])
    readings = []
    for place in range(count):
        value = base - (8 if at_home else 0) + rng.randint(-5, 5)
        readings.append(
            {
                "taken_at": (begins + timedelta(minutes=2 * place)).isoformat(),
                "systolic_mmhg": round(value, -1) if nurse == "a" else value,
                "diastolic_mmhg": 60 + value // 6 + rng.randint(-3, 3),
                "site": "left-upper-arm" if place == 0 and rng.random() < 0.6 else "right-upper-arm",
                "position": "sitting",
                "method": "oscillometric",
            }
        )
    facts = {"identifier": {"system": "urn:example:mrn", "value": f"p-{person}"}, "birth_date": "1966-03-02", "sex": "male"}
    return {
        **sitting(readings),
        "subject": {**facts, "antihypertensive_treatment": rng.choice(["yes", "no", "not-recorded"])},
        "setting": "home" if at_home else "office",
        "visit": "first" if visit == 0 else "follow-up",
        "guidelines": ["aha-acc-2025", "esh-2023"],
        "observer": {"system": "urn:example:staff", "value": nurse},
        "context": {"rest_minutes": rng.choice([1, 5, 5, 6])},
    }


@pytest.fixture(scope="module")
def folder(sqlite_files: SqliteFiles, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """The tables of an invented clinic, pseudonymous and named."""
    url, place = sqlite_files.new(), tmp_path_factory.mktemp("analyst")

    async def fill() -> None:
        store = open_store(url)
        clinic = await open_clinic(store, load_rulebook())
        rng = random.Random(20260112)
        for person in range(PEOPLE):
            for visit in range(rng.choice([1, 2, 3])):
                await clinic.receive(invented(rng, person, visit))
        await store.close()

    asyncio.run(fill())
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("QUIETCUFF_DATABASE_URL", url)
        assert main(["tables", "--tenant", "clinic", "--to", str(place / "tables")]) == 0
        assert main(["tables", "--tenant", "clinic", "--to", str(place / "named"), "--identified"]) == 0
        patched.setenv("QUIETCUFF_PUBLIC_URL", "https://bp.example.org")
        assert main(["export", "--tenant", "clinic", "--to", str(place / "export")]) == 0
        patched.chdir(place)
        yield place


def setting_up() -> str:
    block = re.search(r"^```python tables\n(.*?)^```", PAGE.read_text("utf-8"), re.M | re.S)
    assert block is not None
    return block[1]


def alike(rows: list[tuple[Any, ...]]) -> list[tuple[str, ...]]:
    """Rows in one order, numbers to nine decimals."""
    return sorted(tuple(f"{cell:.9f}" if isinstance(cell, float | int) else str(cell) for cell in row) for row in rows)


def answers(title: str) -> tuple[Any, Any]:
    code, query = questions()[title]
    names: dict[str, Any] = {}
    exec(setting_up() + code, names)  # noqa: S102
    return names["answer"], duckdb.sql(query)


def test_there_are_ten_questions() -> None:
    assert [title.split(".")[0] for title in questions()] == [str(number) for number in range(1, 11)]


@pytest.mark.parametrize("title", list(questions()))
def test_polars_and_sql_give_the_same_answer(folder: Path, title: str) -> None:
    frame, relation = answers(title)
    assert frame.columns == relation.columns and frame.height > 0
    assert alike(frame.rows()) == alike(relation.fetchall())


def test_an_export_alone_counts_sittings_with_and_without_a_result(folder: Path) -> None:
    """What the page's lines give is what the tables say of the same sittings, which are all closed."""
    block = re.search(r"^```python export\n(.*?)^```", PAGE.read_text("utf-8"), re.M | re.S)
    assert block is not None
    names: dict[str, Any] = {}
    exec(block[1], names)  # noqa: S102
    table = duckdb.sql(
        "SELECT set_id, setting, protocol, systolic_mmhg IS NOT NULL, coalesce(unusable_reason, '') FROM 'named/sets.parquet'"
    ).fetchall()
    assert sorted(names["sittings"].rows()) == sorted(table)
    of_setting = {setting: [row[3] for row in table if row[1] == setting] for setting in ("office", "home")}
    assert sorted(names["shares"].rows()) == sorted(
        (setting, len(has), pytest.approx(sum(has) / len(has))) for setting, has in of_setting.items()
    )
    counted = {(setting, why): sittings for setting, why, sittings in names["reasons"].rows()}
    assert counted["office", "too-few-readings"] > 5
    assert sum(counted.values()) == sum(not row[3] for row in table)


def test_the_invented_habits_are_seen(folder: Path) -> None:
    """What was planted: one nurse of three rounds to zero, one in five sittings had one reading, home is eight lower."""
    by_number = {title.split(".")[0]: answers(title)[0] for title in questions()}
    digits = dict(by_number["2"].rows())
    assert digits[0] > 2.5 * sum(digits.values()) / 10
    reasons = {row[0]: row[1] for row in by_number["9"].select("reason", "sittings").rows()}
    assert set(reasons) - {"usable"} and reasons["usable"] < sum(reasons.values())
    systolic = {row[0]: row[1] for row in by_number["8"].select("setting", "systolic").rows()}
    assert 3 < systolic["office"] - systolic["home"] < 14
    assert by_number["6"].height == 3 and by_number["7"].height > 3
    assert 0 < by_number["1"]["controlled"][0] < 1 and 0 < by_number["3"]["both"][0] < 1
