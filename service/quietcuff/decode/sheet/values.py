"""The text of a cell as a JSON value of its field. What does not fit stays text, so that the door's own decoder refuses it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
from msgspec import inspect

from quietcuff.core.model.fields import BIRTH_DATE_PATTERN
from quietcuff.decode.gatt.values import to_mmhg
from quietcuff.decode.local_times import is_in_gap, place
from quietcuff.decode.sheet.columns import plain
from quietcuff.decode.sheet.names import folded
from quietcuff.decode.sheet.options import DateOrder

NUMBER = re.compile(r"[+-]?[0-9]{1,9}(?:[.,][0-9]{1,9})?")
DAY = re.compile(r"([0-9]{1,4})([./-])([0-9]{1,2})\2([0-9]{1,4})")
CLOCK = re.compile(
    r"([0-9]{1,2}):([0-9]{2})(?::([0-9]{2})(?:[.,]([0-9]{1,6}))?)?\s*([ap]\.?m\.?)?\s*(Z|[+-][0-9]{2}:?[0-9]{2})?", re.I
)
PAIR = re.compile(r"(.+?)\s*/\s*(.+)")
# What spreadsheet programs show where a formula failed, or where a cell is too narrow.
FAILED = re.compile(r"#(?:REF|N/A|NAME|VALUE|DIV/0|NUM|NULL)[!?]?.*|##+", re.I)
FORMULA_MARKS = ("=", "@", "+", "-")
LIST_MARKS = re.compile(r"[,;|]")

FORMULA = "A value, not a formula or its failure: save the sheet with values, and without = + - or @ in front of text."
PRESSURE = "Systolic and diastolic in one cell, such as 136/83."
TIME_FORMS: dict[DateOrder, str] = {
    "year-month-day": "2026-05-04 09:00, 2026-05-04T09:00:00+02:00; other orders of a date only when stated (dates).",
    "day-month-year": "04.05.2026 09:00, day first and the year in four digits, or 2026-05-04 09:00.",
    "month-day-year": "05/04/2026 9:00 AM, month first and the year in four digits, or 2026-05-04 09:00.",
}
ZONE_MISSING = "A zone for all times (--zone Europe/Vienna, ?zone=, or zone in the mapping), or an offset in the cell."
NEVER_WAS = "A time that was: clocks were put forward over this one."
TWICE = "An offset in the cell: this hour comes twice in this zone."


class NotSuchValue(Exception):
    """Ends the reading of a cell; ``code`` and ``detail`` as a fault has them."""

    def __init__(self, code: str, detail: str) -> None:
        super().__init__(detail)
        self.code = code
        self.detail = detail


class CellReader(msgspec.Struct, frozen=True, kw_only=True):
    """The ways of one sheet: words for codes, the order of dates, the zone of times."""

    words: Mapping[str, list[str]]
    own: Mapping[str, Mapping[str, str]]
    dates: DateOrder
    zone: ZoneInfo | None

    def value(self, name: str, text: str, kind: inspect.Type) -> Any:
        """The value of a cell for its field.

        Raises:
            NotSuchValue: a formula, or a time that cannot be placed. Everything else that does not fit stays text.
        """
        refuse_formula(text)
        own = self.own.get(name)
        return self._by_kind(own.get(folded(text), text) if own else text, kind)

    def _by_kind(self, text: str, kind: inspect.Type) -> Any:
        if isinstance(kind, inspect.FloatType | inspect.IntType):
            return number_in(text)
        if isinstance(kind, inspect.LiteralType):
            return self._code(text, tuple(str(value) for value in kind.values))
        if isinstance(kind, inspect.BoolType):
            return {"yes": True, "no": False}.get(self._code(text, ("yes", "no")), text)
        if isinstance(kind, inspect.ListType):
            return [self._by_kind(part.strip(), plain(kind.item_type)) for part in LIST_MARKS.split(text) if part.strip()]
        if isinstance(kind, inspect.DateTimeType):
            return self.instant(text)
        if isinstance(kind, inspect.DateType):
            return self.day(text)
        if isinstance(kind, inspect.StrType) and kind.pattern == BIRTH_DATE_PATTERN:
            return self.day(text)
        return text

    def _code(self, text: str, codes: tuple[str, ...]) -> str:
        """The code that a cell names itself, or by a word that stands for one of these codes alone."""
        if text.lower() in codes:
            return text.lower()
        meant = {code for code in self.words.get(folded(text), ()) if code in codes}
        return meant.pop() if len(meant) == 1 else text

    def day(self, text: str) -> str:
        """A day as ISO has it; anything else as it is."""
        found = _day_in(text, self.dates)
        return text if found is None else found.isoformat()

    def instant(self, text: str) -> str:
        """A moment with its offset, as RFC 3339 has it.

        Raises:
            NotSuchValue: no time, or a local one that has no zone, never was, or was twice.
        """
        day, _, clock = text.replace("T", " ", 1).partition(" ")
        return self.moment(day, clock.strip())

    def moment(self, day: str, clock: str) -> str:
        """The same of a day and a time apart."""
        on, found = _day_in(day, self.dates), CLOCK.fullmatch(clock)
        at = None if found is None else _time_in(found)
        if on is None or found is None or at is None:
            raise NotSuchValue("not-a-time", TIME_FORMS[self.dates])
        local = datetime.combine(on, at)
        if found[6] is not None:
            offset = found[6].upper()
            return f"{local.isoformat()}{offset if offset == 'Z' or ':' in offset else f'{offset[:3]}:{offset[3:]}'}"
        return self._placed(local)

    def _placed(self, local: datetime) -> str:
        if self.zone is None:
            raise NotSuchValue("zone-missing", ZONE_MISSING)
        # Beyond the years that are stored no zone can be asked; the decoder refuses the year.
        if not 1900 <= local.year <= 2200:
            return f"{local.isoformat()}Z"
        if is_in_gap(local, self.zone):
            raise NotSuchValue("not-a-time", NEVER_WAS)
        placed = place(local, self.zone, is_assumed=False)
        if placed.notes:
            raise NotSuchValue("hour-unclear", TWICE)
        return placed.at.isoformat()


def refuse_formula(text: str) -> None:
    """Refuse what a spreadsheet program would work out, and what it shows where that failed.

    Raises:
        NotSuchValue: a formula or its failure.
    """
    if FAILED.fullmatch(text) or (text.startswith(FORMULA_MARKS) and not NUMBER.fullmatch(text)):
        raise NotSuchValue("formula", FORMULA)


def number_in(text: str) -> float | str:
    """A number with a point or a comma before its decimals; anything else as it is."""
    if not NUMBER.fullmatch(text):
        return text
    value = float(text.replace(",", "."))
    return int(value) if value.is_integer() and not re.search("[.,]", text) else value


def pressure_in(text: str, unit: str) -> float | str:
    """A pressure in mmHg, from kPa where that is its unit; anything else as it is."""
    refuse_formula(text)
    value = number_in(text)
    if unit == "mmHg" or isinstance(value, str):
        return value
    return float(to_mmhg(Decimal(text.replace(",", ".")), unit))


def pair_in(text: str) -> tuple[str, str]:
    """Both pressures of one cell.

    Raises:
        NotSuchValue: not two numbers around a slash.
    """
    refuse_formula(text)
    found = PAIR.fullmatch(text)
    if found is None or not (NUMBER.fullmatch(found[1]) and NUMBER.fullmatch(found[2])):
        raise NotSuchValue("not-a-pressure", PRESSURE)
    return found[1], found[2]


def _day_in(text: str, order: DateOrder) -> date | None:
    found = DAY.fullmatch(text)
    if found is None:
        return None
    first, second, third = found[1], found[3], found[4]
    if len(first) == 4 and found[2] == "-":
        parts = (first, second, third)
    elif order == "year-month-day" or len(third) != 4:
        return None
    else:
        parts = (third, second, first) if order == "day-month-year" else (third, first, second)
    try:
        return date(*(int(part) for part in parts))
    except ValueError:
        return None


def _time_in(found: re.Match[str]) -> time | None:
    hour, half = int(found[1]), (found[5] or "").lower()[:1]
    if half and not 1 <= hour <= 12:
        return None
    hour = hour % 12 + (12 if half == "p" else 0) if half else hour
    micro = int((found[4] or "0").ljust(6, "0"))
    try:
        return time(hour, int(found[2]), int(found[3] or 0), micro)
    except ValueError:
        return None


def instant_of(text: object) -> datetime | None:
    """The moment of a value of a cell, where it is one."""
    if not isinstance(text, str):
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    offset = moment.utcoffset()
    return moment if offset is not None and abs(offset) <= timedelta(hours=14) else None
