"""Rows as Parquet or CSV, written as they come. Parquet alone needs pyarrow, which is loaded when such a file is begun."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, Literal, Protocol

from quietcuff.analytics.extras import require
from quietcuff.analytics.tables.arrow import arrow_schema
from quietcuff.analytics.tables.schema import Table, columns_of
from quietcuff.analytics.tables.set_rows import Row

Format = Literal["parquet", "csv"]
ROWS_A_GROUP = 20_000
# A spreadsheet takes a text that begins so for a formula, and would run it.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


class Sink(Protocol):
    """A place that bytes are written to."""

    def write(self, data: bytes, /) -> int: ...


class TableFile(Protocol):
    """One table on its way into a sink. ``close`` writes what is left, and the end of the file."""

    rows: int

    def add(self, rows: Sequence[Row]) -> None: ...

    def close(self) -> None: ...


def require_for(kind: Format) -> None:
    """See that a format can be written.

    Raises:
        NotInstalled: the packages that write Parquet are missing.
    """
    if kind == "parquet":
        require("analytics")


def table_file(table: Table, kind: Format, sink: Sink, *, identified: bool) -> TableFile:
    """A table's file in a format.

    Raises:
        NotInstalled: the packages that write Parquet are missing.
    """
    require_for(kind)
    return (CsvFile if kind == "csv" else ParquetFile)(table, sink, identified=identified)


class ParquetFile:
    """A table as Parquet."""

    def __init__(self, table: Table, sink: Sink, *, identified: bool) -> None:
        import pyarrow.parquet

        self._schema = arrow_schema(table, identified=identified)
        self._waiting: list[Any] = []
        self._writer: Any = pyarrow.parquet.ParquetWriter(sink, self._schema, compression="zstd")
        self.rows = self._written = 0

    def add(self, rows: Sequence[Row]) -> None:
        """Have rows written, many at once: until then they wait as columns, which take little room."""
        if not rows:
            return
        import pyarrow as pa

        columns = [pa.array([row[field.name] for row in rows], field.type) for field in self._schema]
        self._waiting.append(pa.RecordBatch.from_arrays(columns, schema=self._schema))
        self.rows += len(rows)
        if self.rows - self._written >= ROWS_A_GROUP:
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


class CsvFile:
    """A table as CSV: texts in quotes, what is null empty without them. Needs no optional package."""

    def __init__(self, table: Table, sink: Sink, *, identified: bool) -> None:
        self._names = [column.name for column in columns_of(table, identified=identified)]
        self._sink, self.rows = sink, 0
        sink.write(f"{','.join(map(quoted, self._names))}\n".encode())

    def add(self, rows: Sequence[Row]) -> None:
        """Write rows."""
        self._sink.write("".join(f"{','.join([cell(row[name]) for name in self._names])}\n" for row in rows).encode())
        self.rows += len(rows)

    def close(self) -> None:
        """All is written."""


def cell(value: Any) -> str:
    """A value as CSV has it: moments in UTC, whole numbers without a point."""
    if value is None:
        return ""
    if isinstance(value, str):
        return quoted(disarmed(value) or "")
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        return value.astimezone(UTC).strftime("%Y-%m-%d %H:%M:%S.%fZ")
    if isinstance(value, float):
        return repr(value).removesuffix(".0")
    return str(value)


def quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"'


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
        """Keep what was written until it is taken."""

    def take(self) -> bytes:
        """The bytes written since the last time."""
        taken = b"".join(self._parts)
        self._parts.clear()
        return taken
