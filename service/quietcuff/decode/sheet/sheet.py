"""A sheet of readings to its sittings: all of them, or every fault that keeps it from being read as a whole."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import timedelta

import msgspec

from quietcuff.core.model.errors import Fault, NotAcceptable, NotReadable
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.rulebook import Limits
from quietcuff.decode.faults import split_pointer
from quietcuff.decode.ndjson import Line
from quietcuff.decode.own_json import Meaning
from quietcuff.decode.sheet.assembly import Assembled, Assembler, Places, Tokens
from quietcuff.decode.sheet.header import Header, HeaderNames, read_header
from quietcuff.decode.sheet.names import folded
from quietcuff.decode.sheet.options import SheetOptions
from quietcuff.decode.sheet.rows import RowReader, SheetRow
from quietcuff.decode.sheet.sittings import group_rows
from quietcuff.decode.sheet.table import CellTable, read_table
from quietcuff.decode.sheet.values import CellReader

MOST_FAULTS = 1000
# A row of which nothing can be said but that it is none.
WHOLE_ROW = ("ragged-row", "repeated-header")
MORE = "{count:,} more faults: mend these first."


class SheetWords(msgspec.Struct, frozen=True, kw_only=True):
    """Plain words that a sheet may use: of columns, by header, and of codes, by how a cell says them."""

    headers: Mapping[str, str]
    codes: Mapping[str, list[str]]


class SheetSitting(Line, frozen=True, kw_only=True):
    """One sitting of a sheet; its number is that of its first row. ``faults`` are those of cells that say nothing that could
    be JSON."""

    faults: dict[Tokens, Fault]
    places: Places

    def read(self, meaning: Meaning[ReadingSet] | None) -> ReadingSet:
        """The sitting as a reading set, or every fault by its cell."""
        try:
            reading_set = super().read(meaning)
        except NotAcceptable as error:
            raise self._refused(error.faults) from error
        except NotReadable as error:
            raise self._refused([error.fault]) from error
        if self.faults:
            raise self._refused([] if meaning is None else list(meaning(reading_set)))
        return reading_set

    def placed(self, error: Exception) -> Exception:
        """The error of a sitting that was read, with the cells of its faults."""
        return self._refused(error.faults) if isinstance(error, NotAcceptable) else error

    def _refused(self, found: Iterable[Fault]) -> NotAcceptable:
        told = [self.places.tell(fault) for fault in found if not self._is_told(fault)]
        return NotAcceptable(in_rows([*self.faults.values(), *told]))

    def _is_told(self, fault: Fault) -> bool:
        """True for a fault at a cell that has one already, or that follows from it."""
        place = split_pointer(fault.pointer or "")
        if any(told.code in WHOLE_ROW for told in self.faults.values()):
            return True
        if place in self.faults or (fault.code == "missing" and any(at[: len(place)] == place for at in self.faults)):
            return True
        pressures = {"systolic_mmhg", "diastolic_mmhg"}
        return fault.code == "one-pressure-missing" and any((*place[:-1], name) in self.faults for name in pressures)


def read_sheet(raw: bytes, options: SheetOptions, words: SheetWords, limits: Limits) -> list[SheetSitting]:
    """The sittings of a sheet, in order of time.

    Raises:
        NotReadable: no sheet at all.
        NotAcceptable: a header that is not known, or rows that nobody can place: every fault of the whole sheet.
    """
    names = HeaderNames(words.headers, options)
    table = read_table(raw, names.knows)
    header, faults = read_header(table.header, table.rows, names)
    rows = rows_of(table, header, options, words)
    groups, lost = group_rows(rows, header, timedelta(minutes=limits.sitting_gap_minutes))
    sittings = [sitting_of(Assembler(group, header).assemble(), header) for group in groups]
    if faults or lost:
        raise NotAcceptable(all_faults(faults, sittings))
    return sittings


def rows_of(table: CellTable, header: Header, options: SheetOptions, words: SheetWords) -> list[SheetRow]:
    """Each row with the values of its cells."""
    cells = CellReader(
        words={folded(word): codes for word, codes in words.codes.items()},
        own={name: {folded(said): code for said, code in meant.items()} for name, meant in options.values.items()},
        dates=options.dates,
        zone=options.time_zone,
    )
    reader = RowReader(header, table.header.cells, cells, options.same)
    return [reader.read(row) for row in table.rows]


def sitting_of(assembled: Assembled, header: Header) -> SheetSitting:
    """A sitting of a sheet as a line of a batch."""
    return SheetSitting(
        number=assembled.number,
        text=msgspec.json.encode(assembled.body),
        faults=assembled.faults,
        places=Places(number=assembled.number, cells=assembled.cells, header=header),
    )


def all_faults(faults: list[Fault], sittings: list[SheetSitting]) -> list[Fault]:
    """The faults of a sheet that is refused as a whole, with those of each of its sittings, as far as a person will read."""
    headless = {fault.column for fault in faults if fault.code == "missing"}
    for sitting in sittings:
        try:
            sitting.read(None)
        except NotAcceptable as error:
            # What a missing column makes of each row is said once, of the header.
            faults += [fault for fault in error.faults if fault.code != "missing" or fault.column not in headless]
    faults = in_rows(faults)
    if len(faults) > MOST_FAULTS:
        more = Fault(pointer="", code="more-faults", detail=MORE.format(count=len(faults) - MOST_FAULTS))
        return [*faults[:MOST_FAULTS], more]
    return faults


def in_rows(faults: Iterable[Fault]) -> list[Fault]:
    """The faults as a reader of the sheet would meet them, each once."""

    def place(fault: Fault) -> tuple[int, int, str]:
        letters = (fault.column or "").partition(" (")[0]
        return fault.row or 0, len(letters), letters

    return sorted(dict.fromkeys(faults), key=place)
