"""The columns as an Arrow schema. pyarrow is loaded when a table is made."""

from __future__ import annotations

from typing import Any

from quietcuff.analytics.tables.schema import Table, columns_of


def arrow_schema(table: Table, *, identified: bool = False) -> Any:
    """The Arrow schema of a table; each field carries its meaning, and its unit and code where it has them."""
    import pyarrow as pa

    kinds = {
        "text": pa.string(),
        "yes-no": pa.bool_(),
        "integer": pa.int32(),
        "number": pa.float64(),
        "day": pa.date32(),
        "moment": pa.timestamp("us", tz="UTC"),
    }
    fields = []
    for column in columns_of(table, identified=identified):
        more = {"meaning": column.meaning, "unit": column.unit, "code": column.code, "null": column.null}
        told = {name: value for name, value in more.items() if value is not None}
        fields.append(pa.field(column.name, kinds[column.kind], nullable=column.null is not None, metadata=told))
    return pa.schema(fields, metadata={"table": table.name, "row": table.row})
