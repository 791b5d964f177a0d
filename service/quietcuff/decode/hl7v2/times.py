"""HL7 v2 times: ``YYYY[MM[DD[HH[MM[SS[.S[S[S[S]]]]]]]]][+/-ZZZZ]`` to an instant, with what had to be assumed.

A time without an offset is of the tenant's zone. In the hour that clocks skip there is no such time; in the hour that comes
twice the earlier offset is taken.

Source: [HL7-2.5.1] chapter 2, DTM, from memory; the rest [DECISION].
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta, timezone
from typing import Literal
from zoneinfo import ZoneInfo

import msgspec

from quietcuff.core.model.fields import check_instant
from quietcuff.decode.local_times import is_in_gap, place

Precision = Literal["year", "month", "day", "hour", "minute", "second", "fraction"]
PRECISIONS: dict[int, Precision] = {4: "year", 6: "month", 8: "day", 10: "hour", 12: "minute", 14: "second"}
# Offsets with a colon, or as Z, and fractions beyond four digits are not of the standard, and are sent.
TIME = re.compile(r"((?:[0-9]{2}){2,7})(?:\.([0-9]{1,9}))?([+-][0-9]{2}:?[0-9]{2}|Z)?")


class Moment(msgspec.Struct, frozen=True):
    """A time as it was told. ``zone``: its own offset, the tenant's zone, or that zone in the hour that comes twice."""

    at: datetime
    precision: Precision
    zone: Literal["offset", "assumed", "unclear"]

    @property
    def is_exact(self) -> bool:
        """True where it has the minute, without which a reading has no time."""
        return self.precision in ("minute", "second", "fraction")


class NoSuchTime(Exception):
    """Ends the reading of a time; ``code`` and ``detail`` as a fault has them."""

    def __init__(self, code: str, detail: str) -> None:
        super().__init__(detail)
        self.code = code
        self.detail = detail


def read_time(said: str, zone: ZoneInfo) -> Moment:
    """The instant: ``20260314070509+0100`` gives 2026-03-14T07:05:09+01:00, exact to the second.

    Raises:
        NoSuchTime: not of this form, not of the calendar, or in the hour that clocks skip.
    """
    found = TIME.fullmatch(said)
    digits = found[1] if found else ""
    if found is None or (found[2] is not None and len(digits) != 14):
        raise NoSuchTime("not-a-time", "YYYYMMDDHHMM[SS[.S]] and an offset such as +0100.")
    numbers = [int(digits[:4]), *(int(digits[place : place + 2]) for place in range(4, len(digits), 2))]
    micro = int((found[2] or "0").ljust(6, "0")[:6])
    try:
        year, month, day, hour, minute, second = (*numbers, *(1, 1, 0, 0, 0)[len(numbers) - 1 :])
        wall = datetime(year, month, day, hour, minute, second, micro, tzinfo=UTC)
        at, how = placed(wall, found[3], zone)
        check_instant(at)
    except (ValueError, OverflowError) as error:
        raise NoSuchTime("not-a-time", "A time of the calendar, years 1900 to 2200, offset within 14 hours.") from error
    return Moment(at, "fraction" if found[2] else PRECISIONS[len(digits)], how)


def placed(wall: datetime, offset: str | None, zone: ZoneInfo) -> tuple[datetime, Literal["offset", "assumed", "unclear"]]:
    """A local time, which is told as if it were UTC, on the time line.

    Raises:
        ValueError: an offset of a day or more.
        NoSuchTime: clocks skip it.
    """
    if offset is not None:
        return wall.replace(tzinfo=offset_of(offset)), "offset"
    local = wall.replace(tzinfo=None)
    if is_in_gap(local, zone):
        raise NoSuchTime("time-skipped", "A time that the clocks of the zone show, or an offset beside it.")
    found = place(local, zone, is_assumed=True)
    return found.at, ("unclear" if "clock-hour-unclear" in found.notes else "assumed")


def offset_of(text: str) -> timezone:
    """``+0530`` as a time zone.

    Raises:
        ValueError: minutes beyond 59, or a day and more.
    """
    if text == "Z":
        return UTC
    digits = text[1:].replace(":", "")
    hours, minutes = int(digits[:2]), int(digits[2:])
    if minutes > 59:
        raise ValueError("minutes of an offset")
    size = timedelta(hours=hours, minutes=minutes)
    return timezone(-size if text[0] == "-" else size)


def birth_date_of(said: str) -> str | None:
    """A day of birth as precise as it was told: ``1958`` stays 1958; None where it is none."""
    found = re.fullmatch(r"((?:19|20|21)[0-9]{2})(?:([0-9]{2})(?:([0-9]{2})[0-9.+-]*)?)?", said)
    if found is None:
        return None
    year, month, day = found.groups()
    try:
        date(int(year), int(month or 1), int(day or 1))
    except ValueError:
        return None
    return "-".join(each for each in (year, month, day) if each is not None)
