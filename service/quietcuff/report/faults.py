"""Faults that kept something from being evaluated, as a table."""

from __future__ import annotations

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from quietcuff.core.model.errors import Fault


def show_faults(console: Console, title: str, faults: list[Fault]) -> None:
    """Print the faults that kept something from being evaluated."""
    table = Table(title=Text(title, style="bold red"), title_justify="left", box=box.SIMPLE_HEAD, show_edge=False)
    for heading in ("place", "fault", "accepted"):
        table.add_column(heading, overflow="fold")
    for fault, rows in together(faults):
        table.add_row(Text(place_of(fault, rows)), Text(fault.code), Text(fault.detail))
    console.print(table)


def together(faults: list[Fault]) -> list[tuple[Fault, list[int]]]:
    """The faults of a sheet with the rows that have the same one in the same column; every other fault alone."""
    rows: dict[tuple[str | None, str, str], list[int]] = {}
    told: list[tuple[Fault, list[int]]] = []
    for fault in faults:
        if fault.row is None:
            told.append((fault, []))
            continue
        same = rows.setdefault((fault.column, fault.code, fault.detail), [])
        if not same:
            told.append((fault, same))
        same.append(fault.row)
    return told


def place_of(fault: Fault, rows: list[int]) -> str:
    """The place of a fault for a person: in a sheet its rows and its column."""
    if rows or fault.column is not None:
        named = f"row{'s' if len(set(rows)) > 1 else ''} {spans_of(rows)}" if rows else None
        return ", ".join(part for part in (named, fault.column and f"column {fault.column}") if part)
    place = fault.pointer if fault.pointer is not None else fault.parameter or fault.header
    return place or "whole text"


def spans_of(rows: list[int]) -> str:
    """Numbers of rows, those that follow each other as a span: ``2 to 5, 9``."""
    spans: list[list[int]] = []
    for row in sorted(set(rows)):
        if spans and row == spans[-1][1] + 1:
            spans[-1][1] = row
        else:
            spans.append([row, row])
    return ", ".join(str(first) if first == last else f"{first} to {last}" for first, last in spans)
