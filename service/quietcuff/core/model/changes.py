"""Changes to a sitting that is already stored: readings that arrive later and corrections, and their application.

In a correction a field left out stays as it is, and a field set to null is removed. A reading set and a change give the next
reading set, and the codes of what changed.
"""

from __future__ import annotations

from datetime import date
from functools import cache
from typing import Annotated, Any, Literal, NoReturn, TypeVar

import msgspec
from msgspec import UNSET, Meta, UnsetType

from quietcuff.core.model.errors import Fault, NotAcceptable
from quietcuff.core.model.fields import (
    MAX_GUIDELINES,
    MAX_READINGS,
    MAX_RESTRICTIONS,
    MAX_SLEEP_PERIODS,
    BirthDate,
    Care,
    DeviceFlag,
    Instant,
    Length,
    Method,
    Position,
    Pressure,
    Rate,
    Rhythm,
    Site,
    Text,
    Visit,
    YesNo,
    check_day,
    check_instant,
    plain_number,
)
from quietcuff.core.model.readings import (
    ArmRestriction,
    Cuff,
    Device,
    Identifier,
    Reading,
    ReadingSet,
    SleepPeriod,
    Subject,
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
    """Facts about a person to change, key by key."""

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
    """Corrected values of a reading, key by key."""

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
    """Corrected values of the sitting. Context and facts merge key by key; the rest is replaced whole."""

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
    """Readings and context that arrive while a sitting is open.

    ``cuff`` and ``device`` are those of the readings sent with them.
    """

    readings: Annotated[list[Reading], Meta(max_length=MAX_READINGS)] = []
    context: ContextChange | None = None
    cuff: Cuff | None = None
    device: Device | None = None
    closed: bool = False


S = TypeVar("S", bound=msgspec.Struct)


class Changed(msgspec.Struct, frozen=True, kw_only=True):
    """A sitting after a change, the codes of what changed, and whether the whole sitting was taken back."""

    reading_set: ReadingSet
    codes: list[str]
    voids_set: bool = False


def apply_append(reading_set: ReadingSet, append: Append) -> Changed:
    """The sitting with what arrived at its end; places of earlier readings never move.

    Raises:
        NotAcceptable: nothing arrived, too many readings, or a reading that says it is voided.
    """
    check_append(append, len(reading_set.readings))
    arrived = [
        msgspec.structs.replace(reading, cuff=reading.cuff or append.cuff, device=reading.device or append.device)
        for reading in append.readings
    ]
    context = reading_set.context if append.context is None else merged(reading_set.context, append.context)
    codes = ["reading-appended"] if arrived else []
    codes += ["context-changed"] if context != reading_set.context else []
    codes += ["closed"] if append.closed else []
    readings = [*reading_set.readings, *arrived]
    return Changed(
        reading_set=msgspec.structs.replace(reading_set, readings=readings, context=context, closed=append.closed),
        codes=codes,
    )


def check_append(append: Append, stored: int) -> None:
    """Refuse what cannot be appended.

    Raises:
        NotAcceptable: with every fault.
    """
    faults = voided_faults(append.readings)
    if not append.readings and not append.closed and append.context is None:
        faults.append(Fault(pointer="/readings", code="too-few", detail="At least 1, or closed true, or a context."))
    if stored + len(append.readings) > MAX_READINGS:
        faults.append(Fault(pointer="/readings", code="too-many", detail=f"At most {MAX_READINGS} in a set."))
    if faults:
        raise NotAcceptable(faults)


def voided_faults(readings: list[Reading]) -> list[Fault]:
    """Readings that come in already voided: voiding is a correction, with its reason."""
    detail = "Not in what is sent to be stored: void a reading by a correction."
    return [
        Fault(pointer=f"/readings/{place}/voided", code="not-accepted-here", detail=detail)
        for place, reading in enumerate(readings)
        if reading.voided
    ]


def apply_correction(reading_set: ReadingSet, correction: Correction) -> Changed:
    """The sitting as corrected, all changes together.

    Raises:
        NotAcceptable: with every fault; ``nothing-to-change`` when the sitting already says all of it.
    """
    corrected, faults = reading_set, []
    for place, change in enumerate(correction.changes):
        try:
            corrected = apply_one(corrected, change, f"/changes/{place}")
        except NotAcceptable as refusal:
            faults += refusal.faults
    if faults:
        raise NotAcceptable(faults)
    voids_set = any(isinstance(change, VoidSet) for change in correction.changes)
    codes = codes_between(reading_set, corrected) + (["set-voided"] if voids_set else [])
    if not codes:
        detail = "The set already says all of this."
        raise NotAcceptable([Fault(pointer="/changes", code="nothing-to-change", detail=detail)])
    return Changed(reading_set=corrected, codes=codes, voids_set=voids_set)


def apply_one(reading_set: ReadingSet, change: Any, pointer: str) -> ReadingSet:
    """The sitting after one change of a correction, which stands at ``pointer``.

    Raises:
        NotAcceptable: no such reading, a voided one, or a pressure left alone.
    """
    match change:
        case AmendReading(index=index, set=values):
            reading = merged(correctable_reading(reading_set, index, pointer), values)
            if (reading.systolic_mmhg is None) != (reading.diastolic_mmhg is None):
                refuse(f"{pointer}/set", "one-pressure-missing", "Both pressures, or neither after a failure.")
            return with_reading(reading_set, index, reading)
        case VoidReading(index=index):
            reading = correctable_reading(reading_set, index, pointer)
            return with_reading(reading_set, index, msgspec.structs.replace(reading, voided=True))
        case AmendSet(set=values):
            return amended_set(reading_set, values)
    return reading_set


def correctable_reading(reading_set: ReadingSet, index: int, pointer: str) -> Reading:
    """The reading at a place.

    Raises:
        NotAcceptable: there is none, or it is voided.
    """
    if index >= len(reading_set.readings):
        refuse(f"{pointer}/index", "no-such-reading", f"A place from 0 to {len(reading_set.readings) - 1}.")
    reading = reading_set.readings[index]
    if reading.voided:
        refuse(f"{pointer}/index", "reading-voided", "A reading that is not voided.")
    return reading


def with_reading(reading_set: ReadingSet, index: int, reading: Reading) -> ReadingSet:
    readings = [*reading_set.readings[:index], reading, *reading_set.readings[index + 1 :]]
    return msgspec.structs.replace(reading_set, readings=readings)


def amended_set(reading_set: ReadingSet, values: SetChange) -> ReadingSet:
    """The sitting with other values of its own."""
    replaced = msgspec.structs.replace(values, context=UNSET, subject=UNSET)
    amended = merged(reading_set, replaced)
    if values.context is not UNSET:
        context = type(amended.context)() if values.context is None else merged(amended.context, values.context)
        amended = msgspec.structs.replace(amended, context=context)
    if values.subject is not UNSET:
        amended = msgspec.structs.replace(amended, subject=merged(amended.subject, values.subject))
    return amended


def codes_between(before: ReadingSet, after: ReadingSet) -> list[str]:
    """The changes of a correction, as codes in a fixed order."""
    pairs = list(zip(before.readings, after.readings, strict=True))
    found = {
        "reading-amended": any(msgspec.structs.replace(early, voided=late.voided) != late for early, late in pairs),
        "reading-voided": any(late.voided and not early.voided for early, late in pairs),
        "context-changed": before.context != after.context,
        "cuff-changed": before.cuff != after.cuff,
        "device-changed": before.device != after.device,
        "facts-changed": before.subject != after.subject,
        "protocol-changed": before.protocol != after.protocol,
        "guidelines-changed": before.guidelines != after.guidelines,
        "visit-changed": before.visit != after.visit,
        "sleep-changed": before.sleep != after.sleep,
    }
    return [code for code, is_so in found.items() if is_so]


def merged(original: S, change: msgspec.Struct) -> S:
    """A struct with the fields that a change names: null gives the field's own default, left out keeps it."""
    defaults = defaults_of(type(original))
    values = {name: getattr(change, name) for name in change.__struct_fields__ if name in defaults}
    updates = {name: defaults[name] if value is None else value for name, value in values.items() if value is not UNSET}
    return msgspec.structs.replace(original, **updates)


@cache
def defaults_of(kind: type[msgspec.Struct]) -> dict[str, Any]:
    """The value of each field where nobody gives one; a field that is always needed has none."""
    return {
        field.name: field.default_factory() if field.default_factory is not msgspec.NODEFAULT else field.default
        for field in msgspec.structs.fields(kind)
    }


def place_in_correction(correction: Correction, pointer: str) -> str:
    """The place in a correction of a fault that was found in the corrected sitting."""
    parts = pointer.split("/")
    for place, change in reversed(list(enumerate(correction.changes))):
        match change:
            case AmendReading(index=index) | VoidReading(index=index) if parts[1:3] == ["readings", str(index)]:
                return "/".join([f"/changes/{place}", "set", *parts[3:]])
            case AmendSet(set=values) if len(parts) > 1 and getattr(values, parts[1], UNSET) is not UNSET:
                return f"/changes/{place}/set{pointer}"
    return "/changes"


def refuse(pointer: str, code: str, detail: str) -> NoReturn:
    raise NotAcceptable([Fault(pointer=pointer, code=code, detail=detail)])
