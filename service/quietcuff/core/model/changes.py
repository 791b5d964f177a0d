"""Changes to a sitting that is already stored: readings that arrive later and corrections, and their application.

In a correction a field left out stays as it is, and a field set to null is removed. A reading set and a change give the next
reading set, and the codes of what changed.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import date, datetime
from functools import cache
from typing import Annotated, Any, NoReturn, TypeVar

import msgspec
from msgspec import UNSET, Meta, UnsetType

from quietcuff.core.model.errors import Fault, NotAcceptable
from quietcuff.core.model.fields import MAX_READINGS, Text, check_day, check_instant, keep_numbers_plain
from quietcuff.core.model.readings import (
    PLAIN_NUMBERS,
    Context,
    Cuff,
    Device,
    Facts,
    Identifier,
    Reading,
    ReadingSet,
    Subject,
    voided_faults,
)


def changing(kind: type[msgspec.Struct], names: Collection[str] | None = None, **types: Any) -> Any:
    """The fields of a struct, or those named, as the base of a struct that changes them: each may be left out.

    Null takes a field back to its default; a field that has none cannot be null. ``types`` are fields that take another type.
    """
    known = {field.name: field for field in msgspec.structs.fields(kind)}
    fields = [(name, types.get(name) or changed_type(known[name]), UNSET) for name in names or known]
    return msgspec.defstruct(f"Changed{kind.__name__}", fields, frozen=True, kw_only=True, forbid_unknown_fields=True)


def changed_type(field: msgspec.structs.FieldInfo) -> Any:
    """The type of a field where it is changed."""
    return field.type | UnsetType if field.required else field.type | None | UnsetType


ContextFields: Any = changing(Context)
FactsFields: Any = changing(Facts)
# A reading is known by its identifier, so that stays; voiding is a change of its own.
ReadingFields: Any = changing(Reading, [name for name in Reading.__struct_fields__ if name not in ("identifier", "voided")])


class ContextChange(ContextFields):
    """Answers about preparation and technique that come later or were wrong, key by key."""


class FactsChange(FactsFields):
    """Facts about a person to change, key by key."""

    def __post_init__(self) -> None:
        if isinstance(self.birth_date, str) and len(self.birth_date) == 10:
            date.fromisoformat(self.birth_date)
        for day in (self.delivered_on, self.treatment_changed_on):
            if isinstance(day, date):
                check_day(day)


class SubjectChange(FactsChange, kw_only=True):  # type: ignore[call-arg]  # the base is made, so mypy sees no struct in it
    """A person to register, or what is newly known of one."""

    identifier: Identifier


class ReadingChange(ReadingFields):
    """Corrected values of a reading, key by key."""

    def __post_init__(self) -> None:
        for instant in (self.taken_at, self.stood_at):
            if isinstance(instant, datetime):
                check_instant(instant)
        keep_numbers_plain(self, *(name for name in PLAIN_NUMBERS if getattr(self, name) is not UNSET))


# The fields that a correction may change, in the order of the document.
OF_SET = ("context", "cuff", "device", "protocol", "guidelines", "visit", "sleep", "subject")
SetFields: Any = changing(ReadingSet, OF_SET, context=ContextChange | None | UnsetType, subject=FactsChange | UnsetType)


class SetChange(SetFields):
    """Corrected values of the sitting. Context and facts merge key by key; the rest is replaced whole."""


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
        raise NotAcceptable.of(pointer="/changes", code="nothing-to-change", detail=detail)
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
    raise NotAcceptable.of(pointer=pointer, code=code, detail=detail)
