"""Patterns of office values against home and ambulatory ones: white-coat, masked and sustained.

A pattern is named only where both sides are valid. It is of values, not a diagnosis; in treated persons it is called
uncontrolled. Source: [ESH21].
"""

from __future__ import annotations

from typing import Literal

import msgspec

from quietcuff.core.labels.classification import reaches_hypertension
from quietcuff.core.model.evaluation import Series
from quietcuff.core.rulebook.rulebook import Bands, Guideline, Wording

Part = Literal["home", "day", "night", "hours-24"]
Kind = Literal["white-coat-pattern", "masked-pattern", "sustained-pattern"]


class OfficeValue(msgspec.Struct, frozen=True, kw_only=True):
    """A pooled office value in whole mmHg.

    ``is_valid`` where it may stand for the usual pressure: two days or more, and no bias.
    """

    systolic_mmhg: float
    diastolic_mmhg: float
    is_valid: bool


class OutsideValue(msgspec.Struct, frozen=True, kw_only=True):
    """The mean of a home series, or of a part of an ambulatory recording, in whole mmHg."""

    part: Part
    systolic_mmhg: float
    diastolic_mmhg: float
    is_valid: bool


class Pattern(msgspec.Struct, frozen=True, kw_only=True):
    """The pattern of office and outside values under one guideline. ``parts`` are the outside values that it rests on."""

    guideline: str
    code: Kind
    label: str
    parts: list[Part]


def name_pattern(
    guideline: Guideline, office: OfficeValue | None, outside: list[OutsideValue], words: Wording, *, is_treated: bool
) -> Pattern | None:
    """The pattern under a guideline; None where neither side is high, or one of them has no valid value or no limit.

    White coat: the office value reaches the office limit and no outside value its own. Masked: the office value does not, and
    any outside value does. Sustained: both do. 145/92 in the office and 128/78 at home under esh-2023: white coat.
    """
    limits = {bands.part: bands for bands in guideline.out_of_office if bands.decides}
    values = [value for value in outside if value.is_valid and value.part in limits]
    if office is None or not office.is_valid or not values or not guideline.places_pressures:
        return None
    high = [value.part for value in values if is_high(value, limits[value.part])]
    high_in_office = reaches_hypertension(guideline, office.systolic_mmhg, office.diastolic_mmhg)
    if not high_in_office and not high:
        return None
    code: Kind = "white-coat-pattern" if not high else ("sustained-pattern" if high_in_office else "masked-pattern")
    return Pattern(
        guideline=guideline.id,
        code=code,
        label=words.pattern[f"{code}-on-treatment" if is_treated else code],
        parts=high or [value.part for value in values],
    )


def is_high(value: OutsideValue, bands: Bands) -> bool:
    """True where an outside value reaches the limit for hypertension of its part in either pressure."""
    limit = bands.hypertension
    return value.systolic_mmhg >= limit.systolic_mmhg or value.diastolic_mmhg >= limit.diastolic_mmhg


def values_of_recording(series: Series, *, is_valid: bool) -> list[OutsideValue]:
    """The parts of an ambulatory recording that have a mean."""
    means = {"day": series.day, "night": series.night, "hours-24": series.hours_24}
    parts: tuple[Part, ...] = ("day", "night", "hours-24")
    return [
        OutsideValue(part=part, systolic_mmhg=mean.systolic_mmhg, diastolic_mmhg=mean.diastolic_mmhg, is_valid=is_valid)
        for part in parts
        if (mean := means[part]) is not None
    ]
