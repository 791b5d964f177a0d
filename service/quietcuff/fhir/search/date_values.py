"""Dates in FHIR searches: a prefix and a date of any precision become the range of instants that it names.

Source: FHIR R4 search, section 3.1.1.4.7 "date".
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone, tzinfo

import msgspec

from quietcuff.core.model.errors import NotAcceptable
from quietcuff.storage.search.query import DateRange, Prefix

PATTERN = re.compile(
    r"(?P<prefix>eq|ne|gt|lt|ge|le|sa|eb|ap)?"
    r"(?P<year>\d{4})(?:-(?P<month>\d\d)(?:-(?P<day>\d\d)"
    r"(?:T(?P<hour>\d\d):(?P<minute>\d\d)(?::(?P<second>\d\d)(?:\.(?P<fraction>\d{1,6})\d*)?)?"
    r"(?P<zone>Z|[+-]\d\d:\d\d)?)?)?)?",
    re.ASCII,
)
# A plus that was not encoded arrives as a space; between a time and an offset it can mean nothing else.
LOST_PLUS = re.compile(r"(?<=[0-9]) (?=\d\d:\d\d$)", re.ASCII)
FIRST_YEAR, LAST_YEAR = 1800, 2400
LONGEST_OFFSET = timedelta(hours=14)
ACCEPTED = "eq, ne, gt, lt, ge, le, sa, eb or ap, then YYYY, YYYY-MM, YYYY-MM-DD or a date with time and offset."


class Clock(msgspec.Struct, frozen=True):
    """The time zone that dates without one are meant in, and the time now, which "approximately" depends on."""

    zone: tzinfo
    now: datetime


def parse_date(text: str, parameter: str, clock: Clock) -> DateRange:
    """The range that a search date names: ``ge2026-05`` gives ge, from the first of May up to the first of June.

    A date without an offset is meant in the clock's zone. "ap" is widened by a tenth of its distance from now.

    Raises:
        NotAcceptable: not a date that FHIR allows, or a year outside 1800 to 2400.
    """
    found = PATTERN.fullmatch(LOST_PLUS.sub("+", text) if " " in text else text)
    if found is None:
        raise not_a_date(parameter)
    prefix: Prefix = found["prefix"] or "eq"  # type: ignore[assignment]
    if not FIRST_YEAR <= int(found["year"]) <= LAST_YEAR:
        raise not_a_date(parameter)
    try:
        low = lowest(found, clock)
        high = next_after(low, found)
    except ValueError as error:
        raise not_a_date(parameter) from error
    margin = abs(clock.now - low) / 10 if prefix == "ap" else timedelta()
    return DateRange(prefix, low.astimezone(UTC) - margin, high.astimezone(UTC) + margin)


def lowest(found: re.Match[str], clock: Clock) -> datetime:
    """The first instant of a date, in its own zone."""
    return datetime(
        int(found["year"]),
        int(found["month"] or 1),
        int(found["day"] or 1),
        int(found["hour"] or 0),
        int(found["minute"] or 0),
        int(found["second"] or 0),
        int((found["fraction"] or "0").ljust(6, "0")),
        tzinfo=clock.zone if found["zone"] is None else offset(found["zone"]),
    )


def next_after(low: datetime, found: re.Match[str]) -> datetime:
    """The first instant after a date of this precision. Whole days, months and years end by the calendar of the zone."""
    if found["month"] is None:
        return low.replace(year=low.year + 1)
    if found["day"] is None:
        return low.replace(year=low.year + low.month // 12, month=low.month % 12 + 1)
    if found["hour"] is None:
        return low + timedelta(days=1)
    if found["second"] is None:
        length = timedelta(minutes=1)
    elif found["fraction"] is None:
        length = timedelta(seconds=1)
    else:
        length = timedelta(microseconds=10 ** (6 - len(found["fraction"])))
    # Added in UTC: wall-clock arithmetic would be an hour off where clocks change.
    return low.astimezone(UTC) + length


def offset(zone: str) -> tzinfo:
    """The offset written as Z or ±hh:mm.

    Raises:
        ValueError: beyond 14 hours, or 60 minutes and more.
    """
    if zone == "Z":
        return UTC
    hours, minutes = int(zone[1:3]), int(zone[4:6])
    size = timedelta(hours=hours, minutes=minutes)
    if minutes > 59 or size > LONGEST_OFFSET:
        raise ValueError("an offset within 14 hours")
    return timezone(-size if zone[0] == "-" else size)


def not_a_date(parameter: str) -> NotAcceptable:
    return NotAcceptable.of(parameter=parameter, code="not-a-date", detail=ACCEPTED)
