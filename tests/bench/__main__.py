"""Every row of speed in turn, ours and its floor interleaved in one run: one table, and the figures as JSON.

    cd tests && python -m bench [--rounds 5] [--only NAME ...] [--json FILE]

All figures are processor time, because other work on the machine changes that least; even so only ratios of one run mean
anything. People and readings are invented. The rows, with what each floor is, are in ``bench/rows.py``.
"""

from __future__ import annotations

import argparse
import os
import platform
import statistics
import sys
import tempfile
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
os.environ.setdefault("XDG_RUNTIME_DIR", tempfile.mkdtemp(prefix="quietcuff-"))

import msgspec

from bench import rows

ROUNDS = 5


class Row(msgspec.Struct, frozen=True):
    """A row: what is measured against what, in which unit, the ratio that must be reached, and how it is measured."""

    name: str
    floor: str
    unit: str
    must: str
    measure: Callable[[int], rows.Pairs]


class Measured(msgspec.Struct, frozen=True, kw_only=True):
    """What a row came to: medians, the median of the ratios of its rounds, and their range."""

    name: str
    floor: str
    unit: str
    ours: float
    of_floor: float
    ratio: float
    least: float
    most: float
    must: str


ROWS = {
    "evaluate": Row("evaluate", "Litestar echo of the same body", "us", "<= 0.9", rows.evaluating),
    "store-sqlite": Row("store a sitting, SQLite", "driver with the same rows", "us", "", rows.storing("sqlite")),
    "store-postgresql": Row("store a sitting, PostgreSQL", "driver with the same rows", "us", "", rows.storing("postgresql")),
    "http": Row("store a sitting over HTTP, SQLite", "Litestar echo", "us", "<= 5", rows.posting),
    "export": Row("export a resource", "encode, deflate and write it", "us", "<= 2.5", rows.exporting),
    "search": Row("search page of 50", "its SQL by the driver", "us", "<= 3", rows.searching),
    "columns": Row("evaluate in a loop", "evaluate over columns", "us", ">= 50", rows.evaluating_columns),
    "start": Row("serve until ready", "a second", "s", "<= 1", rows.starting("serve")),
    "keys": Row("keys list", "a second", "s", "<= 0.5", rows.starting("keys list")),
    "verify": Row("database verify", "a second", "s", "<= 0.5", rows.starting("database verify")),
}


def measured(row: Row, rounds: int) -> Measured:
    """Measure one row."""
    pairs = row.measure(rounds)
    ratios = [ours / floor for ours, floor in pairs]
    ours, floor = (statistics.median(side) for side in zip(*pairs, strict=True))
    return Measured(
        name=row.name,
        floor=row.floor,
        unit=row.unit,
        ours=round(ours, 2),
        of_floor=round(floor, 2),
        ratio=round(statistics.median(ratios), 2),
        least=round(min(ratios), 2),
        most=round(max(ratios), 2),
        must=row.must,
    )


def machine() -> str:
    """The machine of a run, in one line."""
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    return f"{os.cpu_count()} cores, {platform.system()}, Python {platform.python_version()}, load {load:.1f} at the start"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=ROUNDS)
    parser.add_argument("--only", nargs="+", choices=sorted(ROWS), metavar="NAME", help=", ".join(ROWS))
    parser.add_argument("--json", type=Path, metavar="FILE")
    asked = parser.parse_args()
    began, where, found = datetime.now(UTC), machine(), []
    print(f"{began:%Y-%m-%d %H:%M} UTC, {where}\n")
    print("| what | against | ours | floor | ratio | of rounds | must |\n|---|---|---|---|---|---|---|")
    for name in asked.only or ROWS:
        one = measured(ROWS[name], asked.rounds)
        found.append(one)
        figures = f"{one.ours:g} {one.unit} | {one.of_floor:g} {one.unit} | {one.ratio:g} | {one.least:g} to {one.most:g}"
        print(f"| {one.name} | {one.floor} | {figures} | {one.must or '–'} |", flush=True)
    if asked.json is not None:
        told = {"at": began, "machine": where, "rounds": asked.rounds, "rows": found}
        asked.json.write_bytes(msgspec.json.format(msgspec.json.encode(told), indent=1) + b"\n")


if __name__ == "__main__":
    main()
