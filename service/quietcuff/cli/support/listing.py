"""Output of lists: a table if it fits the terminal, otherwise tab-separated lines, or JSON for programs."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime

import msgspec

Cell = str | int | datetime | None


def make_list(listing: argparse.ArgumentParser, run: Callable[[argparse.Namespace], int]) -> None:
    """Make an action one that lists what a tenant has."""
    listing.add_argument("--tenant", required=True)
    add_json_to(listing)
    listing.set_defaults(run=run)


def add_json_to(parser: argparse.ArgumentParser) -> None:
    """Add the option that every list has."""
    parser.add_argument("--json", action="store_true", help="a JSON array, an object for each, to standard output")


def show_list(names: Sequence[str], rows: Iterable[Sequence[Cell]], *, as_json: bool) -> None:
    """Show rows with their column names. Nothing is folded or cut, so that ids can be copied and read by programs."""
    found = [tuple(row) for row in rows]
    if as_json:
        objects = [dict(zip(names, map(_value, row), strict=True)) for row in found]
        sys.stdout.write(msgspec.json.format(msgspec.json.encode(objects)).decode() + "\n")
    elif not sys.stdout.isatty():
        _write_lines(found)
    elif not _is_table_shown(names, found):
        _write_lines([tuple(names), *found])


def _write_lines(rows: Iterable[Sequence[Cell]]) -> None:
    for row in rows:
        sys.stdout.write("\t".join(_text(cell) for cell in row) + "\n")


def _is_table_shown(names: Sequence[str], rows: list[tuple[Cell, ...]]) -> bool:
    """Print a table unless the terminal is too narrow. True if it was printed."""
    # Loaded here, since a list that goes to a program or a file needs nothing of it.
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table, console = Table(), Console(highlight=False)
    for name in names:
        table.add_column(name.replace("_", " "), no_wrap=True)
    for row in rows:
        table.add_row(*(Text(f"{cell:%Y-%m-%d %H:%M}Z" if isinstance(cell, datetime) else _text(cell)) for cell in row))
    if console.measure(table, options=console.options.update(max_width=100_000)).maximum > console.width:
        return False
    console.print(table)
    return True


def _value(cell: Cell) -> str | int | None:
    return _text(cell) if isinstance(cell, datetime) else cell


def _text(cell: Cell) -> str:
    """A cell as text on one line, without tabs."""
    if isinstance(cell, datetime):
        return cell.astimezone(UTC).isoformat().replace("+00:00", "Z")
    return "" if cell is None else " ".join(str(cell).split())
