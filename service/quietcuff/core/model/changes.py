"""Changes to a sitting that is already stored: readings that arrive later, and corrections.

In a correction a field left out stays as it is, and a field set to null is removed.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

import msgspec
from msgspec import UNSET, Meta, UnsetType

from quietcuff.core.model.readings import (
    MAX_GUIDELINES,
    MAX_READINGS,
    MAX_RESTRICTIONS,
    MAX_SLEEP_PERIODS,
    ArmRestriction,
    BirthDate,
    Care,
    Cuff,
    Device,
    DeviceFlag,
    Identifier,
    Instant,
    Length,
    Method,
    Position,
    Pressure,
    Rate,
    Reading,
    Rhythm,
    Site,
    SleepPeriod,
    Subject,
    Text,
    Visit,
    YesNo,
    check_day,
    check_instant,
    plain_number,
)

Answered = YesNo | None | UnsetType


class ContextChange(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Answers about preparation and technique that come later or were wrong, key by key."""

    rest_minutes: Annotated[float, Meta(ge=0, le=1440)] | None | UnsetType = UNSET
    talking: Answered = UNSET
    caffeine_within_30_min: Answered = UNSET
    tobacco_within_30_min: Answered = UNSET
    exercise_within_30_min: Answered = UNSET
    full_bladder: Answered = UNSET
    pain: Answered = UNSET
    anxiety_or_stress: Answered = UNSET
    back_supported: Answered = UNSET
    feet_flat: Answered = UNSET
    legs_crossed: Answered = UNSET
    arm_supported: Answered = UNSET
    cuff_fits_two_fingers: Answered = UNSET
    quiet_room: Answered = UNSET
    acute_symptoms: Answered = UNSET
    auscultation_possible: Answered = UNSET
    arm_height: Literal["at", "below", "above", "not-recorded"] | None | UnsetType = UNSET
    sleeve: Literal["bare", "thin", "thick", "not-recorded"] | None | UnsetType = UNSET
    pulse_palpated: Rhythm | None | UnsetType = UNSET
    care: Care | None | UnsetType = UNSET


class FactsChange(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is known of a person, key by key."""

    birth_date: BirthDate | None | UnsetType = UNSET
    sex: Literal["female", "male", "other", "unknown"] | None | UnsetType = UNSET
    pregnancy: Literal["no", "pregnant", "postpartum", "not-recorded"] | None | UnsetType = UNSET
    gestation_weeks: Annotated[float, Meta(ge=0, le=45)] | None | UnsetType = UNSET
    delivered_on: date | None | UnsetType = UNSET
    known_hypertension: Answered = UNSET
    antihypertensive_treatment: Answered = UNSET
    treatment_changed_on: date | None | UnsetType = UNSET
    known_irregular_rhythm: Answered = UNSET
    arm_circumference_cm: Length | None | UnsetType = UNSET
    height_cm: Length | None | UnsetType = UNSET
    arm_restrictions: Annotated[list[ArmRestriction], Meta(max_length=MAX_RESTRICTIONS)] | None | UnsetType = UNSET

    def __post_init__(self) -> None:
        if isinstance(self.birth_date, str) and len(self.birth_date) == 10:
            date.fromisoformat(self.birth_date)
        for day in (self.delivered_on, self.treatment_changed_on):
            if isinstance(day, date):
                check_day(day)


class SubjectChange(FactsChange, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A person to register, or what is newly known of one."""

    identifier: Identifier


class ReadingChange(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a reading should have said, key by key."""

    taken_at: Instant | UnsetType = UNSET
    systolic_mmhg: Pressure | None | UnsetType = UNSET
    diastolic_mmhg: Pressure | None | UnsetType = UNSET
    mean_arterial_mmhg: Pressure | None | UnsetType = UNSET
    pulse_per_min: Rate | None | UnsetType = UNSET
    site: Site | None | UnsetType = UNSET
    position: Position | None | UnsetType = UNSET
    stood_at: Instant | None | UnsetType = UNSET
    method: Method | None | UnsetType = UNSET
    rhythm: Rhythm | None | UnsetType = UNSET
    device_flags: Annotated[list[DeviceFlag], Meta(max_length=7)] | None | UnsetType = UNSET
    cuff: Cuff | None | UnsetType = UNSET
    device: Device | None | UnsetType = UNSET
    observer: Identifier | None | UnsetType = UNSET

    def __post_init__(self) -> None:
        for instant in (self.taken_at, self.stood_at):
            if instant is not None and instant is not UNSET:
                check_instant(instant)
        for name in ("systolic_mmhg", "diastolic_mmhg", "mean_arterial_mmhg", "pulse_per_min"):
            value = getattr(self, name)
            if value is not None and value is not UNSET:
                msgspec.structs.force_setattr(self, name, plain_number(value))


class SetChange(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What the sitting should have said. Context and facts merge key by key; the rest is replaced whole."""

    context: ContextChange | None | UnsetType = UNSET
    cuff: Cuff | None | UnsetType = UNSET
    device: Device | None | UnsetType = UNSET
    protocol: Text | None | UnsetType = UNSET
    guidelines: Annotated[list[Text], Meta(min_length=1, max_length=MAX_GUIDELINES)] | None | UnsetType = UNSET
    visit: Visit | None | UnsetType = UNSET
    sleep: Annotated[list[SleepPeriod], Meta(max_length=MAX_SLEEP_PERIODS)] | None | UnsetType = UNSET
    subject: FactsChange | UnsetType = UNSET


class AmendReading(
    msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, tag_field="change", tag="amend-reading"
):
    """Put right what one reading says."""

    index: Annotated[int, Meta(ge=0, lt=MAX_READINGS)]
    set: ReadingChange


class VoidReading(
    msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, tag_field="change", tag="void-reading"
):
    """Take back one reading: it was never of this person or never happened. It stays visible as voided."""

    index: Annotated[int, Meta(ge=0, lt=MAX_READINGS)]


class AmendSet(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, tag_field="change", tag="amend-set"):
    """Put right what the sitting says."""

    set: SetChange


class VoidSet(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, tag_field="change", tag="void-set"):
    """Take back the whole sitting, for example because it was of another person."""


class Correction(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Changes with their reason, applied together or not at all."""

    reason: Text
    author: Identifier | None = None
    changes: Annotated[list[AmendReading | VoidReading | AmendSet | VoidSet], Meta(min_length=1, max_length=MAX_READINGS)]


class Move(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """To whom a sitting belongs that was stored of another person: their identifier, with what is known of them."""

    subject: Subject
    reason: Text
    author: Identifier | None = None


class Append(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What arrives while a sitting is open. ``cuff`` and ``device`` are those of the readings sent with them."""

    readings: Annotated[list[Reading], Meta(max_length=MAX_READINGS)] = []
    context: ContextChange | None = None
    cuff: Cuff | None = None
    device: Device | None = None
    closed: bool = False
