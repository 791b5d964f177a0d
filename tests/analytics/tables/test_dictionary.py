"""One definition a column: the Arrow schema, the page, JSON Schema and the stored structs agree."""

from __future__ import annotations

import json

import jsonschema_rs
import msgspec
import pytest

from quietcuff.analytics.tables.arrow import arrow_schema
from quietcuff.analytics.tables.dictionary import dictionary_page, dictionary_schema
from quietcuff.analytics.tables.schema import CONTEXT_MEANINGS, TABLES, Table, columns_of
from quietcuff.core.model.fields import YesNo
from quietcuff.core.model.readings import Context


def test_every_yes_or_no_of_the_context_is_a_column() -> None:
    asked = {field.name for field in msgspec.structs.fields(Context) if field.type is YesNo or field.type == YesNo}
    assert asked == set(CONTEXT_MEANINGS)


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_the_faces_of_a_table_agree(table: Table) -> None:
    names = [column.name for column in columns_of(table, identified=False)]
    assert len(names) == len(set(names))
    schema = arrow_schema(table)
    assert schema.names == names
    shape = json.loads(dictionary_schema())["$defs"][table.name]
    jsonschema_rs.meta.validate(json.loads(dictionary_schema()))
    assert list(shape["properties"]) == names == shape["required"]
    section = dictionary_page().split(f"## {table.name}\n")[1].split("\n## ")[0]
    assert [line.split("`")[1] for line in section.splitlines() if line.startswith("| `")] == names
    for column in columns_of(table, identified=False):
        field = schema.field(column.name)
        assert field.nullable == (column.null is not None)
        assert (None in shape["properties"][column.name].get("enum", [None])) or not field.nullable


def test_identifiers_are_in_identified_tables_alone() -> None:
    for table in TABLES:
        assert "person_identifier" not in arrow_schema(table).names
    assert "person_identifier" in arrow_schema(TABLES[0], identified=True).names


def test_units_are_ucum_and_mean_pressures_have_their_published_codes() -> None:
    """LOINC 96608-5 and 96609-3: mean systolic and mean diastolic (US Core average blood pressure)."""
    sets = TABLES[0]
    assert sets.named("systolic_mmhg").code == "http://loinc.org|96608-5"
    assert sets.named("diastolic_mmhg").unit == "mm[Hg]"
