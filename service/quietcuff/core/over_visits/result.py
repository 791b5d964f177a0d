"""The output of a summary: one person over many sittings. Every key is always present; null where there is no value."""

from __future__ import annotations

from datetime import date, datetime
from typing import Annotated, Literal

import msgspec

from quietcuff.core.model.evaluation import (
    Basis,
    Category,
    Certainty,
    ConfirmBy,
    Finding,
    Number,
    PartCategory,
    PartMean,
    Percentile,
    RuleReference,
    Safety,
    Step,
)
from quietcuff.core.model.fields import Setting, Site
from quietcuff.core.over_visits.control import ControlMeasure
from quietcuff.core.over_visits.patterns import Pattern


class LeftOut(msgspec.Struct, frozen=True, kw_only=True):
    """A set that is not pooled, and the code that says why."""

    set: str
    because: str


class Sittings(msgspec.Struct, frozen=True, kw_only=True):
    """Numbers of stored and of pooled sets, and the sets left out."""

    stored: int
    counted: int
    left_out: list[LeftOut]


class Window(msgspec.Struct, frozen=True, kw_only=True):
    """The days that are pooled, both included."""

    from_day: date = msgspec.field(name="from")
    to: date
    because: Literal["at-most-180-days", "since-treatment-change"]


class ArmToUse(msgspec.Struct, frozen=True, kw_only=True):
    """The arm over all comparisons that are known."""

    arm_of_record: Site | None
    arm_to_use: Site | None
    pairs: int
    basis: Basis | None


class Reported(msgspec.Struct, frozen=True, kw_only=True):
    """A reported value, in whole mmHg but for surveys."""

    systolic_mmhg: Number
    diastolic_mmhg: Number


class Latest(msgspec.Struct, frozen=True, kw_only=True):
    """The newest sitting that gave a result."""

    set: str
    taken_to: datetime
    result: Reported
    categories: list[Category]


class Pooled(msgspec.Struct, frozen=True, kw_only=True):
    """The mean over days, each day's sittings first pooled among themselves."""

    systolic_mmhg: int
    diastolic_mmhg: int
    sittings: int
    days: int


class PooledHome(msgspec.Struct, frozen=True, kw_only=True):
    """The newest valid home series: sent whole, or made of single home sittings by the same rules.

    ``sets`` are the stored sets it is of; ``days`` and ``readings`` are those that count, the first day is in ``days_dropped``.
    ``categories`` go by each guideline's own table for home values.
    """

    systolic_mmhg: Number
    diastolic_mmhg: Number
    readings: int
    days: int
    days_dropped: int
    made_of: Literal["single-sittings", "whole-series"]
    protocol: RuleReference
    sets: list[str]
    site: Site
    taken_from: datetime
    taken_to: datetime
    morning: PartMean | None
    evening: PartMean | None
    categories: list[Category]
    certainty: list[Certainty]


class PooledAmbulatory(msgspec.Struct, frozen=True, kw_only=True):
    """The newest valid ambulatory recording. The first two values are its reported result; each part has a mean where it has
    enough readings, and ``parts`` say what each guideline's own table calls it."""

    systolic_mmhg: Number
    diastolic_mmhg: Number
    readings: int
    set: str
    protocol: RuleReference
    site: Site
    taken_from: datetime
    taken_to: datetime
    hours_24: PartMean | None
    day: PartMean | None
    night: PartMean | None
    dipping_percent: Number | None
    dipping: Literal["reverse", "reduced", "normal", "extreme"] | None
    parts: list[PartCategory]
    categories: list[Category]
    certainty: list[Certainty]


class Lacking(msgspec.Struct, frozen=True, kw_only=True):
    """Reasons why a setting has no pooled value, or its value no category: codes, and the finding in words."""

    setting: Setting
    because: list[str]
    message: str | None


class PooledBySetting(msgspec.Struct, frozen=True, kw_only=True):
    """Pooled values, each setting for itself, and why one of them is null."""

    office: Pooled | None
    home: PooledHome | None
    ambulatory: PooledAmbulatory | None
    lacking: list[Lacking]


class Summary(msgspec.Struct, frozen=True, kw_only=True):
    """One person over many sittings.

    ``categories``, ``certainty`` and ``percentile`` are of the pooled office value, one entry for each guideline; those of home
    and ambulatory values stand with them.
    """

    subject_id: str
    as_of: Annotated[str, msgspec.Meta(description="UTC, milliseconds.")]
    window: Window
    sittings: Sittings
    safety: Safety
    arm: ArmToUse
    latest: Latest | None
    pooled: PooledBySetting
    categories: list[Category]
    percentile: Percentile | None
    certainty: list[Certainty]
    patterns: list[Pattern]
    findings: list[Finding]
    control_measure: ControlMeasure | None
    next_step: Step
    confirm_by: ConfirmBy | None
    cautions: list[str]
