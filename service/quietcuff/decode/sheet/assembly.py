"""A sitting's rows as the body of a reading set, with the cell that each field came from."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from typing import Any

import msgspec

from quietcuff.core.model.errors import Fault
from quietcuff.decode.faults import split_pointer, step_into
from quietcuff.decode.sheet.columns import COLUMNS, EITHER, SITTING, Path
from quietcuff.decode.sheet.header import Header
from quietcuff.decode.sheet.rows import SheetRow
from quietcuff.decode.sheet.sittings import Group

DIFFERS = "The same in every row of a sitting, or empty: row {row} says otherwise."
Tokens = tuple[str, ...]


class Cell(msgspec.Struct, frozen=True, gc=False):
    """The place of a value in the sheet."""

    row: int
    column: str


class Assembled(msgspec.Struct, frozen=True, kw_only=True):
    """The body of one reading set, the cell of each of its fields, and the faults of its cells by place in the body."""

    number: int
    body: dict[str, Any]
    cells: dict[Tokens, Cell]
    faults: dict[Tokens, Fault]


class Assembler:
    """Builds the body of one sitting from its rows."""

    def __init__(self, group: Group, header: Header) -> None:
        self.group = sorted(group, key=lambda row: row.number)
        self.header = header
        self.body: dict[str, Any] = {"readings": [{} for _ in self.group]}
        self.cells: dict[Tokens, Cell] = {}
        self.faults: dict[Tokens, Fault] = {}
        self.spoken_of = {name for row in group for name in (*row.said, *row.faults)}

    def assemble(self) -> Assembled:
        """The body with the places of its values."""
        # A sitting's number that nobody says the origin of brings rows together, and names nothing beyond the sheet.
        unnamed = () if "sitting_system" in self.spoken_of else ("sitting",)
        self._put_sitting(name for name in SITTING if name in self.spoken_of and name not in unnamed)
        self._put_either()
        for index, row in enumerate(self.group):
            at: Path = ("readings", index)
            self.cells[_tokens(at)] = Cell(row.number, "")
            for name in {**row.said, **row.faults}:
                if name in COLUMNS and COLUMNS[name].part == "row":
                    self._put(row, name, (*at, *COLUMNS[name].path))
                elif name not in COLUMNS or COLUMNS[name].part == "helper":
                    self._tell((*at, name or "?"), row.faults[name])
        return Assembled(number=self.group[0].number, body=self.body, cells=self.cells, faults=self.faults)

    def _put_sitting(self, names: Iterable[str]) -> None:
        for name in names:
            path = COLUMNS[name].path
            first: SheetRow | None = None
            for row in self.group:
                if name in row.faults:
                    self._tell((*path, str(row.number)) if first else path, row.faults[name])
                elif name in row.said and first is None:
                    first = row
                    self._put(row, name, path)
                elif name in row.said and first is not None and row.said[name] != first.said[name]:
                    self._tell_difference(row, name, first, path)

    def _tell_difference(self, row: SheetRow, name: str, first: SheetRow, path: Path) -> None:
        detail = DIFFERS.format(row=first.number)
        told = Fault(code="differs-in-sitting", detail=detail, row=row.number, column=self._shown(row, name))
        self._tell((*path, str(row.number)), told)

    def _put_either(self) -> None:
        """The device, the cuff and the observer: of the sitting where no row says otherwise, else of each reading."""
        by_root: dict[str | int, list[str]] = defaultdict(list)
        for name, path in EITHER.items():
            if name in self.spoken_of:
                by_root[path[0]].append(name)
        for names in by_root.values():
            if all(self._agrees(name) for name in names):
                self._put_sitting(names)
                continue
            for index, row in enumerate(self.group):
                for name in names:
                    if name in row.said or name in row.faults:
                        self._put(row, name, ("readings", index, *COLUMNS[name].path))

    def _agrees(self, name: str) -> bool:
        said = [row.said[name] for row in self.group if name in row.said]
        return all(value == said[0] for value in said)

    def _put(self, row: SheetRow, name: str, path: Path) -> None:
        if name in row.faults:
            self._tell(path, row.faults[name])
            return
        self.cells[_tokens(path)] = Cell(row.number, self._shown(row, name))
        _put_at(self.body, path, row.said[name])

    def _shown(self, row: SheetRow, name: str) -> str:
        return row.heard.get(name) or self.header.shown(name)

    def _tell(self, path: Path, fault: Fault) -> None:
        pointer = ""
        for step in path:
            pointer = step_into(pointer, step)
        self.faults[_tokens(path)] = msgspec.structs.replace(fault, pointer=pointer)


class Places(msgspec.Struct, frozen=True, kw_only=True):
    """The cells of a sitting's fields, to tell where in the sheet a fault of the body lies."""

    number: int
    cells: dict[Tokens, Cell]
    header: Header

    def tell(self, fault: Fault) -> Fault:
        """The fault with its row and its column."""
        tokens = split_pointer(fault.pointer or "")
        for length in range(len(tokens), 0, -1):
            cell = self.cells.get(tokens[:length])
            if cell is not None:
                column = cell.column or self._column_of(tokens)
                return msgspec.structs.replace(fault, row=cell.row, column=column)
        return msgspec.structs.replace(fault, row=self.number, column=self._column_of(tokens))

    def _column_of(self, tokens: Tokens) -> str | None:
        """The column that would say what the place holds; None where the fault is of more than one column."""
        is_row = tokens[:1] == ("readings",)
        path = tokens[2:] if is_row else tokens
        for column in COLUMNS.values():
            if path and _tokens(column.path)[: len(path)] == path and (column.part != "sitting") >= is_row:
                return self.header.shown(column.name)
        return None


def _tokens(path: Path) -> Tokens:
    return tuple(str(step) for step in path)


def _put_at(body: dict[str, Any], path: Path, value: Any) -> None:
    """Put a value at its place, making what lies on the way. Lists are filled in order, without gaps."""
    held: Any = body
    for step, following in zip(path, path[1:], strict=False):
        made: Any = [] if isinstance(following, int) else {}
        if isinstance(held, list) and isinstance(step, int):
            if step >= len(held):
                held.append(made)
            held = held[step]
        else:
            held = held.setdefault(step, made)
    last = path[-1]
    if isinstance(held, list):
        held.append(value)
    else:
        held[last] = value
