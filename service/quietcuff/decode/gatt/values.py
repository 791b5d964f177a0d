"""The characteristics of the Bluetooth Blood Pressure Service: bytes to what they say, nothing decided yet.

The layouts are tables of fields, each with its length and the flag that says it is there. Low octet first.
Source: Bluetooth SIG characteristics 0x2A35, 0x2A36, 0x2A49, 0x2B34 and 0x2B35 (Blood Pressure Service 1.1).

The 16-bit decimal numbers that medical devices send. Source: [PHD] FLOATS page; IEEE 11073-20601 SFLOAT-Type.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Any, Literal

import msgspec

from quietcuff.terminology.units import PASCALS_PER_MMHG

Special = Literal["nan", "pos_inf", "neg_inf", "nres", "rfu"]

# Whole words: with another exponent the same mantissa is a number.
SPECIALS: dict[int, Special] = {0x07FF: "nan", 0x07FE: "pos_inf", 0x0802: "neg_inf", 0x0800: "nres", 0x0801: "rfu"}
EXPONENT_BITS, MANTISSA_BITS = 4, 12


def read_sfloat(word: int) -> Decimal | Special:
    """The number m·10^e of a word, e its high 4 and m its low 12 bits, both two's complement; or what it says instead.

    The exponent stays: 0xE460 is 11.20, with two decimals. Example: 0xF0AD is 17.3.
    """
    special = SPECIALS.get(word)
    if special is not None:
        return special
    mantissa = signed(word & 0x0FFF, MANTISSA_BITS)
    exponent = signed(word >> MANTISSA_BITS, EXPONENT_BITS)
    return Decimal((mantissa < 0, tuple(int(digit) for digit in str(abs(mantissa))), exponent))


def signed(value: int, bits: int) -> int:
    """An unsigned number of so many bits as two's complement."""
    return value - (1 << bits) if value >> (bits - 1) else value


Value = Decimal | Special
HUNDREDTH = Decimal("0.01")
CRC_BYTES = 2


class Field(msgspec.Struct, frozen=True):
    """A part of a characteristic: its name, its bytes, and the bit of the flags without which it is not there."""

    name: str
    length: int
    flag: int | None = None


PRESSURES = (Field("systolic", 2), Field("diastolic", 2), Field("mean", 2))
REST = (Field("pulse", 2, 2), Field("user_id", 1, 3), Field("status", 2, 4))
MEASUREMENT = (Field("flags", 1), *PRESSURES, Field("timestamp", 7, 1), *REST)
ENHANCED = (Field("flags", 1), *PRESSURES, Field("seconds", 4, 1), *REST, Field("user_facing_seconds", 4, 5))
LAYOUTS = {"2A35": MEASUREMENT, "2A36": MEASUREMENT, "2B34": ENHANCED, "2B35": ENHANCED}
INTERMEDIATE = frozenset({"2A36", "2B35"})
FEATURE = "2A49"
RESERVED_FLAGS = {"2A35": 0xE0, "2A36": 0xE0, "2B34": 0x80, "2B35": 0x80}
UNIT_FLAG, EPOCH_FLAG = 0, 6
EPOCHS = {0: datetime(1900, 1, 1), 1: datetime(2000, 1, 1)}  # noqa: DTZ001

STATUS_BITS = {0: "body_movement", 1: "cuff_too_loose", 2: "irregular_pulse", 5: "improper_position"}
PULSE_RANGE_SHIFT, PULSE_RANGES = 3, ("in_range", "above_upper", "below_lower", "reserved")
RESERVED_STATUS = 0xFFC0
FEATURES = (
    *("body_movement", "cuff_fit", "irregular_pulse", "pulse_rate_range", "measurement_position", "multiple_bond"),
    *("e2e_crc", "user_data_service", "user_facing_time"),
)


class Unreadable(Exception):
    """Bytes that are no value of the characteristic: ``code`` says how, ``field`` where."""

    def __init__(self, code: str, field: str = "", need: int = 0, have: int = 0) -> None:
        super().__init__(code)
        self.code, self.field, self.need, self.have = code, field, need, have


class DeviceTime(msgspec.Struct, frozen=True, kw_only=True):
    """A local time as the device has it: the six numbers sent, which of them are unknown, and the time if it is one."""

    raw: tuple[int, int, int, int, int, int]
    unknown: tuple[str, ...]
    local: datetime | None
    issues: tuple[str, ...]


class Status(msgspec.Struct, frozen=True, kw_only=True):
    """The measurement status: the bits that are set, by name, and what is said of the pulse rate."""

    raw: int
    bits: tuple[str, ...]
    pulse_range: str


class CuffMeasurement(msgspec.Struct, frozen=True, kw_only=True):
    """One value of a measurement characteristic, in the unit it came in. ``utc`` where the device told the true time."""

    characteristic: str
    unit: str
    systolic: Value
    diastolic: Value
    mean: Value
    time: DeviceTime | None = None
    utc: datetime | None = None
    user_facing: datetime | None = None
    pulse: Value | None = None
    user_id: int | None = None
    status: Status | None = None
    warnings: tuple[str, ...] = ()

    @property
    def is_intermediate(self) -> bool:
        """True for the pressure in a cuff that is still being let down, which is no result."""
        return self.characteristic in INTERMEDIATE


def read_measurement(characteristic: str, value: bytes, features: frozenset[str] = frozenset()) -> CuffMeasurement:
    """The measurement in a value of 0x2A35, 0x2A36, 0x2B34 or 0x2B35.

    Raises:
        Unreadable: ``empty``, ``truncated`` with field and lengths, or ``trailing_bytes``.
    """
    parts = dict(split(LAYOUTS[characteristic], value, has_crc="e2e_crc" in features))
    flags = parts["flags"]
    numbers = {name: read_sfloat(parts[name]) for name in ("systolic", "diastolic", "mean", "pulse") if name in parts}
    status, status_warnings = read_status(parts["status"]) if "status" in parts else (None, ())
    time = read_time(parts["timestamp"]) if "timestamp" in parts else None
    epoch = EPOCHS[flags >> EPOCH_FLAG & 1]
    warnings = (
        *(["reserved_flag_bits"] if flags & RESERVED_FLAGS[characteristic] else []),
        *(["bad_timestamp"] if time is not None and time.issues else []),
        *status_warnings,
    )
    return CuffMeasurement(
        characteristic=characteristic,
        unit="kPa" if flags >> UNIT_FLAG & 1 else "mmHg",
        **numbers,
        time=time,
        utc=epoch + timedelta(seconds=parts["seconds"]) if "seconds" in parts else None,
        user_facing=epoch + timedelta(seconds=parts["user_facing_seconds"]) if "user_facing_seconds" in parts else None,
        user_id=parts.get("user_id"),
        status=status,
        warnings=warnings,
    )


def split(layout: tuple[Field, ...], value: bytes, *, has_crc: bool) -> Iterator[tuple[str, int]]:
    """The fields that are there, each as an unsigned number.

    Raises:
        Unreadable: too few bytes for a field, or bytes that no field claims.
    """
    if not value:
        raise Unreadable("empty")
    place = 0
    for field in layout:
        if field.flag is not None and not value[0] >> field.flag & 1:
            continue
        part = value[place : place + field.length]
        if len(part) < field.length:
            raise Unreadable("truncated", field.name, field.length, len(part))
        yield field.name, int.from_bytes(part, "little")
        place += field.length
    rest = len(value) - place
    if rest not in ((0, CRC_BYTES) if has_crc else (0,)):
        raise Unreadable("trailing_bytes", need=place, have=len(value))
    if rest and int.from_bytes(value[place:], "little") not in check_sums(value[:place]):
        raise Unreadable("checksum_mismatch")


def check_sums(value: bytes) -> tuple[int, int]:
    """The check sums that a value may end with: CRC-CCITT (0x1021, from 0xFFFF), bits low first or high first.

    The service asks for low first; devices are known to send the other. Of 65,536 wrong sums two pass.
    Example: of ``123456789`` in ASCII 0x6F91 and 0x29B1. Source: [memory], Bluetooth SIG, E2E-CRC.
    """
    low_first = high_first = 0xFFFF
    for octet in value:
        low_first ^= octet
        high_first ^= octet << 8
        for _ in range(8):
            low_first = low_first >> 1 ^ (0x8408 if low_first & 1 else 0)
            high_first = (high_first << 1 ^ (0x1021 if high_first & 0x8000 else 0)) & 0xFFFF
    return low_first, high_first


def read_time(packed: int) -> DeviceTime:
    """The seven bytes of a time: year, month and day may each be unknown; there is no zone."""
    octets = packed.to_bytes(7, "little")
    raw = (int.from_bytes(octets[:2], "little"), *octets[2:])
    year, month, day, hour, minute, second = raw
    unknown = tuple(name for name, number in (("year", year), ("month", month), ("day", day)) if number == 0)
    issues = []
    if year and not 1582 <= year <= 9999:
        issues.append("year_out_of_range")
    if month > 12:
        issues.append("month_out_of_range")
    if day > 31:
        issues.append("day_out_of_range")
    if hour > 23 or minute > 59 or second > 59:
        issues.append("time_out_of_range")
    local = None
    if not unknown and not issues:
        try:
            local = datetime(year, month, day, hour, minute, second)  # noqa: DTZ001
        except ValueError:
            issues.append("no_such_day")
    return DeviceTime(raw=(year, month, day, hour, minute, second), unknown=unknown, local=local, issues=tuple(issues))


def read_status(word: int) -> tuple[Status, tuple[str, ...]]:
    """The measurement status, and what of it is not defined."""
    pulse_range = PULSE_RANGES[word >> PULSE_RANGE_SHIFT & 0b11]
    warnings = []
    if word & RESERVED_STATUS:
        warnings.append("reserved_status_bits")
    if pulse_range == "reserved":
        warnings.append("reserved_pulse_range")
    bits = tuple(name for bit, name in STATUS_BITS.items() if word >> bit & 1)
    return Status(raw=word, bits=bits, pulse_range=pulse_range), tuple(warnings)


def read_features(value: bytes) -> frozenset[str]:
    """The features in a value of 0x2A49.

    Raises:
        Unreadable: fewer than two bytes, or more than two and a check sum.
    """
    if not value:
        raise Unreadable("empty")
    if len(value) < 2:
        raise Unreadable("truncated", "feature", 2, len(value))
    word = int.from_bytes(value[:2], "little")
    supported = frozenset(name for bit, name in enumerate(FEATURES) if word >> bit & 1)
    if len(value) - 2 not in ((0, CRC_BYTES) if "e2e_crc" in supported else (0,)):
        raise Unreadable("trailing_bytes", need=2, have=len(value))
    if len(value) > 2 and int.from_bytes(value[2:], "little") not in check_sums(value[:2]):
        raise Unreadable("checksum_mismatch")
    return supported


def to_mmhg(value: Decimal, unit: str) -> Decimal:
    """A pressure in mmHg: as it is, or from kPa to two decimals, halves to even.

    1 mmHg is 133.322387415 Pa. Example: 17.3 kPa are 129.76 mmHg. Source: ISO 80000-4, conventional millimetre of mercury.
    """
    if unit == "mmHg":
        return value
    return (value * 1000 / PASCALS_PER_MMHG).quantize(HUNDREDTH, ROUND_HALF_EVEN)


def pressures_mmhg(measurement: CuffMeasurement) -> dict[str, Any]:
    """The pressures that are numbers, in mmHg."""
    values = {"systolic": measurement.systolic, "diastolic": measurement.diastolic, "mean": measurement.mean}
    return {name: to_mmhg(value, measurement.unit) for name, value in values.items() if isinstance(value, Decimal)}
