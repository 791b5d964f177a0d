"""Where an Observation holds values that a search may ask for: the columns behind each component and value.

The resources are written from the stored documents, the search reads the columns: what stands here says that both are the
same.
"""

from __future__ import annotations

from fractions import Fraction

import msgspec

from quietcuff.fhir import codes
from quietcuff.fhir.model.resources import CodeableConcept
from quietcuff.storage.schema.codes import DEVICE_FLAG
from quietcuff.storage.search.query import Kind, Operator, ValueTest

# UCUM: 1 m[Hg] is 133.322 kPa.
MMHG_IN_KPA = Fraction(133_322, 1_000_000)


class Unit(msgspec.Struct, frozen=True):
    """A unit as it is shown, and how many of it one of each unit is that a search may name instead."""

    code: str
    text: str
    others: dict[str, Fraction] = {}


MMHG = Unit(codes.MMHG_CODE, codes.MMHG_UNIT, {"kPa": 1 / MMHG_IN_KPA})
PER_MINUTE = Unit(codes.PER_MINUTE_CODE, codes.PER_MINUTE_UNIT)
COUNT = Unit(codes.COUNT_CODE, codes.COUNT_UNIT)


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
