"""Rows that are inserted in the order of their table's columns."""

from __future__ import annotations

import msgspec
import pytest
from sqlalchemy import Table

from quietcuff.storage.rows.claims import Claim
from quietcuff.storage.rows.reading_sets import SetRow
from quietcuff.storage.rows.readings import ReadingRow
from quietcuff.storage.rows.subjects import SubjectRow
from quietcuff.storage.rows.versions import VersionRow
from quietcuff.storage.schema.sittings import claim, reading, reading_set, set_version, subject


@pytest.mark.parametrize(
    ("row", "table"),
    [(Claim, claim), (ReadingRow, reading), (SetRow, reading_set), (SubjectRow, subject), (VersionRow, set_version)],
)
def test_the_fields_of_a_row_are_the_columns_of_its_table_in_their_order(row: type[msgspec.Struct], table: Table) -> None:
    assert row.__struct_fields__ == tuple(table.c.keys())
