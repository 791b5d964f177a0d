"""Rows that are inserted in the order of their table's columns, and rows as they are read again."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import UUID

import msgspec
import pytest
from sqlalchemy import Dialect, Table, select
from sqlalchemy.dialects import sqlite

from quietcuff.storage.engine.database import AS_THEY_ARE, open_sqlite, parse_url
from quietcuff.storage.engine.statements import PreparedStatement
from quietcuff.storage.rows import readings
from quietcuff.storage.rows.claims import Claim
from quietcuff.storage.rows.reading_sets import SetRow
from quietcuff.storage.rows.readings import ReadingRow
from quietcuff.storage.rows.ready_rows import dialect_of
from quietcuff.storage.rows.subjects import SubjectRow
from quietcuff.storage.rows.versions import VersionRow
from quietcuff.storage.schema.base import from_microseconds
from quietcuff.storage.schema.sittings import claim, reading, reading_set, set_version, subject


@pytest.mark.parametrize(
    ("row", "table"),
    [(Claim, claim), (ReadingRow, reading), (SetRow, reading_set), (SubjectRow, subject), (VersionRow, set_version)],
)
def test_the_fields_of_a_row_are_the_columns_of_its_table_in_their_order(row: type[msgspec.Struct], table: Table) -> None:
    assert row.__struct_fields__ == tuple(table.c.keys())


def test_values_that_the_driver_was_told_of_are_stored_as_they_are(tmp_path: Path) -> None:
    given = {bytes: b"\0\xff", bool: True, type(None): None}
    assert given.keys() == AS_THEY_ARE.keys()
    engine = open_sqlite(parse_url(f"sqlite:///{tmp_path / 'here.db'}"), writes=True)
    assert all((kind, sqlite3.PrepareProtocol) in sqlite3.adapters for kind in given)
    with closing(engine.raw_connection()) as connection:
        row = connection.cursor().execute("SELECT ?, ?, ?, typeof(?)", (*given.values(), True)).fetchone()
    engine.dispose()
    assert row == (b"\0\xff", 1, None, "integer")


def test_rows_are_read_alike_together_and_one_by_one() -> None:
    plan = PreparedStatement(select(set_version.c.closes_at, set_version.c.version), None, sqlite.dialect())
    moments = [None, 5, 5, None, None, 0, 5]
    rows = [(moment, place) for place, moment in enumerate(moments)]
    converted = [None if moment is None else from_microseconds(moment) for moment in moments]
    assert [list(row) for row in plan.all_converted(rows)] == [plan.converted(row) for row in rows]
    assert [row[0] for row in plan.all_converted(rows)] == converted


@pytest.mark.parametrize("dialect", [dialect_of("sqlite"), dialect_of("postgresql+asyncpg")], ids=["sqlite", "postgresql"])
def test_rows_are_ready_in_the_form_in_which_they_are_written(dialect: Dialect) -> None:
    at = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
    blank = dict.fromkeys(ReadingRow.__struct_fields__)
    own = {"tenant_id": 1, "subject_id": UUID(int=7), "set_id": UUID(int=8), "updated_at": at}
    varied = [
        {"reading_index": place, "taken_at": at + timedelta(minutes=place), "device_id": device}
        for place, device in enumerate([None, UUID(int=9), UUID(int=9)])
    ]
    rows = [[*(blank | own | one).values()] for one in varied]
    written = readings.INSERT.plan(dialect).in_driver_form(rows)
    assert readings.INSERT.ready(dialect, rows) == written
    assert [readings.INSERT.ready_alone(dialect, row) for row in rows] == written
    assert readings.INSERT.ready(dialect, []) == []
