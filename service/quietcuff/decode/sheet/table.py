"""The bytes of a sheet as rows of cells: encoding, separator, quotation marks, and what cannot be a sheet at all.

Rows are counted as a spreadsheet program shows them. Lines of explanation before the header begin with ``# ``.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterator

import msgspec

from quietcuff.core.model.errors import Fault, NotReadable

MOST_BYTES = 16 * 1024 * 1024
MOST_ROWS = 50_000
MOST_COLUMNS = 500
SEPARATORS = (",", ";", "\t")
# Excel says so in a line of its own, which it does not show.
STATED = re.compile(r"\Asep=(.)\r?\n", re.I)
EXPLAINED = "#"
TOO_LARGE = f"A sheet of at most {MOST_BYTES // 1024 // 1024} MiB and {MOST_ROWS:,} rows: divide it."
ENCODING = 'UTF-8: in a spreadsheet program, save as "CSV UTF-8".'
SYNTAX = "Cells between separators; one with a separator, a line break or a quotation mark in quotation marks, those doubled."


class CellRow(msgspec.Struct, frozen=True, gc=False):
    """One row that is not blank, with its number."""

    number: int
    cells: list[str]


class CellTable(msgspec.Struct, frozen=True, kw_only=True):
    """A header and the rows below it."""

    header: CellRow
    rows: list[CellRow]


def read_table(raw: bytes, knows: Callable[[str], bool]) -> CellTable:
    """The rows of a sheet. ``knows`` tells whether a header is known, by which the separator is found.

    Raises:
        NotReadable: too large, of another encoding, without a header, or with quotation marks that do not close.
    """
    if len(raw) > MOST_BYTES:
        raise _refused("body-too-large", TOO_LARGE)
    text = _text_of(raw)
    if "\0" in text:
        raise _refused("not-csv", "Text: this is a file of another kind. Save the sheet as CSV.", row=1)
    stated = STATED.match(text)
    body = text[stated.end() :] if stated else text
    separator = stated[1] if stated else _separator_of(body, knows)
    rows = _rows_of(body, separator)
    header = next(rows, None)
    if header is None:
        raise _refused("empty-body", "A row of headers, and one row for each reading.")
    if len(header.cells) > MOST_COLUMNS:
        raise _refused("too-many", f"At most {MOST_COLUMNS} columns.", row=header.number)
    held = list(rows)
    if len(held) > MOST_ROWS:
        raise _refused("body-too-large", TOO_LARGE)
    return CellTable(header=header, rows=held)


def _refused(code: str, detail: str, row: int | None = None) -> NotReadable:
    return NotReadable(Fault(pointer="", code=code, detail=detail, row=row))


def _text_of(raw: bytes) -> str:
    # What spreadsheet programs call Unicode text is UTF-16, and says so by its first bytes.
    encoding = "utf-16" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        return raw.decode(encoding)
    except UnicodeDecodeError as error:
        raise _refused("not-utf-8", ENCODING, row=raw.count(b"\n", 0, error.start) + 1) from error


def _separator_of(body: str, knows: Callable[[str], bool]) -> str:
    """The separator by which most headers are known, or else the one that makes most cells."""

    def fit(separator: str) -> tuple[int, int]:
        header = next(_rows_of(body, separator, is_trial=True), None)
        cells = [] if header is None else header.cells
        return sum(knows(cell) for cell in cells), len(cells)

    return max(SEPARATORS, key=fit)


def _rows_of(body: str, separator: str, *, is_trial: bool = False) -> Iterator[CellRow]:
    reader = csv.reader(io.StringIO(body, newline=""), delimiter=separator, strict=True)
    number, is_begun = 0, False
    try:
        for number, cells in enumerate(reader, start=1):
            stripped = [cell.strip() for cell in cells]
            if not any(stripped) or (not is_begun and _is_explanation(stripped[0])):
                continue
            is_begun = True
            yield CellRow(number, stripped)
    except csv.Error as error:
        if not is_trial:
            raise _refused("not-csv", SYNTAX, row=number + 1) from error


def _is_explanation(cell: str) -> bool:
    return cell == EXPLAINED or cell.startswith(f"{EXPLAINED} ")
