"""Tables of what is stored, on both databases: the rows, who is hidden, and what pandas, polars and DuckDB read."""

from __future__ import annotations

import asyncio
import csv
import json
import random
import stat
from datetime import timedelta
from pathlib import Path
from typing import Any
from uuid import UUID

import duckdb
import jsonschema_rs
import msgspec
import pandas
import polars
import pyarrow.parquet
import pytest

from application.clinic import Clinic, left, on_day, open_clinic, reading, sitting, told
from quietcuff.analytics.tables.disguise import Disguise
from quietcuff.analytics.tables.folder import stream_table, write_tables
from quietcuff.analytics.tables.schema import SETS, TABLES, columns_of
from quietcuff.analytics.tables.streams import TablesWanted, table_rows
from quietcuff.analytics.tables.writing import Buffer, disarmed, table_file
from quietcuff.cli import main
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import Store, open_store
from strategies import Inventor

pytestmark = pytest.mark.anyio
NAMES = [table.name for table in TABLES]


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


@pytest.fixture
async def clinic(store: Store, rulebook: Rulebook) -> Clinic:
    return await open_clinic(store, rulebook)


async def fill(clinic: Clinic, count: int) -> list[dict[str, Any]]:
    """Odd invented sittings of twelve people, as they were answered."""
    answers: list[dict[str, Any]] = []
    for seed in range(10 * count):
        body = Inventor(seed, seed % 11).body(1 + seed % 6, True)
        body.pop("history", None)
        body["subject"]["identifier"]["value"] = f"p-{seed % 12}"
        try:
            answers.append(told(await clinic.receive(body)))
        except NotAcceptable:
            continue
        if len(answers) == count:
            return answers
    raise AssertionError("too few could be stored")


def wanted(clinic: Clinic, *names: str, identified: bool = False, **more: Any) -> TablesWanted:
    disguise = Disguise(secret=clinic.tenant.secret, identified=identified)
    return TablesWanted(tenant_id=clinic.tenant.tenant_id, names=names or NAMES, disguise=disguise, **more)


async def rows(clinic: Clinic, *names: str, **more: Any) -> dict[str, list[dict[str, Any]]]:
    found: dict[str, list[dict[str, Any]]] = {name: [] for name in names or NAMES}
    async for some in table_rows(clinic.desk, wanted(clinic, *names, **more)):
        for name, part in some.items():
            found[name] += part
    return found


async def test_every_row_is_what_the_dictionary_says(clinic: Clinic, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("quietcuff.analytics.tables.streams.SETS_A_PAGE", 7)
    answers = await fill(clinic, 60)
    found = await rows(clinic)
    assert len(found["sets"]) == 60
    live = [sum(not one.get("voided") for one in answer["reading_set"]["readings"]) for answer in answers]
    assert len(found["readings"]) == sum(live)
    assert len(found["labels"]) == sum(len(answer["evaluation"]["categories"]) for answer in answers)
    assert len(found["findings"]) == sum(len(answer["evaluation"]["findings"]) for answer in answers)
    for table in TABLES:
        for row in found[table.name]:
            assert {column.name for column in table.columns} == set(row)
            for column in table.columns:
                value = row[column.name]
                assert value is not None or column.null is not None, (table.name, column.name)
                assert not column.words or value is None or value in column.words, (table.name, column.name, value)


async def test_a_set_without_a_result_is_in_the_table(clinic: Clinic) -> None:
    await clinic.receive(sitting())
    await clinic.receive(sitting([reading(0)], person="p-0002"))
    (with_result, without) = sorted((await rows(clinic, "sets"))["sets"], key=lambda row: row["state"])
    assert (with_result["systolic_mmhg"], with_result["unusable_reason"]) == (145, None)
    assert without["systolic_mmhg"] is None and without["state"] == "not-usable" and without["unusable_reason"]


async def test_what_is_recorded_is_told_from_what_is_not(clinic: Clinic) -> None:
    context = {"rest_minutes": 2.5, "talking": "yes", "legs_crossed": "no"}
    cuff = {"size": "adult", "range_cm": [27, 34]}
    body = sitting(context=context, cuff=cuff)
    body["subject"] |= {"arm_circumference_cm": 38, "antihypertensive_treatment": "no"}
    await clinic.receive(body)
    (row,) = (await rows(clinic, "sets"))["sets"]
    assert (row["talking"], row["legs_crossed"], row["full_bladder"]) == (True, False, None)
    assert (row["rest_seconds"], row["cuff_fit"], row["treated"], row["sex"]) == (150, "too-small", False, None)
    assert (row["arms_measured"], row["both_arms_due"], row["interval_seconds"]) == ("both", True, 60)
    assert row["age_band"] == "50-59" and str(row["local_date"]) != "None"


async def test_shift_is_the_sum_of_the_published_ranges(clinic: Clinic, rulebook: Rulebook) -> None:
    await clinic.receive(sitting(context={"talking": "yes", "full_bladder": "yes", "rest_minutes": 5}))
    (row,) = (await rows(clinic, "sets"))["sets"]
    both = [rulebook.effects[code].systolic_mmhg for code in ("talking", "full-bladder")]
    assert all(both)
    assert row["shift_systolic_low_mmhg"] == round(sum(ends[0] for ends in both if ends), 2)
    assert row["shift_systolic_high_mmhg"] == round(sum(ends[1] for ends in both if ends), 2)


async def test_voided_sets_leave_and_newer_ones_alone_come_with_since(clinic: Clinic) -> None:
    first = await clinic.receive(sitting())
    clinic.clock.move(minutes=5)
    since = clinic.clock.now
    clinic.clock.move(minutes=5)
    second = await clinic.receive(sitting(person="p-0002"))
    found = await rows(clinic, "sets", identified=True, since=since)
    assert [row["set_id"] for row in found["sets"]] == [second.set_id]
    await clinic.correct(first, {"change": "void-set"})
    found = await rows(clinic, "sets", identified=True)
    assert [row["set_id"] for row in found["sets"]] == [second.set_id]


async def test_pseudonyms_hide_everybody_and_keep_weekdays_and_spacing(clinic: Clinic, tmp_path: Path) -> None:
    for person in ("p-0001", "p-0002"):
        for day in ("2026-03-02", "2026-04-02"):
            await clinic.receive(sitting(on_day([left(0), reading(1), reading(2), reading(3)], day), person=person))
    true = await rows(clinic, identified=True)
    hidden = await rows(clinic)
    assert {row["person_identifier"] for row in true["sets"]} == {"urn:example:mrn|p-0001", "urn:example:mrn|p-0002"}
    for one, other in zip(true["sets"], hidden["sets"], strict=True):
        moved = other["taken_at"] - one["taken_at"]
        assert moved and moved % timedelta(weeks=1) == timedelta() and abs(moved) <= timedelta(weeks=52)
        assert other["local_date"] - one["local_date"] == moved
        assert other["observer"] != one["observer"] == "urn:example:staff|n-17"
    people = {row["person_key"] for row in hidden["sets"]}
    assert len(people) == 2
    for person in people:
        first, second = sorted(row["taken_at"] for row in hidden["sets"] if row["person_key"] == person)
        assert abs((second - first) - timedelta(days=31)) < timedelta(days=1)
    counts = await write_tables(clinic.desk, wanted(clinic), tmp_path, "csv")
    assert counts["sets"] == 4
    secrets = ["p-0001", "p-0002", "n-17", "SN-0007", "urn:example", *(row["set_id"] for row in true["sets"])]
    secrets += [row["person_key"] for row in true["sets"]]
    for path in tmp_path.iterdir():
        text = path.read_text("utf-8")
        assert [secret for secret in secrets if secret in text] == [], path.name


async def test_another_tenant_and_another_secret_give_other_pseudonyms(clinic: Clinic) -> None:
    one = Disguise(secret=b"a" * 32, identified=False)
    other = Disguise(secret=b"b" * 32, identified=False)
    assert one.name("person", "x") == one.name("person", "x") != other.name("person", "x")
    assert one.name("person", "x") != one.name("set", "x")
    answer = await clinic.receive(sitting())
    stranger = await open_clinic(clinic.desk.store, clinic.desk.rulebook, "another")
    assert (await rows(stranger))["sets"] == [] and answer.set_id


async def test_pandas_polars_and_duckdb_read_the_same_parquet(clinic: Clinic, tmp_path: Path) -> None:
    await fill(clinic, 40)
    counts = await write_tables(clinic.desk, wanted(clinic), tmp_path, "parquet")
    found = await rows(clinic)
    for table in TABLES:
        path = tmp_path / f"{table.name}.parquet"
        names = [column.name for column in columns_of(table, identified=False)]
        framed, lazy = pandas.read_parquet(path), polars.read_parquet(path)
        counted = duckdb.sql(f"SELECT * FROM read_parquet('{path}')")
        assert list(framed.columns) == lazy.columns == counted.columns == names
        assert len(framed) == lazy.height == len(counted) == counts[table.name] == len(found[table.name])
        metadata = pyarrow.parquet.ParquetFile(path).metadata
        assert not counts[table.name] or metadata.row_group(0).column(0).compression == "ZSTD"
    sets = polars.read_parquet(tmp_path / "sets.parquet")
    means = [row["systolic_mmhg"] for row in found["sets"] if row["systolic_mmhg"] is not None]
    assert sets["systolic_mmhg"].drop_nulls().to_list() == means
    with_talking = sum(row["talking"] is True for row in found["sets"])
    (asked,) = duckdb.sql(f"SELECT count(*) FROM '{tmp_path}/sets.parquet' WHERE talking").fetchall()
    assert asked == (with_talking,)
    assert int(pandas.read_parquet(tmp_path / "sets.parquet")["talking"].fillna(False).sum()) == with_talking
    shape = json.loads((tmp_path / "dictionary.schema.json").read_bytes())
    check = jsonschema_rs.validator_for({**shape["$defs"]["sets"], "$schema": shape["$schema"]})
    for row in sets.to_dicts():
        check.validate(msgspec.to_builtins(row))
    assert "## follow_ups" in (tmp_path / "dictionary.md").read_text()


async def test_all_three_read_the_csv_and_numbers_stay_numbers(clinic: Clinic, tmp_path: Path) -> None:
    await fill(clinic, 40)
    await write_tables(clinic.desk, wanted(clinic), tmp_path, "csv")
    found = (await rows(clinic))["findings"]
    lows = [row["systolic_low_mmhg"] for row in found]
    assert any(low is not None and low < 0 for low in lows)
    path = tmp_path / "findings.csv"
    assert polars.read_csv(path, infer_schema_length=None)["systolic_low_mmhg"].to_list() == lows
    framed = pandas.read_csv(path)["systolic_low_mmhg"]
    assert [None if pandas.isna(low) else low for low in framed] == lows
    assert [low for (low,) in duckdb.sql(f"SELECT systolic_low_mmhg FROM '{path}'").fetchall()] == lows


@pytest.mark.parametrize("start", ["=1+1", "+1", "-1", "@SUM(A1)", "\tx", "\rx"])
def test_no_cell_begins_as_a_formula(start: str, tmp_path: Path) -> None:
    """The characters are those of OWASP's page on CSV injection."""
    buffer = Buffer()
    file = table_file(SETS, "csv", buffer, identified=False)
    row = {column.name: "text" if column.kind == "text" else None for column in SETS.columns}
    row |= {column.name: False for column in SETS.columns if column.kind == "yes-no"}
    file.add([{**row, "cuff": start, "systolic_mmhg": -5.0}])
    file.close()
    (tmp_path / "sets.csv").write_bytes(buffer.take())
    with open(tmp_path / "sets.csv", newline="", encoding="utf-8") as stream:
        (cells,) = list(csv.DictReader(stream))
    assert cells["cuff"] == f"'{start}" and cells["systolic_mmhg"] == "-5"
    assert disarmed("a=1") == "a=1" and disarmed(None) is None


async def test_a_stream_holds_the_same_table(clinic: Clinic, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("quietcuff.analytics.tables.streams.SETS_A_PAGE", 5)
    monkeypatch.setattr("quietcuff.analytics.tables.writing.ROWS_A_GROUP", 6)
    await fill(clinic, 23)
    parts = [part async for part in stream_table(clinic.desk, wanted(clinic, "sets"), SETS, "parquet")]
    (tmp_path / "sets.parquet").write_bytes(b"".join(parts))
    assert len(parts) > 2
    asked = polars.read_parquet(tmp_path / "sets.parquet")
    assert asked["set_id"].to_list() == [row["set_id"] for row in (await rows(clinic, "sets"))["sets"]]


def test_the_command_writes_a_folder_of_the_owner(
    database_url: str, rulebook: Rulebook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    async def prepare() -> None:
        store = open_store(database_url)
        clinic = await open_clinic(store, rulebook)
        await clinic.receive(sitting(device={"identifier": {"system": "urn:example:device", "value": "=cmd"}}))
        await store.close()

    asyncio.run(prepare())
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", database_url)
    command = ["tables", "--tenant", "clinic", "--to", str(tmp_path / "new")]
    assert main([*command, "--format", "csv", "--identified"]) == 0
    assert "sets: 1 rows" in capsys.readouterr().out
    paths = sorted((tmp_path / "new").iterdir())
    assert [path.name for path in paths] == sorted(
        [*(f"{name}.csv" for name in NAMES), "dictionary.md", "dictionary.schema.json"]
    )
    assert {stat.S_IMODE(path.stat().st_mode) for path in paths} == {0o600}
    assert main(command) == 1 and "to" in capsys.readouterr().err
    assert main([*command[:-1], str(tmp_path / "other"), "--since", "yesterday"]) == 1
    assert "since" in capsys.readouterr().err


def test_the_shift_is_never_nothing_and_spread_over_two_years() -> None:
    hidden = Disguise(secret=b"s" * 32, identified=False)
    rng = random.Random(1)
    weeks = [hidden.shift(UUID(int=rng.getrandbits(128))).days // 7 for _ in range(4_000)]
    assert set(weeks) == {*range(-52, 0), *range(1, 53)}
