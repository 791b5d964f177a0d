"""The header of a sheet: which column each cell names, by our names, plain words or a mapping; every other one is a fault."""

from __future__ import annotations

from collections.abc import Mapping

import msgspec

from quietcuff.core.model.errors import Fault
from quietcuff.decode.faults import LONGEST_NAMED_FIELD
from quietcuff.decode.sheet.columns import COLUMNS, PAIRS, PRESSURES, own_names
from quietcuff.decode.sheet.names import folded, unit_of
from quietcuff.decode.sheet.options import SheetOptions
from quietcuff.decode.sheet.table import CellRow

UNKNOWN = "A column that is known: rename it, map it, or have it left out (--ignore-column, or ignore in the mapping)."
REPEATED = "Each column once; {other} holds the same."
NAMELESS = "A header above every column that has cells."
NEEDED = {
    "person": "A column with the person's identifier.",
    "taken_at": "A column with the time of each reading, or one with its day and one with its time.",
}
UNIT_MISSING = (
    "The unit in the header, such as systolic_mmhg or Systolic (kPa), in a column called unit, or the same for every row "
    "(--same unit=mmHg)."
)


class Heading(msgspec.Struct, frozen=True, kw_only=True):
    """One column of the sheet: its place, how it is told to a person, and the column that it fills; None to leave it out."""

    index: int
    shown: str
    name: str | None


class Header(msgspec.Struct, frozen=True, kw_only=True):
    """The columns of a sheet, and how many cells a row has."""

    headings: list[Heading]
    width: int

    def shown(self, name: str) -> str:
        """How a column is told of: as the sheet writes it, or by our name where the sheet has none."""
        return next((heading.shown for heading in self.headings if heading.name == name), name)


class HeaderNames:
    """The names by which columns are known."""

    def __init__(self, plain_words: Mapping[str, str], options: SheetOptions) -> None:
        own = {folded(name): to for name, to in own_names().items()}
        mapped = {folded(name): to for name, to in options.columns.items()}
        self.names = {folded(name): to for name, to in plain_words.items()} | own | mapped
        self.ignored = {folded(name) for name in options.ignore}

    def knows(self, header: str) -> bool:
        """True for a header that names a column, or that is to be left out."""
        return folded(header) in self.ignored or self.find(header) is not None

    def find(self, header: str) -> str | None:
        """The column of a header, by its whole text or by what is left without its unit."""
        whole = self.names.get(folded(header))
        if whole is not None:
            return whole
        bare, unit = unit_of(header)
        name = self.names.get(folded(bare))
        if unit is None or name is None:
            return None
        measured = f"{name}_{unit.lower()}"
        return measured if measured in COLUMNS else None


def read_header(row: CellRow, rows: list[CellRow], names: HeaderNames) -> tuple[Header, list[Fault]]:
    """The columns, and every fault of the header."""
    headings: list[Heading] = []
    faults: list[Fault] = []
    width = len(row.cells)
    while width and not row.cells[width - 1] and not any(each.cells[width - 1 :][:1] not in ([], [""]) for each in rows):
        width -= 1
    for index, text in enumerate(row.cells[:width]):
        heading = Heading(index=index, shown=shown(index, text), name=names.find(text) if text else None)
        if folded(text) in names.ignored and text:
            heading = msgspec.structs.replace(heading, name=None)
        elif text and heading.name is None:
            faults.append(fault(row.number, heading.shown, "unknown-column", UNKNOWN))
        elif not text and any(each.cells[index : index + 1] not in ([], [""]) for each in rows):
            faults.append(fault(row.number, heading.shown, "missing", NAMELESS))
        headings.append(heading)
    header = Header(headings=headings, width=width)
    return header, [*faults, *_repeated(header, row.number), *_missing(header, row.number, names)]


def _repeated(header: Header, row: int) -> list[Fault]:
    first: dict[str, str] = {}
    faults = []
    for heading in header.headings:
        if heading.name is None:
            continue
        for filled in FILLS.get(heading.name, (heading.name,)):
            if filled in first:
                faults.append(fault(row, heading.shown, "repeated-column", REPEATED.format(other=first[filled])))
                break
            first[filled] = heading.shown
    return faults


def _missing(header: Header, row: int, names: HeaderNames) -> list[Fault]:
    there = {heading.name for heading in header.headings}
    faults = []
    if "person" not in there:
        faults.append(fault(row, "person", "missing", NEEDED["person"]))
    if "taken_at" not in there and not {"day", "time"} <= there:
        faults.append(fault(row, "taken_at", "missing", NEEDED["taken_at"]))
    return faults


def fault(row: int, column: str, code: str, detail: str, pointer: str = "") -> Fault:
    """A fault at a cell."""
    return Fault(pointer=pointer, code=code, detail=detail, row=row, column=column)


def shown(index: int, text: str) -> str:
    """A column as a person finds it: its letters, and its header."""
    letters, rest = "", index + 1
    while rest:
        rest, digit = divmod(rest - 1, 26)
        letters = chr(ord("A") + digit) + letters
    # As with unknown fields: a name that is too long to be one is not repeated, for it may be data in the wrong place.
    return f"{letters} ({text})" if text and len(text) <= LONGEST_NAMED_FIELD else letters


# The fields that a helper fills, so that two columns for one field are found.
FILLS: dict[str, tuple[str, ...]] = {
    "day": ("taken_at",),
    **{name: ("systolic_mmhg", "diastolic_mmhg") for name in PAIRS},
    **{name: (f"{name}_mmhg",) for name in PRESSURES},
    **{f"{name}_kpa": (f"{name}_mmhg",) for name in PRESSURES},
}
