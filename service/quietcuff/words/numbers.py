"""Numbers, days and units as a language writes them."""

from __future__ import annotations

import re
from datetime import date, datetime

from quietcuff.words.language import About

NUMBER = re.compile(r"[<>]?\d+(?:\.\d+)?(?:[/–]\d+(?:\.\d+)?)?")
DAY = re.compile(r"(\d{4})-(\d\d)-(\d\d)")
POINT = re.compile(r"(?<=\d)\.(?=\d)")
# A unit never stands alone at the beginning of a line.
UNIT = re.compile(r"(?<=\d) (?=(?:mmHg|%|cm|h|min)(?!\w))")
# Before these French has a space that is narrow and does not break.
FRENCH_MARKS = re.compile(r"[ \u202f](?=[:;](?:\s|$))|(?<=\S)(?=[:;](?:\s|$))| (?=[?!])")
NARROW, FIXED = "\u202f", "\u00a0"


def is_number(text: str) -> bool:
    """True for a number or a pressure."""
    return NUMBER.fullmatch(text) is not None


def number_in(about: About, text: str) -> str:
    """A number or a pressure with the language's decimal mark: 142.5/88 is 142,5/88 in German."""
    return POINT.sub(about.decimal, text)


def day_in(about: About, day: date) -> str:
    """A day with the name of its month: 28 November 2026."""
    return about.day.format(day=day.day, month=about.months[day.month - 1], year=day.year)


def short_day_in(about: About, day: date) -> str:
    """A day as it stands in a table: 28.11.2026."""
    return about.short_day.format(day=day.day, number=day.month, mon=about.short_months[day.month - 1], year=day.year)


def days_in(about: About, text: str) -> str:
    """The text with each of its days, written as 2026-11-28, in the language's form."""

    def written(found: re.Match[str]) -> str:
        try:
            return day_in(about, date(*map(int, found.groups())))
        except ValueError:
            return found.group()

    return DAY.sub(written, text)


def clock_in(moment: datetime) -> str:
    """Hours and minutes on the wall where it was measured."""
    return f"{moment:%H:%M}"


def set_type(about: About, text: str) -> str:
    """The text with spaces that do not break before units, and before the marks where French wants one."""
    bound = UNIT.sub(FIXED, text)
    return FRENCH_MARKS.sub(NARROW, bound) if about.language == "fr" else bound
