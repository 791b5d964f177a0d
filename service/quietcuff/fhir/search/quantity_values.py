"""Quantities in searches: a comparator, a number with the precision it is written in, and a unit.

Source: FHIR R4 search, 3.1.1.4.8 "number" (implicit precision, prefixes) and 3.1.1.4.11 "quantity".
"""

from __future__ import annotations

import math
import re
from decimal import Decimal
from fractions import Fraction

import msgspec

from quietcuff.fhir import codes
from quietcuff.fhir.search.slots import Slot, Unit
from quietcuff.fhir.search.terms import plain, refused, split
from quietcuff.storage.search.query import ValueTest

NUMBER = re.compile(
    r"(?P<prefix>eq|ne|gt|lt|ge|le|sa|eb|ap)?(?P<number>-?\d{1,12}(?:\.\d{1,12})?(?:[eE][+-]?\d{1,2})?)", re.ASCII
)
# Nothing that is measured here is beyond; the databases hold no larger number in such a column.
LOWEST, HIGHEST = -2_000_000_000, 2_000_000_000
ACCEPTED = "eq, ne, gt, lt, ge, le, sa, eb or ap, then a number; then |system|unit where a unit is meant."
TENTH = Fraction(1, 10)


class Quantity(msgspec.Struct, frozen=True):
    """A quantity as it was asked for: numbers from ``low`` up to ``high``, the ends where they belong to it, or all others.
    None is no end; a unit of None is any."""

    low: Fraction | None
    high: Fraction | None
    has_low: bool
    has_high: bool
    is_outside: bool
    system: str | None
    unit: str | None


def parse_quantity(text: str, parameter: str) -> Quantity:
    """A number without a comparator means what rounds to it: 140 is from 139.5 up to 140.5. With one it is exact.

    Raises:
        NotAcceptable: not a quantity.
    """
    number, *of = (plain(part) for part in split(text, "|"))
    found = NUMBER.fullmatch(number)
    if found is None or len(of) not in (0, 2):
        raise refused(parameter, "not-a-quantity", ACCEPTED)
    system, unit = (of[0] or None, of[1] or None) if of else (None, None)
    value = Decimal(found["number"])
    exact, half = Fraction(value), Fraction(10) ** int(value.as_tuple().exponent) / 2
    prefix = found["prefix"] or "eq"
    match prefix:
        case "gt" | "sa":
            return Quantity(exact, None, False, False, False, system, unit)
        case "ge":
            return Quantity(exact, None, True, False, False, system, unit)
        case "lt" | "eb":
            return Quantity(None, exact, False, False, False, system, unit)
        case "le":
            return Quantity(None, exact, False, True, False, system, unit)
        case "ap":
            margin = abs(exact) * TENTH
            return Quantity(exact - margin, exact + margin, True, True, False, system, unit)
    return Quantity(exact - half, exact + half, True, False, prefix == "ne", system, unit)


def test_of(slot: Slot, wanted: Quantity) -> ValueTest | None:
    """What a column must hold to be that quantity; None where the units have nothing to do with each other."""
    ratio = ratio_of(slot.unit, wanted)
    if ratio is None:
        return None
    scale = ratio * slot.parts
    # The columns hold whole numbers: every end becomes the first whole number that is in, or no longer in.
    low = LOWEST if wanted.low is None else first_whole(wanted.low * scale, is_in=wanted.has_low)
    high = HIGHEST if wanted.high is None else first_whole(wanted.high * scale, is_in=not wanted.has_high)
    return ValueTest(
        kind=slot.kind,
        column=slot.column,
        operator="outside" if wanted.is_outside else "within",
        low=max(LOWEST, min(low, HIGHEST)),
        high=max(LOWEST, min(high, HIGHEST)),
    )


def first_whole(number: Fraction, *, is_in: bool) -> int:
    """The first whole number from a number on, or after it."""
    return math.ceil(number) if is_in else math.floor(number) + 1


def ratio_of(unit: Unit, wanted: Quantity) -> Fraction | None:
    """How many of the shown unit one of the wanted is. Without a system the unit may be the code or the text shown."""
    if wanted.system not in (None, codes.UCUM):
        return None
    if wanted.unit is None or wanted.unit == unit.code or (wanted.system is None and wanted.unit == unit.text):
        return Fraction(1)
    return unit.others.get(wanted.unit)
