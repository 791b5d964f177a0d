"""Rows as Parquet or CSV, written as they come. pyarrow is loaded when a file is begun."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal, Protocol

from quietcuff.analytics.tables.arrow import arrow_schema
from quietcuff.analytics.tables.schema import Table, columns_of
from quietcuff.analytics.tables.set_rows import Row

Format = Literal["parquet", "csv"]
ROWS_A_GROUP = 20_000
# A spreadsheet takes a text that begins so for a formula, and would run it.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


class Sink(Protocol):
    """Where bytes go."""

    def write(self, data: bytes, /) -> int: ...


class TableFile:
    """One table on its way into a sink. ``close`` writes what is left, and the end of the file."""

    def __init__(self, table: Table, kind: Format, sink: Sink, *, identified: bool) -> None:
        self._table, self._kind = table, kind
        self._schema = arrow_schema(table, identified=identified)
        self._texts = {column.name for column in columns_of(table, identified=identified) if column.kind == "text"}
        self._waiting: list[Any] = []
        self._writer = self._open(sink)
        self.rows = self._written = 0

    def _open(self, sink: Sink) -> Any:
        if self._kind == "csv":
            import pyarrow.csv

            return pyarrow.csv.CSVWriter(sink, self._schema)
        import pyarrow.parquet

        return pyarrow.parquet.ParquetWriter(sink, self._schema, compression="zstd")

    def add(self, rows: Sequence[Row]) -> None:
        """Have rows written, many at once: until then they wait as columns, which take little room."""
        if not rows:
            return
        import pyarrow as pa

        columns = [pa.array([self._cell(field.name, row) for row in rows], field.type) for field in self._schema]
        self._waiting.append(pa.RecordBatch.from_arrays(columns, schema=self._schema))
        self.rows += len(rows)
        if self.rows - self._written >= ROWS_A_GROUP or self._kind == "csv":
            self._write()

    def close(self) -> None:
        self._write()
        self._writer.close()

    def _write(self) -> None:
        if not self._waiting:
            return
        import pyarrow as pa

        self._writer.write_table(pa.Table.from_batches(self._waiting, self._schema))
        self._waiting, self._written = [], self.rows

    def _cell(self, name: str, row: Row) -> Any:
        value = row[name]
        return disarmed(value) if self._kind == "csv" and name in self._texts else value


def disarmed(text: str | None) -> str | None:
    """A text that no spreadsheet takes for a formula: an apostrophe goes before one that begins like it."""
    return f"'{text}" if text is not None and text.startswith(FORMULA_STARTS) else text


class Buffer:
    """A sink that gives away what was written so far."""

    closed = False

    def __init__(self) -> None:
        self._parts: list[bytes] = []

    def write(self, data: bytes) -> int:
        self._parts.append(bytes(data))
        return len(data)

    def flush(self) -> None:
        """There is nothing behind this to write through to."""

    def close(self) -> None:
        """What was written stays until it is taken."""

    def take(self) -> bytes:
        """What was written since the last time."""
        taken = b"".join(self._parts)
        self._parts.clear()
        return taken
