"""The data dictionary, as a page and as JSON Schema, made from the columns."""

from __future__ import annotations

from typing import Any

import msgspec

from quietcuff.analytics.tables.schema import TABLES, Column, Table, columns_of

TYPES: dict[str, dict[str, Any]] = {
    "text": {"type": "string"},
    "yes-no": {"type": "boolean"},
    "integer": {"type": "integer"},
    "number": {"type": "number"},
    "day": {"type": "string", "format": "date"},
    "moment": {"type": "string", "format": "date-time"},
}
HEAD = "| column | type | unit | code | null means | meaning | source |\n|---|---|---|---|---|---|---|\n"


def dictionary_page(tables: tuple[Table, ...] = TABLES, *, identified: bool = False) -> str:
    """Every table and column in words, as Markdown."""
    parts = ["# Data dictionary\n\nA null is never a no: the column says what it means. Units are UCUM.\n"]
    for table in tables:
        rows = "".join(_row(column) for column in columns_of(table, identified=identified))
        parts.append(f"## {table.name}\n\n{table.row}\n\n{HEAD}{rows}")
    return "\n".join(parts)


def _row(column: Column) -> str:
    words = f" One of: {', '.join(column.words)}." if column.words else ""
    cells = [f"`{column.name}`", column.kind, column.unit, column.code, column.null or "never null"]
    cells += [f"{column.meaning}.{words}", column.source]
    return "| " + " | ".join((cell or "").replace("|", "\\|") for cell in cells) + " |\n"


def dictionary_schema(tables: tuple[Table, ...] = TABLES, *, identified: bool = False) -> bytes:
    """Every table and column as JSON Schema, one definition a table."""
    known = {table.name: _definition(table, identified=identified) for table in tables}
    document = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "Quietcuff tables", "$defs": known}
    return msgspec.json.format(msgspec.json.encode(document), indent=2) + b"\n"


def _definition(table: Table, *, identified: bool) -> dict[str, Any]:
    columns = columns_of(table, identified=identified)
    return {
        "type": "object",
        "description": table.row,
        "properties": {column.name: _property(column) for column in columns},
        "required": [column.name for column in columns],
        "additionalProperties": False,
    }


def _property(column: Column) -> dict[str, Any]:
    shape = dict(TYPES[column.kind])
    if column.null is not None:
        shape["type"] = [shape["type"], "null"]
    if column.words:
        shape["enum"] = [*column.words, *([None] if column.null is not None else [])]
    told = {"description": column.meaning, "x-unit": column.unit, "x-code": column.code}
    told |= {"x-null-means": column.null, "x-source": column.source}
    return shape | {name: value for name, value in told.items() if value is not None}
