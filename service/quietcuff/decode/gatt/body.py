"""The body of a gateway that forwards Bluetooth values, and the readings that it is meant to store."""

from __future__ import annotations

from collections import defaultdict
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from quietcuff.core.model.fields import (
    Attendance,
    DeviceFlag,
    Instant,
    IntakeCode,
    Position,
    Setting,
    Site,
    Text,
    check_instant,
)
from quietcuff.core.model.readings import Context, Cuff, Device, Identifier, Reading, Subject
from quietcuff.core.rulebook.rulebook import Limits
from quietcuff.decode.gatt import values
from quietcuff.decode.gatt.keys import Sent, numbered, same_value
from quietcuff.decode.gatt.times import GattClock, KnownDevice, placed_time
from quietcuff.decode.gatt.values import CuffMeasurement, Unreadable
from quietcuff.decode.local_times import PlacedTime
from quietcuff.decode.payload import IncomingReading, Intended, IntendedSitting, RefusedPart

HEX = r"^([0-9a-fA-F]{2})*(?![\s\S])"
MOST_VALUES = 300
HIGHEST = Decimal(400)
HUNDREDTH = Decimal("0.01")
Hex = Annotated[str, Meta(max_length=512, pattern=HEX)]
FLAGS: dict[str, DeviceFlag] = {
    "body_movement": "body-movement",
    "cuff_too_loose": "cuff-loose",
    "irregular_pulse": "irregular-pulse",
    "improper_position": "improper-position",
}
PULSE_FLAGS: dict[str, DeviceFlag] = {"above_upper": "pulse-too-high", "below_lower": "pulse-too-low"}
DETAILS = {
    "empty": "A value of at least 7 bytes.",
    "truncated": "Every field that the flags announce, whole.",
    "trailing-bytes": "No bytes beyond the fields that the flags announce.",
    "intermediate-value": "A measurement (2A35): the pressure in a cuff that is still being let down is no result.",
    "no-such-time": "A time in the years 1900 to 2200.",
    "clock-implausible": "A time that the device can have had when it was received, or clock.device_now beside it.",
    "out-of-range": "A pressure of at most 400 mmHg, which are 53.33 kPa; a pulse of at most 400 per minute.",
    "several-users": "Values of one user; or devices registered with who their users are.",
    "checksum-mismatch": "A value whose check sum is that of its bytes.",
}
FEATURE_DETAILS = {
    "truncated": "Two bytes, as the device sends them.",
    "trailing-bytes": "Two bytes, and a check sum if that is announced.",
}
# The number that says that the user is not known. Source: Bluetooth SIG characteristic 0x2A35.
NO_USER = 255


class GattValue(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One value of a characteristic. ``feature_hex`` is the device's 0x2A49. ``sequence`` is the gateway's own count, by which
    equal values of one payload are several measurements."""

    characteristic: Literal["2A35", "2A36", "2A49", "2B34", "2B35"]
    value_hex: Hex
    feature_hex: Hex | None = None
    sequence: Annotated[int, Meta(ge=0, le=2**31 - 1)] | None = None


class GattBody(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Values of one person's device, as a gateway forwards them.

    ``set`` names the set that they belong to; without it they join the open one of that person and device that they are of.
    """

    subject: Subject
    device: Device | None = None
    site: Site = "not-recorded"
    position: Position = "not-recorded"
    setting: Setting = "office"
    attendance: Attendance = "attended"
    context: Context | None = None
    cuff: Cuff | None = None
    observer: Identifier | None = None
    location: Identifier | None = None
    set: Text | None = None
    closed: bool = False
    received_at: Instant | None = None
    clock: GattClock | None = None
    payloads: Annotated[list[GattValue], Meta(min_length=1, max_length=MOST_VALUES)]

    def __post_init__(self) -> None:
        if self.received_at is not None:
            check_instant(self.received_at)


class ReadValue(msgspec.Struct, frozen=True, kw_only=True):
    """A value that is a reading, and the number of its user, where the device told one."""

    keyed: IncomingReading
    user: int | None


def intend(body: GattBody, known: KnownDevice, now: datetime, limits: Limits) -> Intended:
    """The readings that a body is meant to store. ``now`` is the time of arrival where the gateway says none."""
    received_at = body.received_at or now
    found: list[ReadValue] = []
    refused: list[RefusedPart] = []
    announced = announced_features(body, refused)
    sent = numbered([(value.characteristic, value.value_hex, value.sequence) for value in body.payloads])
    for number, value in enumerate(body.payloads):
        at = f"/payloads/{number}"
        if value.characteristic == values.FEATURE:
            continue
        try:
            measured = measurement_of(value, announced, at, refused)
            placed = placed_time(body.clock, measured, known, received_at, limits)
            keyed = keyed_reading(body, measured, placed, sent[number], received_at, limits)
        except Unreadable as error:
            refused.append(refuse(f"{at}/{error.field}".rstrip("/"), error.code.replace("_", "-")))
            continue
        found.append(ReadValue(keyed=msgspec.structs.replace(keyed, place=at), user=user_of(measured)))
    return Intended(sittings=sittings_of(body, found, known.users, refused), refused=refused)


def user_of(measured: CuffMeasurement) -> int | None:
    return None if measured.user_id == NO_USER else measured.user_id


def sittings_of(
    body: GattBody, found: list[ReadValue], users: dict[int, Identifier], refused: list[RefusedPart]
) -> list[IntendedSitting]:
    """The readings by person: those of a user whom the registry knows are that person's, the others the body's.

    Others of several users cannot all be one person's, and are refused.
    """
    own = body.subject.identifier
    by_whom: dict[tuple[Identifier, int | None], list[IncomingReading]] = defaultdict(list)
    others = {read.user for read in found if read.user is not None and read.user not in users}
    for read in found:
        if len(others) > 1 and (read.user is None or read.user not in users):
            refused.append(refuse(f"{read.keyed.place}/user_id", "several-users"))
        else:
            whose = own if read.user is None else users.get(read.user, own)
            by_whom[whose, read.user].append(read.keyed)
    return [sitting_of(body, whose, user, readings) for (whose, user), readings in by_whom.items()]


def sitting_of(body: GattBody, whose: Identifier, user: int | None, readings: list[IncomingReading]) -> IntendedSitting:
    """Readings of one person; what the body says of its own person is said of no other."""
    is_own = whose == body.subject.identifier
    return IntendedSitting(
        subject=body.subject if is_own else Subject(identifier=whose),
        device=body.device,
        cuff=body.cuff,
        context=body.context if is_own else None,
        setting=body.setting,
        attendance=body.attendance,
        observer=body.observer,
        location=body.location,
        set_id=body.set,
        closed=body.closed,
        readings=readings,
        user=user,
    )


def announced_features(body: GattBody, refused: list[RefusedPart]) -> frozenset[str]:
    """The features that the device announces, by a value of 0x2A49 among the others."""
    found: frozenset[str] = frozenset()
    for number, value in enumerate(body.payloads):
        if value.characteristic == values.FEATURE:
            try:
                found |= values.read_features(bytes.fromhex(value.value_hex))
            except Unreadable as error:
                refused.append(refuse(f"/payloads/{number}", error.code.replace("_", "-")))
    return found


def refuse(at: str, code: str) -> RefusedPart:
    return RefusedPart(place=at, code=code, detail=DETAILS[code])


def measurement_of(value: GattValue, announced: frozenset[str], at: str, refused: list[RefusedPart]) -> CuffMeasurement:
    """The measurement of a value.

    Features that cannot be read are refused by themselves: without them nothing is assessed, that is all.

    Raises:
        Unreadable: no value of the characteristic, or one that is no result.
    """
    features = announced
    if value.feature_hex:
        try:
            features = values.read_features(bytes.fromhex(value.feature_hex))
        except Unreadable as error:
            code = error.code.replace("_", "-")
            detail = FEATURE_DETAILS.get(code, DETAILS[code])
            refused.append(RefusedPart(place=f"{at}/feature_hex", code=code, detail=detail))
    measured = values.read_measurement(value.characteristic, bytes.fromhex(value.value_hex), features)
    if measured.is_intermediate:
        raise Unreadable("intermediate_value")
    return measured


def keyed_reading(
    body: GattBody, measured: CuffMeasurement, placed: PlacedTime, sent: Sent, received_at: datetime, limits: Limits
) -> IncomingReading:
    """A measurement as a reading with its keys.

    Raises:
        Unreadable: a pressure or a pulse that none can be.
    """
    pulse = {"pulse": measured.pulse} if isinstance(measured.pulse, Decimal) else {}
    for name, value in {**values.pressures_mmhg(measured), **pulse}.items():
        if value > HIGHEST:
            raise Unreadable("out_of_range", name)
    within = timedelta(minutes=limits.same_value_minutes)
    has_time = measured.utc is not None or (measured.time is not None and measured.time.local is not None)
    same = same_value(sent, body.device, received_at, within, has_time=has_time)
    return IncomingReading(
        place="",
        source_key=same.key,
        alike=same.alike,
        alike_within=within,
        reading=reading_of(body, measured, placed.at),
        notes=tuple(dict.fromkeys((*placed.notes, *value_notes(measured)))),
    )


def reading_of(body: GattBody, measured: CuffMeasurement, taken_at: datetime) -> Reading:
    """The reading; without pressures where the device measured none."""
    told = {name: fit(value) for name, value in values.pressures_mmhg(measured).items()}
    systolic, diastolic = told.get("systolic"), told.get("diastolic")
    has_failed = systolic is None or diastolic is None
    flags = flags_of(measured) + (["measurement-failed"] if has_failed else [])
    pulse = measured.pulse
    return Reading(
        taken_at=taken_at,
        systolic_mmhg=None if has_failed else systolic,
        diastolic_mmhg=None if has_failed else diastolic,
        mean_arterial_mmhg=None if has_failed else told.get("mean"),
        pulse_per_min=fit(pulse) if isinstance(pulse, Decimal) else None,
        site=body.site,
        position=body.position,
        method="oscillometric",
        device_flags=list(flags),
    )


def fit(value: Decimal) -> float | None:
    """The number as a reading holds it, with at most two decimals; None where it is outside all that could be measured."""
    if not value.is_finite() or not 0 < value <= HIGHEST:
        return None
    return float(value.quantize(HUNDREDTH))


def flags_of(measured: CuffMeasurement) -> list[DeviceFlag]:
    """The device's own flags."""
    if measured.status is None:
        return []
    flags = [FLAGS[bit] for bit in measured.status.bits]
    pulse = PULSE_FLAGS.get(measured.status.pulse_range)
    return flags + ([pulse] if pulse is not None else [])


def value_notes(measured: CuffMeasurement) -> list[IntakeCode]:
    """Notes on oddities of the value itself."""
    notes: list[IntakeCode] = []
    if any(isinstance(value, Decimal) and exponent_of(value) > 0 for value in (measured.systolic, measured.diastolic)):
        notes.append("value-coarse")
    if any(warning.startswith("reserved") for warning in measured.warnings):
        notes.append("status-unclear")
    return notes


def exponent_of(value: Decimal) -> int:
    exponent = value.as_tuple().exponent
    return exponent if isinstance(exponent, int) else 0
