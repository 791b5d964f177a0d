"""One OBX segment of an HL7 v2 report: what it measures, its value, its time and its status, or why it is not taken.

Every row has one fate: used, ignored with a reason, or refused with a fault. None is taken on a guess: a unit, status or code
that is not known refuses the row.

The values of HL7 v2 observations: one number, or systolic and diastolic packed into one, and their units.

Source: [HL7-2.5.1] chapter 2, NM, SN, ST and NA, from memory; packed text: [DECISION].
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Literal
from zoneinfo import ZoneInfo

import msgspec

from quietcuff.core.model.fields import DeviceFlag
from quietcuff.decode.hl7v2 import codes as codes
from quietcuff.decode.hl7v2.codes import Action, Measure
from quietcuff.decode.hl7v2.syntax import Segment, Text, part
from quietcuff.decode.hl7v2.times import Moment, NoSuchTime, read_time
from quietcuff.decode.payload import RefusedPart
from quietcuff.terminology.units import KPA, MMHG, PER_MINUTE

NUMBER = re.compile(r"[+-]?[0-9]{1,9}(?:\.[0-9]{0,9})?|\.[0-9]{1,9}")
PACKED = re.compile(r"([0-9]{1,3}(?:\.[0-9]{1,4})?) ?/ ?([0-9]{1,3}(?:\.[0-9]{1,4})?)(?: ?([A-Za-z(][A-Za-z()\[\] ]{0,15}))?")
HUNDREDTH = Decimal("0.01")
MOST = 400


class Refusal(Exception):
    """Ends the reading of a row at its first fault."""

    def __init__(self, field: int, code: str, detail: str) -> None:
        super().__init__(detail)
        self.field = field
        self.code = code
        self.detail = detail


def single_value(kind: str, parts: list[str]) -> str:
    """The one number of NM, SN or text.

    Raises:
        Refusal: it is none.
    """
    said = parts[0]
    if kind == "SN":
        if parts[0] not in ("", "="):
            raise Refusal(5, "off-scale", "A number, without a comparison.")
        if len(parts) > 2 and any(parts[2:]):
            raise Refusal(5, "not-a-number", "One number.")
        said = part(parts, 2)
    elif kind not in ("NM", "ST", "TX", "NA", "FT"):
        raise Refusal(2, "value-type", "NM, SN, ST, TX or NA.")
    elif any(parts[1:]):
        raise Refusal(5, "not-a-number", "One number.")
    if said[:1] in ("<", ">"):
        raise Refusal(5, "off-scale", "A number, without a comparison.")
    if not NUMBER.fullmatch(said):
        raise Refusal(5, "not-a-number", "A number in decimal digits.")
    return said


def packed_values(kind: str, parts: list[str]) -> tuple[list[str], str]:
    """Systolic and diastolic out of one value, such as ``161/102``, and a unit written behind them.

    Raises:
        Refusal: it is no such pair.
    """
    if kind == "SN" and parts[0] not in ("", "="):
        raise Refusal(5, "off-scale", "Numbers, without a comparison.")
    if kind == "SN" and part(parts, 3) == "/":
        said = f"{part(parts, 2)}/{part(parts, 4)}"
    elif kind == "NA":
        said = "/".join(each for each in parts[:2])
    elif kind in ("ST", "TX", "FT", "NM"):
        said = parts[0]
    else:
        raise Refusal(2, "value-type", "ST, TX, SN or NA.")
    found = PACKED.fullmatch(said)
    if found is None:
        raise Refusal(5, "not-two-pressures", "Systolic and diastolic, such as 161/102.")
    return [found[1], found[2]], found[3] or ""


def unit_of(kind: str, text: Text, segment: Segment, packed: str) -> str:
    """The unit that OBX-6 says. Pulses have but one, so that it may be left out.

    Raises:
        Refusal: none of a pressure, or one that is not of this measure.
    """
    accepted = [PER_MINUTE] if kind == "pulse" else [MMHG, KPA]
    parts = [each.lower() for each in text.parts(segment, 6)]
    codings = [(part(parts, at), part(parts, at + 1)) for at in (1, 4)]
    said = [code for code, _ in codings if code in codes.UNITS] + [name for _, name in codings if is_unit_name(name)]
    said += [packed.lower().strip()] if packed else []
    if not said and not any(parts) and kind == "pulse":
        return PER_MINUTE
    if not said and not any(parts):
        raise Refusal(6, "unit-missing", "mm[Hg] or kPa.")
    found = {codes.UNITS.get(each) for each in said}
    for unit in accepted:
        if found == {unit}:
            return unit
    raise Refusal(6, "unknown-unit", f"{' or '.join(accepted)}, by one code and its own name.")


def is_unit_name(name: str) -> bool:
    """True for the name of a unit: of one that is known, or one of 11073, known or not. Other text says nothing."""
    return name in codes.UNITS or name.startswith("mdc_")


def in_unit(said: str, unit: str) -> Decimal:
    """A value in mmHg or per minute: 18.4 kPa gives 138.01.

    Raises:
        Refusal: out of range, or finer than a hundredth.
    """
    number = Decimal(said)
    if unit == KPA:
        number = (number * codes.MMHG_PER_KPA).quantize(HUNDREDTH)
    if not 0 <= number <= MOST:
        raise Refusal(5, "out-of-range", f"From 0 to {MOST} mmHg or per minute.")
    if number != number.quantize(HUNDREDTH):
        raise Refusal(5, "too-many-decimals", "At most two decimals.")
    return number


BIT = re.compile(r".{0,80}\(([0-9]{1,2})\)")


class ObservationRow(msgspec.Struct, kw_only=True):
    """One observation. ``values`` are as sent, one or, of a packed one, systolic and diastolic; ``mmhg`` and ``rate`` are what
    they come to. ``fate`` and ``reason`` may still change while readings are put together."""

    segment: Segment
    set_id: str
    sub_id: str
    code: str
    status: str
    kind: codes.Kind | Literal["other"] = "other"
    position: str = "not-recorded"
    action: Action = "pass"
    values: list[str] = []
    unit: str | None = None
    numbers: list[Decimal] = []
    flags: list[str] = []
    bits: list[DeviceFlag] = []
    has_unclear_bits: bool = False
    moment: Moment | None = None
    time_from: str = ""
    method: list[str] = []
    site: str = ""
    observers: int = 0
    fate: Literal["used", "ignored", "refused"] = "used"
    reason: str = ""
    fault: RefusedPart | None = None

    def ignore(self, reason: str) -> None:
        """Leave the row out, for a reason that needs no repair."""
        self.fate, self.reason = "ignored", reason

    def refuse(self, field: int, code: str, detail: str) -> None:
        """Refuse the row for a fault in one of its fields."""
        self.fate, self.reason = "refused", code
        self.fault = RefusedPart(place=self.segment.place(field), code=code, detail=detail)


def read_row(text: Text, segment: Segment, default_time: Segment | None, zone: ZoneInfo) -> ObservationRow:
    """The row that a segment says. ``default_time`` is the OBR whose field 7 is the time where the row has none."""
    row = ObservationRow(
        segment=segment,
        set_id=segment.field(1),
        sub_id=text.plain(segment.field(4)),
        code=text.first(segment, 3),
        status=segment.field(11).upper(),
    )
    try:
        measure = measure_of(text, segment)
        row.kind, row.position = measure.kind, measure.position
        if measure.kind == "container" and segment.field(5):
            row.kind = "both"
        if measure.kind == "refused":
            raise Refusal(3, measure.reason, "Single readings by a cuff.")
        if row.kind == "container":
            row.ignore("container")
            return row
        describe(row, text, segment)
        read_status(row)
        if row.fate == "used":
            read_moment(row, text, segment, default_time, zone)
            read_value(row, text, segment)
    except OtherMeasure:
        row.ignore("other-measure")
    except Refusal as refusal:
        row.refuse(refusal.field, refusal.code, refusal.detail)
    return row


class OtherMeasure(Exception):
    """Ends the reading of a row that is properly coded as something else."""


def measure_of(text: Text, segment: Segment) -> Measure:
    """The measure that OBX-3 names, in its own coding or in its alternate one.

    Raises:
        Refusal: it names two measures, or a pressure by a code that is not known.
        OtherMeasure: it is something else.
    """
    parts = text.parts(segment, 3)
    triples = [(part(parts, at), part(parts, at + 1), part(parts, at + 2).upper()) for at in (1, 4)]
    found = [(codes.SYSTEMS[system].get(code), name) for code, name, system in triples if system in codes.SYSTEMS and code]
    known = [(measure, name) for measure, name in found if measure is not None]
    for measure, name in known:
        check_name(measure, name)
    if len({measure.kind for measure, _ in known}) > 1:
        raise Refusal(3, "code-name-mismatch", "Code and alternate code of one measure.")
    if known:
        return max((measure for measure, _ in known), key=lambda measure: measure.position != "not-recorded")
    said = " ".join(name for _, name, _ in triples).lower()
    is_bare = any(code in codes.LOINC or code in codes.MDC for code, _, system in triples if system not in codes.SYSTEMS)
    if is_bare:
        raise Refusal(3, "coding-system-missing", "The code, its name, and LN or MDC.")
    if not found and any(word in said for word in codes.PRESSURE_WORDS):
        raise Refusal(3, "unknown-code", "A code of LN or MDC for a pressure by a cuff.")
    raise OtherMeasure


def check_name(measure: Measure, name: str) -> None:
    """Refuse a code beside the name of something else.

    Raises:
        Refusal: they do not agree.
    """
    wrong_reference = measure.name and name and name.upper().replace(" ", "_") != measure.name
    wrong_word = not measure.name and codes.OTHER_WORD.get(measure.kind, "\0") in name.lower()
    if wrong_reference or wrong_word:
        raise Refusal(3, "code-name-mismatch", "A code and its own name.")


def describe(row: ObservationRow, text: Text, segment: Segment) -> None:
    """Read the circumstances: flags, observer, method, devices, site."""
    row.flags = [parts[0].upper() for parts in text.repetitions(segment, 8) if parts[0]]
    row.observers = len(text.repetitions(segment, 16))
    row.method = text.parts(segment, 17)
    row.site = text.first(segment, 20)


def read_status(row: ObservationRow) -> None:
    """Set the action and fate of the row by its status.

    Raises:
        Refusal: no status, one that is not known, or a value beyond the scale.
    """
    if row.status not in codes.ACTIONS:
        raise Refusal(11, "unknown-status", f"One of {', '.join(sorted(codes.ACTIONS))}.")
    row.action = codes.ACTIONS[row.status]
    unusable = [codes.FLAG_REASONS[flag] for flag in row.flags if flag in codes.FLAG_REASONS]
    if "test-data" in unusable:
        row.ignore("test-data")
    elif row.action == "pass":
        row.ignore(codes.PASSED[row.status])
    elif row.action == "no-value":
        row.ignore(unusable[0] if unusable else "no-value")
    elif row.action != "retract" and unusable:
        row.ignore(unusable[0])
    elif row.action != "retract" and codes.OFF_SCALE & set(row.flags):
        raise Refusal(8, "off-scale", "A value within the scale of the device.")


def read_moment(row: ObservationRow, text: Text, segment: Segment, default: Segment | None, zone: ZoneInfo) -> None:
    """The row's own time, else its order's.

    Raises:
        Refusal: neither, or one that is not exact to the minute; of a row that is taken back the time does not matter.
    """
    own = text.first(segment, 14)
    said = own or ("" if default is None else text.first(default, 7))
    row.time_from = "OBX-14" if own else "OBR-7"
    try:
        if not said:
            raise NoSuchTime("time-missing", "A time in OBX-14 or OBR-7.")
        row.moment = read_time(said, zone)
        if not row.moment.is_exact:
            raise NoSuchTime("time-not-exact", "A time exact to the minute.")
    except NoSuchTime as error:
        row.moment = None
        if row.action != "retract":
            raise Refusal(14, error.code, error.detail) from error


def read_value(row: ObservationRow, text: Text, segment: Segment) -> None:
    """The numbers, in mmHg or per minute.

    Raises:
        Refusal: no value, several, one of another kind, in an unknown unit or out of range.
    """
    said = segment.field(5)
    if row.action == "retract":
        return
    if said in ("", '""'):
        raise Refusal(5, "missing", "A value, or status X where there is none.")
    if row.kind == "bits":
        read_bits(row, text, segment)
        return
    if text.separators.repetition in said:
        raise Refusal(5, "several-values", "One value in a row.")
    kind = segment.field(2).upper()
    parts = text.parts(segment, 5)
    row.values, packed_unit = packed_values(kind, parts) if row.kind == "both" else ([single_value(kind, parts)], "")
    row.unit = unit_of(row.kind, text, segment, packed_unit)
    row.numbers = [in_unit(value, row.unit) for value in row.values]


def read_bits(row: ObservationRow, text: Text, segment: Segment) -> None:
    """The device's own status, told bit by bit: ``1^irregular-pulse(2)``. A bit that is not known is told as unclear."""
    for parts in text.repetitions(segment, 5):
        found = BIT.fullmatch(part(parts, 2))
        if parts[0] == "0" and found is not None:
            continue
        if parts[0] == "1" and found is not None and int(found[1]) < len(codes.STATUS_BITS):
            row.bits.append(codes.STATUS_BITS[int(found[1])])
        else:
            row.has_unclear_bits = True
