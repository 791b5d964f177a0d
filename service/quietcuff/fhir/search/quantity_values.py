"""Quantities in searches: a comparator, a number with the precision it is written in, and a unit.

Source: FHIR R4 search, 3.1.1.4.8 "number" (implicit precision, prefixes) and 3.1.1.4.11 "quantity".

Where an Observation holds values that a search may ask for: the columns behind each component and value.

The resources are written from the stored documents, the search reads the columns: what stands here says that both are the
same.
"""

from __future__ import annotations

import math
import re
from decimal import Decimal
from fractions import Fraction

import msgspec

from quietcuff.fhir import codes
from quietcuff.fhir.model.resources import CodeableConcept
from quietcuff.fhir.search.parameter import refused, split, unescaped_part
from quietcuff.storage.schema.codes import DEVICE_FLAG
from quietcuff.storage.search.query import Kind, Operator, ValueTest
from quietcuff.terminology import units
from quietcuff.terminology.systems import UCUM

KPA_IN_MMHG = 1000 / Fraction(units.PASCALS_PER_MMHG)


class Unit(msgspec.Struct, frozen=True):
    """A unit as it is shown, and how many of it one of each unit is that a search may name instead."""

    code: str
    text: str
    others: dict[str, Fraction] = {}


MMHG = Unit(units.MMHG_CODE, units.MMHG, {units.KPA_CODE: KPA_IN_MMHG})
PER_MINUTE = Unit(units.PER_MINUTE_CODE, units.PER_MINUTE)
COUNT = Unit(units.COUNT_CODE, units.COUNT)


class Slot(msgspec.Struct, frozen=True):
    """One value: of which kind of Observation, in which column, in how many parts of its unit, and under which code."""

    kind: Kind
    column: str
    parts: int
    unit: Unit
    concept: CodeableConcept
    is_component: bool = True
    is_always_there: bool = False


SLOTS = (
    Slot("reading", "systolic", 100, MMHG, codes.SYSTOLIC, is_always_there=True),
    Slot("reading", "diastolic", 100, MMHG, codes.DIASTOLIC, is_always_there=True),
    Slot("reading", "mean_arterial", 100, MMHG, codes.MEAN_ARTERIAL),
    Slot("pulse", "pulse", 100, PER_MINUTE, codes.HEART_RATE, is_component=False, is_always_there=True),
    Slot("mean", "mean_systolic", 10_000, MMHG, codes.MEAN_SYSTOLIC, is_always_there=True),
    Slot("mean", "mean_diastolic", 10_000, MMHG, codes.MEAN_DIASTOLIC, is_always_there=True),
    Slot("mean", "hours_24_systolic", 10_000, MMHG, codes.SYSTOLIC_24_HOURS),
    Slot("mean", "hours_24_diastolic", 10_000, MMHG, codes.DIASTOLIC_24_HOURS),
    Slot("mean", "counted", 1, COUNT, codes.READINGS_COUNTED, is_always_there=True),
)
CODE_OF_KIND: dict[Kind, CodeableConcept] = {
    "reading": codes.BP_PANEL,
    "pulse": codes.HEART_RATE,
    "flags": codes.DEVICE_STATUS,
    "mean": codes.MEAN_PANEL,
}
# A code that only some Observations of a kind have, beside the one that all have.
FURTHER_CODE = CodeableConcept(coding=[codes.PANEL_24_HOURS])
HAS_FURTHER_CODE = ValueTest(kind="mean", column="hours_24_systolic", operator="present")
CATEGORY_OF_KIND: dict[Kind, CodeableConcept] = {
    "reading": codes.VITAL_SIGNS,
    "pulse": codes.VITAL_SIGNS,
    "mean": codes.VITAL_SIGNS,
}
# By kind, where the way of measuring stands, and whether a device is named.
METHOD_COLUMNS: dict[Kind, str] = {"reading": "method", "mean": "mean_method"}
DEVICE_COLUMNS: dict[Kind, str] = {
    "reading": "has_device",
    "pulse": "has_device",
    "flags": "has_device",
    "mean": "mean_has_device",
}
# Any flag, so that there is a component, if only in words.
HAS_FLAG = ValueTest(kind="flags", column="flags", operator="bit", low=DEVICE_FLAG.bits(codes.DEVICE_FLAG))
# A result, so that there are readings that it comes from.
HAS_RESULT = ValueTest(kind="mean", column="mean_systolic", operator="present")
OPPOSITES: dict[Operator, Operator] = {"present": "absent", "bit": "no-bit"}
# By kind, where the size of the cuff stands.
CUFF_COLUMNS: dict[Kind, str] = {"reading": "cuff", "mean": "mean_cuff"}
# By concept, the test that an Observation has a component of it.
COMPONENTS: tuple[tuple[CodeableConcept, ValueTest], ...] = (
    *(
        (slot.concept, ValueTest(kind=slot.kind, column=slot.column, operator="always" if slot.is_always_there else "present"))
        for slot in SLOTS
        if slot.is_component
    ),
    *((codes.CUFF_SIZE, ValueTest(kind=kind, column=column, operator="present")) for kind, column in CUFF_COLUMNS.items()),
    *(
        (concept, ValueTest(kind="flags", column="flags", operator="bit", low=1 << DEVICE_FLAG.number(flag)))
        for flag, concept in codes.DEVICE_FLAG.items()
    ),
)


def opposite(test: ValueTest) -> ValueTest:
    """The test that what does not satisfy this one satisfies, where it is one of what is there."""
    return msgspec.structs.replace(test, operator=OPPOSITES[test.operator])


NUMBER = re.compile(
    r"(?P<prefix>eq|ne|gt|lt|ge|le|sa|eb|ap)?(?P<number>-?\d{1,12}(?:\.\d{1,12})?(?:[eE][+-]?\d{1,2})?)", re.ASCII
)
# Nothing that is measured here is beyond; the databases hold no larger number in such a column.
LOWEST, HIGHEST = -2_000_000_000, 2_000_000_000
ACCEPTED = "eq, ne, gt, lt, ge, le, sa, eb or ap, then a number; then |system|unit where a unit is meant."
TENTH = Fraction(1, 10)


class AskedQuantity(msgspec.Struct, frozen=True):
    """A quantity as it was asked for: numbers from ``low`` up to ``high``, the ends where they belong to it, or all others.
    None is no end; a unit of None is any."""

    low: Fraction | None
    high: Fraction | None
    has_low: bool
    has_high: bool
    is_outside: bool
    system: str | None
    unit: str | None


def parse_quantity(text: str, parameter: str) -> AskedQuantity:
    """A number without a comparator means what rounds to it: 140 is from 139.5 up to 140.5. With one it is exact.

    Raises:
        NotAcceptable: not a quantity.
    """
    number, *of = (unescaped_part(part) for part in split(text, "|"))
    found = NUMBER.fullmatch(number)
    if found is None or len(of) not in (0, 2):
        raise refused(parameter, "not-a-quantity", ACCEPTED)
    system, unit = (of[0] or None, of[1] or None) if of else (None, None)
    value = Decimal(found["number"])
    exact, half = Fraction(value), Fraction(10) ** int(value.as_tuple().exponent) / 2
    prefix = found["prefix"] or "eq"
    match prefix:
        case "gt" | "sa":
            return AskedQuantity(exact, None, False, False, False, system, unit)
        case "ge":
            return AskedQuantity(exact, None, True, False, False, system, unit)
        case "lt" | "eb":
            return AskedQuantity(None, exact, False, False, False, system, unit)
        case "le":
            return AskedQuantity(None, exact, False, True, False, system, unit)
        case "ap":
            margin = abs(exact) * TENTH
            return AskedQuantity(exact - margin, exact + margin, True, True, False, system, unit)
    return AskedQuantity(exact - half, exact + half, True, False, prefix == "ne", system, unit)


def test_of(slot: Slot, wanted: AskedQuantity) -> ValueTest | None:
    """The test of a column for a quantity; None where the units cannot be converted."""
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


def ratio_of(unit: Unit, wanted: AskedQuantity) -> Fraction | None:
    """The factor from the wanted unit to the shown one. Without a system the unit may be the code or the text shown."""
    if wanted.system not in (None, UCUM):
        return None
    if wanted.unit is None or wanted.unit == unit.code or (wanted.system is None and wanted.unit == unit.text):
        return Fraction(1)
    return unit.others.get(wanted.unit)
