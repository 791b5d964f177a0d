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
    for fault in faults:
        table.add_row(Text(place_of(fault)), Text(fault.code), Text(fault.detail))
    console.print(table)


def place_of(fault: Fault) -> str:
    """The place of a fault for a person: in a sheet its row and column."""
    if fault.row is not None or fault.column is not None:
        told = [None if fault.row is None else f"row {fault.row}", fault.column and f"column {fault.column}"]
        return ", ".join(part for part in told if part)
    place = fault.pointer if fault.pointer is not None else fault.parameter or fault.header
    return place or "whole text"
