"""Bluetooth values: check vectors, every number word, every flag byte with every length, and damaged values.

Sources: Bluetooth SIG characteristics 0x2A35, 0x2A36, 0x2A49 and 0x2B34; IEEE 11073-20601 for the numbers, with the eight value
pairs that the HL7 Personal Health Device guide prints on its page of floats (from memory).
"""

from __future__ import annotations

import json
import random
import struct
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
import pytest

from quietcuff.decode import gatt
from quietcuff.decode.clocks import is_in_gap, place
from quietcuff.decode.gatt import Measurement, Unreadable
from quietcuff.decode.gatt_body import DeviceClock, GattBody, intend
from quietcuff.decode.intended import Keyed
from quietcuff.decode.sfloat import SPECIALS, read_sfloat

VECTORS = [json.loads(line) for line in (Path(__file__).parents[1] / "data/gatt/vectors.jsonl").read_text().splitlines()]


def value_told(value: Decimal | str) -> dict[str, str]:
    return {"value": f"{value:f}"} if isinstance(value, Decimal) else {"special": value}


def as_vectors_tell(measured: Measurement) -> dict[str, Any]:
    """A measurement in the words of the check vectors."""
    if measured.is_intermediate:
        return {"unit": measured.unit, "cuff": value_told(measured.systolic), "intermediate": True}
    found: dict[str, Any] = {"unit": measured.unit}
    found |= {name: value_told(getattr(measured, name)) for name in ("systolic", "diastolic", "mean")}
    if measured.time is not None:
        local = measured.time.local
        found["timestamp"] = {
            "raw": list(measured.time.raw),
            "unknown": list(measured.time.unknown),
            "local": None if local is None else local.isoformat(),
            "issues": list(measured.time.issues),
        }
    if measured.pulse is not None:
        found["pulse"] = value_told(measured.pulse)
    if measured.user_id is not None:
        found["user_id"] = measured.user_id
    if measured.status is not None:
        bits = {name: name in measured.status.bits for name in gatt.STATUS_BITS.values()}
        found["status"] = {"raw": f"0x{measured.status.raw:04X}", **bits, "pulse_range": measured.status.pulse_range}
    if measured.unit == "kPa":
        found["mmHg"] = {name: str(value) for name, value in gatt.told(measured).items()}
    return found


GOOD = [v for v in VECTORS if v["expect"]["ok"] and v["characteristic"] != "0x2A49"]


@pytest.mark.parametrize("vector", GOOD, ids=lambda v: v["id"])
def test_a_vector_is_decoded_to_the_last_digit(vector: dict[str, Any]) -> None:
    measured = gatt.read_measurement(vector["characteristic"][2:], bytes.fromhex(vector["hex"]))
    wanted = dict(vector["expect"]["decoded"])
    seconds = {name: wanted.pop(name) for name in ("timestamp", "user_facing_time") if "epoch" in wanted.get(name, {})}
    assert as_vectors_tell(measured) == wanted
    assert list(measured.warnings) == vector["expect"]["warnings"]
    if "timestamp" in seconds:
        assert measured.utc is not None and measured.utc.isoformat() + "Z" == seconds["timestamp"]["utc"]
    if "user_facing_time" in seconds:
        assert measured.user_facing is not None and measured.user_facing.isoformat() == seconds["user_facing_time"]["wall"]


@pytest.mark.parametrize("vector", [v for v in VECTORS if not v["expect"]["ok"]], ids=lambda v: v["id"])
def test_a_broken_vector_is_refused_as_it_says(vector: dict[str, Any]) -> None:
    with pytest.raises(Unreadable) as caught:
        gatt.read_measurement(vector["characteristic"][2:], bytes.fromhex(vector["hex"]))
    wanted = vector["expect"]
    assert (caught.value.code, caught.value.field) == (wanted["error"], wanted.get("field", ""))
    assert (caught.value.need, caught.value.have) == (wanted.get("need", 0), wanted.get("have", 0))


def test_the_features_of_a_device_are_named() -> None:
    (vector,) = [vector for vector in VECTORS if vector["characteristic"] == "0x2A49"]
    assert gatt.read_features(bytes.fromhex(vector["hex"])) == frozenset(vector["expect"]["decoded"]["supports"])
    for value, code in ((b"", "empty"), (b"\x01", "truncated"), (b"\x01\x00\x00", "trailing_bytes")):
        with pytest.raises(Unreadable, match=code):
            gatt.read_features(value)
    assert "e2e_crc" in gatt.read_features(b"\x40\x00\x12\x34")


def independent(word: int) -> Decimal:
    """The number of a word by way of a signed 16-bit integer of the platform, and of text."""
    (whole,) = struct.unpack("<h", struct.pack("<H", word))
    exponent = whole >> 12
    (mantissa,) = struct.unpack("<h", struct.pack("<H", (word << 4) & 0xFFFF))
    return Decimal(f"{mantissa >> 4}E{exponent}")


def test_every_word_is_a_number_or_one_of_five_specials() -> None:
    specials = {}
    for word in range(1 << 16):
        found = read_sfloat(word)
        if isinstance(found, str):
            specials[word] = found
        else:
            assert found == independent(word) and found.as_tuple().exponent == independent(word).as_tuple().exponent
    assert specials == SPECIALS and len(specials) == 5


@pytest.mark.parametrize(
    ("word", "value"),
    [
        (0x0072, "114"),
        (0xF47D, "114.9"),
        (0xF7FF, "204.7"),
        (0x100D, "1.3E+2"),
        (0xE460, "11.20"),
        (0x8001, "1E-8"),
        (0x0FFB, "-5"),
    ],
)
def test_numbers_keep_the_digits_that_were_sent(word: int, value: str) -> None:
    assert str(read_sfloat(word)) == value


def test_every_flag_byte_has_one_length_and_no_other() -> None:
    """Source: the sum of the fields that the flags announce; 7 to 19 bytes, or 20 where enhanced."""
    rng = random.Random(20260504)
    for characteristic in ("2A35", "2B34"):
        lengths = set()
        for flags in range(256):
            bits = [flags >> bit & 1 for bit in range(8)]
            times = 7 if characteristic == "2A35" else 4
            expected = 7 + times * bits[1] + 2 * bits[2] + bits[3] + 2 * bits[4]
            expected += 4 * bits[5] if characteristic == "2B34" else 0
            for length in range(25):
                value = bytes([flags]) + rng.randbytes(length)
                try:
                    gatt.read_measurement(characteristic, value[:length])
                    lengths.add(length)
                    assert length == expected
                except Unreadable as error:
                    wanted = "empty" if length == 0 else "truncated" if length < expected else "trailing_bytes"
                    assert error.code == wanted
        assert min(lengths) == 7 and max(lengths) == (19 if characteristic == "2A35" else 20)


BODY: dict[str, Any] = {
    "subject": {"identifier": {"system": "urn:example:mrn", "value": "p-0001"}},
    "device": {"identifier": {"system": "urn:example:device", "value": "SN-0007"}},
    "site": "left-upper-arm",
    "position": "sitting",
    "received_at": "2026-03-14T07:05:20+01:00",
}
NOW = datetime(2026, 3, 14, 6, 5, 30, tzinfo=UTC)
FULL = "1e8e005b006c00ea07030e0705094d00020000"


def readings(*values: str, clock: DeviceClock | None = None, characteristic: str = "2A35", **more: Any) -> list[Keyed]:
    payloads = [{"characteristic": characteristic, "value_hex": value} for value in values]
    body = msgspec.convert({**BODY, "payloads": payloads, **more}, GattBody)
    return [keyed for sitting in intend(body, clock or DeviceClock(), NOW).sittings for keyed in sitting.readings]


def test_a_whole_value_becomes_a_reading() -> None:
    (keyed,) = readings(FULL)
    reading = keyed.reading
    assert (reading.systolic_mmhg, reading.diastolic_mmhg, reading.mean_arterial_mmhg, reading.pulse_per_min) == (
        142,
        91,
        108,
        77,
    )
    assert reading.taken_at.isoformat() == "2026-03-14T07:05:09+01:00" and keyed.notes == ("clock-zone-assumed",)
    assert (reading.site, reading.position, reading.device_flags) == ("left-upper-arm", "sitting", [])


def vector_reading(name: str) -> Keyed:
    vector = next(vector for vector in VECTORS if vector["id"] == name)
    (keyed,) = readings(vector["hex"], characteristic=vector["characteristic"][2:])
    return keyed


@pytest.mark.parametrize("name", ["g05", "g06", "g16"])
def test_a_failed_attempt_is_a_reading_without_pressures(name: str) -> None:
    reading = vector_reading(name).reading
    assert (reading.systolic_mmhg, reading.diastolic_mmhg, reading.mean_arterial_mmhg) == (None, None, None)
    assert "measurement-failed" in reading.device_flags


def test_flags_notes_and_times_of_the_vectors() -> None:
    assert vector_reading("g04").reading.device_flags == ["irregular-pulse"]
    assert vector_reading("g04").reading.pulse_per_min is None
    assert (
        vector_reading("g10").notes == ("time-of-arrival", "status-unclear")
        and vector_reading("g10").reading.device_flags == []
    )
    assert vector_reading("g15").notes == ("time-of-arrival", "value-coarse")
    assert vector_reading("g03").reading.systolic_mmhg == 129.76
    for name in ("g01", "g07", "g18"):
        assert vector_reading(name).reading.taken_at.isoformat() == BODY["received_at"]
    enhanced = vector_reading("g23")
    assert enhanced.reading.taken_at == datetime(2026, 3, 15, 7, tzinfo=UTC) and enhanced.notes == ()
    assert enhanced.reading.device_flags == ["pulse-too-low"]


def test_a_local_time_takes_the_registered_zone_and_drift() -> None:
    clock = DeviceClock(zone=ZoneInfo("America/New_York"), drift_seconds=3600)
    (keyed,) = readings(FULL, clock=clock)
    assert keyed.reading.taken_at.isoformat() == "2026-03-14T06:05:09-04:00" and keyed.notes == ("clock-shifted",)
    (keyed,) = readings(FULL, clock=DeviceClock(zone=ZoneInfo("America/New_York")))
    assert keyed.reading.taken_at.isoformat() == "2026-03-14T07:05:09-04:00" and keyed.notes == ()


def test_both_clocks_at_one_moment_tell_how_far_the_device_is_off() -> None:
    """Source: HL7 Personal Health Device guide, coincident time stamps."""
    seen = {"device_now": "2026-03-14T07:05:20", "gateway_now": "2026-03-14T09:05:20+01:00"}
    (keyed,) = readings_with(seen)
    assert keyed.reading.taken_at.isoformat() == "2026-03-14T09:05:09+01:00" and keyed.notes == ("clock-shifted",)
    (keyed,) = readings_with({**seen, "synced": True})
    assert keyed.reading.taken_at.isoformat() == "2026-03-14T07:05:09+01:00"


def readings_with(seen: dict[str, Any]) -> list[Keyed]:
    body = msgspec.convert({**BODY, "clock": seen, "payloads": [{"characteristic": "2A35", "value_hex": FULL}]}, GattBody)
    return intend(body, DeviceClock(), NOW).sittings[0].readings


def test_an_hour_that_comes_twice_or_never_is_flagged() -> None:
    """Source: the time-zone database: clocks in Vienna go back on 2026-10-25 at 03:00 and forward on 2026-03-29 at 02:00."""
    vienna = ZoneInfo("Europe/Vienna")
    twice = place(datetime(2026, 10, 25, 2, 30), vienna, is_assumed=False)  # noqa: DTZ001
    assert twice.at.isoformat() == "2026-10-25T02:30:00+02:00" and twice.notes == ("clock-hour-unclear",)
    never = datetime(2026, 3, 29, 2, 30)  # noqa: DTZ001
    assert place(never, vienna, is_assumed=False).notes == ("clock-hour-unclear",)
    assert is_in_gap(never, vienna) and not is_in_gap(datetime(2026, 3, 29, 3, 30), vienna)  # noqa: DTZ001
    assert place(datetime(2026, 5, 4, 2, 30), vienna, is_assumed=True).notes == ("clock-zone-assumed",)  # noqa: DTZ001


def test_an_offset_with_seconds_of_long_ago_is_told_in_utc() -> None:
    """Source: the time-zone database: Amsterdam kept its local mean time, 19 minutes and 32 seconds ahead, until 1937."""
    amsterdam = ZoneInfo("Europe/Amsterdam")
    local = datetime(1930, 1, 15, 12, 0)  # noqa: DTZ001
    found = place(local, amsterdam, is_assumed=False).at
    assert found == local.replace(tzinfo=amsterdam)
    assert (found.utcoffset() or timedelta()).seconds % 60 == 0


def test_ten_thousand_damaged_values_are_read_or_refused_and_nothing_else() -> None:
    rng = random.Random(20260504)
    sources = [bytes.fromhex(vector["hex"]) for vector in VECTORS]
    read = refused = 0
    for _ in range(10_000):
        value = bytearray(rng.choice(sources))
        for _ in range(rng.randint(1, 4)):
            place_of = rng.randrange(len(value) + 1)
            match rng.randrange(3):
                case 0 if value:
                    value[place_of % len(value)] = rng.randrange(256)
                case 1:
                    value = value[:place_of]
                case _:
                    value.insert(place_of, rng.randrange(256))
        characteristic = rng.choice(["2A35", "2A36", "2A49", "2B34", "2B35"])
        body = msgspec.convert({**BODY, "payloads": [{"characteristic": characteristic, "value_hex": value.hex()}]}, GattBody)
        found = intend(body, DeviceClock(), NOW)
        read += len(found.sittings)
        refused += len(found.refused)
        assert len(found.sittings) + len(found.refused) == 1 or characteristic == "2A49"
    assert read > 300 and refused > 5000
