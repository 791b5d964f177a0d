"""The rows of a sheet, each cell read into the value of its column, with what is wrong with it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

import msgspec

from quietcuff.core.model.errors import Fault
from quietcuff.decode.sheet.columns import HELPERS, PAIRS, PRESSURES, kind_of
from quietcuff.decode.sheet.header import UNIT_MISSING, Header, fault
from quietcuff.decode.sheet.names import unit_named
from quietcuff.decode.sheet.table import CellRow
from quietcuff.decode.sheet.values import CellReader, NotSuchValue, instant_of, pair_in, pressure_in

WIDTH = "As many cells as there are headers: {width}."
HEADER_AGAIN = "The headers once: remove this row."
UNIT = "mmHg or kPa."


class SheetRow(msgspec.Struct, kw_only=True, gc=False):
    """One reading as its row says it: the value of each column that says something, the header that said it, and the faults by
    column. ``at`` is the moment of the reading, where it can be told."""

    number: int
    said: dict[str, Any] = {}
    heard: dict[str, str] = {}
    faults: dict[str, Fault] = {}
    is_whole: bool = True
    at: datetime | None = None

    @property
    def person(self) -> tuple[str, str] | None:
        """The person's identifier; None where it cannot be told."""
        value = self.said.get("person")
        is_told = isinstance(value, str) and "person" not in self.faults and self.is_whole
        return (str(self.said.get("person_system", "")), value) if is_told and isinstance(value, str) else None

    @property
    def sitting(self) -> str | None:
        """The sitting that the row names."""
        value = self.said.get("sitting")
        return value if isinstance(value, str) and "sitting" not in self.faults and self.is_whole else None


class RowReader:
    """Reads rows below one header. ``same`` are values of columns that hold in every row."""

    def __init__(self, header: Header, header_cells: list[str], cells: CellReader, same: dict[str, str]) -> None:
        self.header = header
        self.header_cells = header_cells
        self.cells = cells
        self.same = same

    def read(self, row: CellRow) -> SheetRow:
        """One row with the values of its cells."""
        read = SheetRow(number=row.number, said={}, heard={}, faults={})
        if row.cells == self.header_cells:
            return self._refuse_row(read, "repeated-header", HEADER_AGAIN)
        width = self.header.width
        if len(row.cells) < width or any(row.cells[width:]):
            return self._refuse_row(read, "ragged-row", WIDTH.format(width=width))
        texts = dict(self.same)
        for heading in self.header.headings:
            text = row.cells[heading.index]
            if heading.name is not None and text:
                texts[heading.name] = text
                read.heard[heading.name] = heading.shown
        self._read_helpers(read, texts)
        for name, text in texts.items():
            if name not in HELPERS and name not in read.said and name not in read.faults:
                self._put(read, name, lambda text=text, name=name: self.cells.value(name, text, kind_of(name)))  # type: ignore[misc]
        read.at = instant_of(read.said.get("taken_at"))
        return read

    def _refuse_row(self, read: SheetRow, code: str, detail: str) -> SheetRow:
        read.is_whole = False
        read.faults[""] = Fault(pointer="", code=code, detail=detail, row=read.number)
        return read

    def _put(self, read: SheetRow, name: str, make: Callable[[], Any], said_by: str | None = None) -> None:
        """Keep the value of a column, or the fault of the cell that says it."""
        if said_by is not None and said_by in read.heard:
            read.heard[name] = read.heard[said_by]
        try:
            read.said[name] = make()
        except NotSuchValue as refused:
            column = read.heard.get(name, self.header.shown(name))
            read.faults[name] = fault(read.number, column, refused.code, refused.detail)

    def _read_helpers(self, read: SheetRow, texts: dict[str, str]) -> None:
        """The columns that stand for others: a day and a time, and pressures whose unit stands elsewhere."""
        if "day" in texts or ("time" in texts and "taken_at" not in texts):
            said_by = "day" if "day" in texts else "time"
            day, clock = texts.get("day", ""), texts.get("time", "")
            self._put(read, "taken_at", lambda: self.cells.moment(day, clock), said_by)
        unit = self._unit(read, texts)
        for said_by, in_unit in PAIRS.items():
            if said_by in texts:
                self._read_pair(read, said_by, texts[said_by], in_unit or unit)
        for name in PRESSURES:
            for said_by, in_unit in ((name, unit), (f"{name}_kpa", "kPa")):
                if said_by in texts:
                    text = texts[said_by]
                    self._put(read, f"{name}_mmhg", lambda text=text, in_unit=in_unit: _pressure(text, in_unit), said_by)  # type: ignore[misc]

    def _unit(self, read: SheetRow, texts: dict[str, str]) -> str | None:
        if "unit" not in texts:
            return None
        unit = unit_named(texts["unit"])
        if unit is None:
            read.faults["unit"] = fault(read.number, read.heard.get("unit", "unit"), "unknown-unit", UNIT)
        return unit or ""

    def _read_pair(self, read: SheetRow, said_by: str, text: str, unit: str | None) -> None:
        for index, name in enumerate(("systolic_mmhg", "diastolic_mmhg")):
            self._put(read, name, lambda index=index: _pressure(pair_in(text)[index], unit), said_by)  # type: ignore[misc]


def _pressure(text: str, unit: str | None) -> float | str:
    # What is no number at all is told of as that, by the decoder.
    if unit is None and isinstance(pressure_in(text, "mmHg"), float | int):
        raise NotSuchValue("unit-missing", UNIT_MISSING)
    # The cell of the unit has its own fault.
    return pressure_in(text, unit or "mmHg")
