"""The body of a gateway that forwards Bluetooth values, and the readings that it is meant to store."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

import msgspec
from msgspec import Meta

from quietcuff.core.readings import (
    Attendance,
    Context,
    Cuff,
    Device,
    DeviceFlag,
    Identifier,
    Instant,
    IntakeCode,
    Position,
    Reading,
    Setting,
    Site,
    Subject,
    Text,
    check_instant,
)
from quietcuff.decode import gatt
from quietcuff.decode.clocks import Placed, is_fit, moved, place
from quietcuff.decode.gatt import Measurement, Unreadable
from quietcuff.decode.intended import Intended, IntendedSitting, Keyed, RefusedPart

HEX = r"^([0-9a-fA-F]{2})*(?![\s\S])"
LOCAL_TIME = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}:[0-9]{2}(?![\s\S])"
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
}


class GattValue(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One value of a characteristic. ``feature_hex`` is the device's 0x2A49; ``sequence`` the gateway's own count."""

    characteristic: Literal["2A35", "2A36", "2A49", "2B34", "2B35"]
    value_hex: Hex
    feature_hex: Hex | None = None
    sequence: Annotated[int, Meta(ge=0, le=2**31 - 1)] | None = None


class GattClock(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The device's clock and the gateway's, read at the same moment. ``synced``: the device's was set from a true one."""

    device_now: Annotated[str, Meta(pattern=LOCAL_TIME, examples=["2026-03-14T07:05:20"])] | None = None
    gateway_now: Instant | None = None
    synced: bool | None = None

    def __post_init__(self) -> None:
        if self.gateway_now is not None:
            check_instant(self.gateway_now)
        if self.device_now is not None:
            datetime.fromisoformat(self.device_now)


class GattBody(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Values of one person's device, as a gateway forwards them.

    ``set`` names the set that they belong to; without it they join the newest open one of that person and device.
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


class DeviceClock(msgspec.Struct, frozen=True, kw_only=True):
    """What the registry knows of a device's clock: its zone, and by how many seconds it is ahead."""

    zone: ZoneInfo | None = None
    drift_seconds: int | None = None


def intend(body: GattBody, clock: DeviceClock, now: datetime) -> Intended:
    """The readings that a body is meant to store. ``now`` is the time of arrival where the gateway says none."""
    received_at = body.received_at or now
    readings: list[Keyed] = []
    refused: list[RefusedPart] = []
    announced = announced_features(body, refused)
    for number, value in enumerate(body.payloads):
        at = f"/payloads/{number}"
        try:
            if value.characteristic != gatt.FEATURE:
                readings.append(keyed(body, value, announced, clock, received_at, at))
        except Unreadable as error:
            refused.append(refuse(f"{at}/{error.field}".rstrip("/"), error.code.replace("_", "-")))
    sitting = IntendedSitting(
        subject=body.subject,
        device=body.device,
        cuff=body.cuff,
        context=body.context,
        setting=body.setting,
        attendance=body.attendance,
        observer=body.observer,
        location=body.location,
        set_id=body.set,
        closed=body.closed,
        readings=readings,
    )
    return Intended(sittings=[sitting] if readings else [], refused=refused)


def announced_features(body: GattBody, refused: list[RefusedPart]) -> frozenset[str]:
    """What the device can tell, by a value of 0x2A49 among the others."""
    found: frozenset[str] = frozenset()
    for number, value in enumerate(body.payloads):
        if value.characteristic == gatt.FEATURE:
            try:
                found |= gatt.read_features(bytes.fromhex(value.value_hex))
            except Unreadable as error:
                refused.append(refuse(f"/payloads/{number}", error.code.replace("_", "-")))
    return found


def refuse(at: str, code: str) -> RefusedPart:
    return RefusedPart(place=at, code=code, detail=DETAILS[code])


def keyed(
    body: GattBody, value: GattValue, announced: frozenset[str], clock: DeviceClock, received_at: datetime, at: str
) -> Keyed:
    """One reading of a value.

    Raises:
        Unreadable: no value of the characteristic, or one that is no result.
    """
    features = announced
    if value.feature_hex:
        features = gatt.read_features(bytes.fromhex(value.feature_hex))
    measured = gatt.read_measurement(value.characteristic, bytes.fromhex(value.value_hex), features)
    if measured.is_intermediate:
        raise Unreadable("intermediate_value")
    placed = placed_time(body, measured, clock, received_at)
    if not is_fit(placed.at):
        raise Unreadable("no_such_time", "timestamp")
    return Keyed(
        place=at,
        source_key=natural_key(body, value, measured, received_at),
        reading=reading_of(body, measured, placed.at),
        notes=tuple(dict.fromkeys((*placed.notes, *value_notes(measured)))),
    )


def natural_key(body: GattBody, value: GattValue, measured: Measurement, received_at: datetime) -> str:
    """What the same reading is known by when it is sent again: device, the device's own time, and the value itself.

    Without a time of the device it is the moment of reception, or else the gateway's own count.
    """
    identifier = body.device.identifier if body.device is not None else None
    device = "" if identifier is None else f"{identifier.system}|{identifier.value}"
    has_time = measured.utc is not None or (measured.time is not None and measured.time.local is not None)
    when = "" if has_time else f"{value.sequence}" if value.sequence is not None else received_at.isoformat()
    return f"gatt {value.characteristic} {device} {value.value_hex.lower()} {when}"


def placed_time(body: GattBody, measured: Measurement, clock: DeviceClock, received_at: datetime) -> Placed:
    """When it was measured: by the device's true time, by its local time and zone, else when it arrived."""
    if measured.utc is not None:
        shown = timezone(received_at.utcoffset() or timedelta())
        return corrected(Placed(at=measured.utc.replace(tzinfo=UTC).astimezone(shown)), clock)
    local = measured.time.local if measured.time is not None else None
    if local is None:
        return Placed(at=received_at, notes=("time-of-arrival",))
    compared = body.clock
    if compared is not None and compared.device_now is not None and compared.gateway_now is not None and not compared.synced:
        gateway = compared.gateway_now
        zone = timezone(gateway.utcoffset() or timedelta())
        # What the gateway saw of both clocks tells the offset with the error.
        ahead = datetime.fromisoformat(compared.device_now) - gateway.replace(tzinfo=None)
        return moved(Placed(at=local.replace(tzinfo=zone)), -ahead)
    if clock.zone is not None:
        return corrected(place(local, clock.zone, is_assumed=False), clock)
    offset = (compared.gateway_now if compared is not None and compared.gateway_now is not None else received_at).utcoffset()
    return corrected(place(local, timezone(offset or timedelta()), is_assumed=True), clock)


def corrected(placed: Placed, clock: DeviceClock) -> Placed:
    """A moment put right by how far the registry knows the clock to be off."""
    return moved(placed, -timedelta(seconds=clock.drift_seconds)) if clock.drift_seconds else placed


def reading_of(body: GattBody, measured: Measurement, taken_at: datetime) -> Reading:
    """The reading; without pressures where the device measured none."""
    told = {name: fit(value) for name, value in gatt.told(measured).items()}
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


def flags_of(measured: Measurement) -> list[DeviceFlag]:
    """The device's own flags."""
    if measured.status is None:
        return []
    flags = [FLAGS[bit] for bit in measured.status.bits]
    pulse = PULSE_FLAGS.get(measured.status.pulse_range)
    return flags + ([pulse] if pulse is not None else [])


def value_notes(measured: Measurement) -> list[IntakeCode]:
    """What is odd about the value itself."""
    notes: list[IntakeCode] = []
    if any(isinstance(value, Decimal) and exponent_of(value) > 0 for value in (measured.systolic, measured.diastolic)):
        notes.append("value-coarse")
    if any(warning.startswith("reserved") for warning in measured.warnings):
        notes.append("status-unclear")
    return notes


def exponent_of(value: Decimal) -> int:
    exponent = value.as_tuple().exponent
    return exponent if isinstance(exponent, int) else 0
