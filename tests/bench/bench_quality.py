"""How long a report over a million sittings takes, against adding up the very same Parquet columns, in one run.

Run as ``cd tests; python -m bench.bench_quality [SITTINGS]``. The sittings are 20,000 invented ones, repeated with new ids.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from outside.planted_clinics import Clinic, Plan
from quietcuff.analytics.quality.report import report_on
from quietcuff.analytics.quality.sets import READING_COLUMNS, SET_COLUMNS
from quietcuff.analytics.quality.shapes import Filters
from quietcuff.analytics.quality.words import load_quality_rules
from quietcuff.rules.catalog import load_rulebook

CLINIC = 20_000
MOST_TIMES = 10
ROUNDS = 3


def write_tables(folder: Path, sittings: int) -> None:
    """The tables of so many sittings, as the tables' own writer makes them: Parquet with zstd."""
    sets, readings = Clinic(Plan(sittings=CLINIC, size=12), 1).tables()
    with (
        pq.ParquetWriter(folder / "sets.parquet", sets.schema, compression="zstd") as all_sets,
        pq.ParquetWriter(folder / "readings.parquet", readings.schema, compression="zstd") as all_readings,
    ):
        for part in range(sittings // CLINIC):
            all_sets.write_table(renamed(renamed(sets, "set_id", part), "person_key", part))
            all_readings.write_table(renamed(readings, "set_id", part))


def renamed(table: pa.Table, column: str, part: int) -> pa.Table:
    """The table with other ids."""
    ids = pc.binary_join_element_wise(table[column], pa.scalar(f"{part}"), "-")
    return table.set_column(table.column_names.index(column), column, ids)


def read(folder: Path, name: str, columns: tuple[str, ...]) -> pa.Table:
    """The columns that the report takes, of those that are there."""
    there = pq.read_schema(folder / f"{name}.parquet").names
    return pq.read_table(folder / f"{name}.parquet", columns=[column for column in columns if column in there])


def add_up(folder: Path) -> float:
    """Read the columns and add up each one: numbers as they are, words by their length, days as numbers."""
    total = 0.0
    for name, columns in (("sets", SET_COLUMNS), ("readings", READING_COLUMNS)):
        table = read(folder, name, columns)
        for column in table.itercolumns():
            if pa.types.is_string(column.type):
                column = pc.binary_length(column)
            elif pa.types.is_date32(column.type):
                column = column.cast("int32")
            total += float(pc.sum(column).as_py() or 0)
    return total


def best_of(work: Callable[[], Any]) -> float:
    """The shortest of some rounds, in seconds."""
    times = []
    for _ in range(ROUNDS):
        began = time.perf_counter()
        work()
        times.append(time.perf_counter() - began)
    return min(times)


def main(sittings: int) -> None:
    """Print both times and their ratio."""
    book = load_rulebook()
    rules = load_quality_rules(book)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_tables(folder, sittings)

        def report() -> None:
            sets, readings = read(folder, "sets", SET_COLUMNS), read(folder, "readings", READING_COLUMNS)
            made = report_on(sets, readings, Filters(), rules, book)
            assert made.sittings == sittings

        adding, reporting = best_of(lambda: add_up(folder)), best_of(report)
    ratio = reporting / adding
    print(f"{sittings:,} sittings: adding up {adding:.2f} s, report {reporting:.2f} s, {ratio:.1f} times")
    if ratio > MOST_TIMES:
        sys.exit(f"The report takes more than {MOST_TIMES} times as long.")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
