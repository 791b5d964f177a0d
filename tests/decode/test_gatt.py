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

from quietcuff.core.model.readings import Identifier
from quietcuff.decode.gatt import values as gatt
from quietcuff.decode.gatt.body import GattBody, intend
from quietcuff.decode.gatt.times import KnownDevice
from quietcuff.decode.gatt.values import SPECIALS, CuffMeasurement, Unreadable, read_sfloat
from quietcuff.decode.local_times import is_in_gap, place
from quietcuff.decode.payload import IncomingReading, Intended
from quietcuff.rules.catalog import load_rulebook

VECTORS = [json.loads(line) for line in (Path(__file__).parents[1] / "data/gatt/vectors.jsonl").read_text().splitlines()]


def value_told(value: Decimal | str) -> dict[str, str]:
    return {"value": f"{value:f}"} if isinstance(value, Decimal) else {"special": value}


def as_vectors_tell(measured: CuffMeasurement) -> dict[str, Any]:
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
        found["mmHg"] = {name: str(value) for name, value in gatt.pressures_mmhg(measured).items()}
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
    assert "e2e_crc" in gatt.read_features(b"\x40\x00" + gatt.check_sums(b"\x40\x00")[0].to_bytes(2, "little"))


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
LIMITS = load_rulebook().limits
NOW = datetime(2026, 3, 14, 6, 5, 30, tzinfo=UTC)
FULL = "1e8e005b006c00ea07030e0705094d00020000"


def readings(
    *values: str, clock: KnownDevice | None = None, characteristic: str = "2A35", **more: Any
) -> list[IncomingReading]:
    payloads = [{"characteristic": characteristic, "value_hex": value} for value in values]
    body = msgspec.convert({**BODY, "payloads": payloads, **more}, GattBody)
    return [keyed for sitting in intend(body, clock or KnownDevice(), NOW, LIMITS).sittings for keyed in sitting.readings]


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


def vector_reading(name: str) -> IncomingReading:
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
    clock = KnownDevice(zone=ZoneInfo("America/New_York"), drift_seconds=3600)
    (keyed,) = readings(FULL, clock=clock)
    assert keyed.reading.taken_at.isoformat() == "2026-03-14T06:05:09-04:00" and keyed.notes == ("clock-shifted",)
    (keyed,) = readings(FULL, clock=KnownDevice(zone=ZoneInfo("America/New_York")))
    assert keyed.reading.taken_at.isoformat() == "2026-03-14T07:05:09-04:00" and keyed.notes == ()


def test_both_clocks_at_one_moment_tell_how_far_the_device_is_off() -> None:
    """Source: HL7 Personal Health Device guide, coincident time stamps."""
    seen = {"device_now": "2026-03-14T07:05:20", "gateway_now": "2026-03-14T09:05:20+01:00"}
    (keyed,) = readings_with(seen)
    assert keyed.reading.taken_at.isoformat() == "2026-03-14T09:05:09+01:00" and keyed.notes == ("clock-shifted",)
    (keyed,) = readings_with({**seen, "synced": True})
    assert keyed.reading.taken_at.isoformat() == "2026-03-14T07:05:09+01:00"


def readings_with(seen: dict[str, Any]) -> list[IncomingReading]:
    body = msgspec.convert({**BODY, "clock": seen, "payloads": [{"characteristic": "2A35", "value_hex": FULL}]}, GattBody)
    return intend(body, KnownDevice(), NOW, LIMITS).sittings[0].readings


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
        found = intend(body, KnownDevice(), NOW, LIMITS)
        read += len(found.sittings)
        refused += len(found.refused)
        assert len(found.sittings) + len(found.refused) == 1 or characteristic == "2A49"
    # Most damaged years are none that the device can have had.
    assert read > 200 and refused > 5000


def test_check_sums_are_those_that_are_published() -> None:
    """Source: the check values of CRC-16/MCRF4XX and CRC-16/CCITT-FALSE for the nine digits, from memory."""
    assert gatt.check_sums(b"123456789") == (0x6F91, 0x29B1)


def test_a_value_with_a_wrong_check_sum_is_refused() -> None:
    value = bytes.fromhex(FULL)
    for number in gatt.check_sums(value):
        whole = value + number.to_bytes(2, "little")
        assert gatt.read_measurement("2A35", whole, frozenset({"e2e_crc"})).systolic == 142
        for place_of in range(len(whole)):
            damaged = bytes(octet ^ (place_of == at) << 2 for at, octet in enumerate(whole))
            # Damaged flags announce other fields.
            with pytest.raises(Unreadable, match="checksum_mismatch" if place_of else "."):
                gatt.read_measurement("2A35", damaged, frozenset({"e2e_crc"}))


def intended(said: dict[str, Any], known: KnownDevice | None = None) -> Intended:
    return intend(msgspec.convert({**BODY, **said}, GattBody), known or KnownDevice(), NOW, LIMITS)


def timed(year: int, systolic: int = 142, flags: int = 2) -> str:
    when = year.to_bytes(2, "little") + bytes([3, 14, 7, 5, 0])
    return (bytes([flags]) + b"".join(n.to_bytes(2, "little") for n in (systolic, 80, 100)) + when).hex()


@pytest.mark.parametrize("year", [1582, 1900, 2000, 2024, 2027, 2099, 9999])
def test_a_time_that_the_device_cannot_have_had_is_refused_or_put_right(year: int) -> None:
    """Source: HL7 Personal Health Device guide: what is on no time line that is known cannot be placed in time."""
    said: dict[str, Any] = {"payloads": [{"characteristic": "2A35", "value_hex": timed(year)}]}
    (part,) = intended(said).refused
    assert part.place == "/payloads/0/timestamp" and part.code in ("clock-implausible", "no-such-time")
    found = intended({**said, "clock": {"device_now": f"{year:04}-03-14T07:05:20"}})
    (keyed,) = found.sittings[0].readings
    assert keyed.reading.taken_at.isoformat() == "2026-03-14T07:05:00+01:00" and keyed.notes == ("clock-shifted",)
    assert not intended({**said, "clock": {"device_now": f"{year:04}-03-14T07:05:20", "synced": True}}).sittings


@pytest.mark.parametrize("device_now", ["0001-01-01T00:00:00", "9999-12-31T23:59:59", "1582-10-15T00:00:00"])
@pytest.mark.parametrize("value", [FULL, timed(1582), timed(9999), "0289005600670070d760ed", "4289005600670000000000"])
def test_extreme_clocks_are_refused_and_never_fail(device_now: str, value: str) -> None:
    characteristic = "2A35" if len(value) > 22 else "2B34"
    for drift in (None, 10**9, -(10**9)):
        known = KnownDevice(zone=ZoneInfo("Pacific/Kiritimati"), drift_seconds=drift)
        for clock in ({"device_now": device_now}, {"device_now": device_now, "gateway_now": BODY["received_at"]}, {}):
            said = {"clock": clock, "payloads": [{"characteristic": characteristic, "value_hex": value}]}
            for received_at in (BODY["received_at"], "1901-01-01T00:00:00+14:00", "2199-12-31T23:59:59-14:00"):
                found = intended({**said, "received_at": received_at}, known)
                assert len(found.sittings) + len(found.refused) == 1


@pytest.mark.parametrize("value", [timed(2026, 401), timed(2026, 120, flags=3)])
def test_a_pressure_that_none_can_be_is_out_of_range_and_no_failed_attempt(value: str) -> None:
    found = intended({"payloads": [{"characteristic": "2A35", "value_hex": value}]})
    (part,) = found.refused
    assert not found.sittings and (part.place, part.code) == ("/payloads/0/systolic", "out-of-range")
    assert "400 mmHg" in part.detail


def with_pulse(pulse: int) -> str:
    return (b"\x04" + b"".join(n.to_bytes(2, "little") for n in (142, 80, 100, pulse))).hex()


def test_a_pulse_that_none_can_be_is_out_of_range_and_not_left_out() -> None:
    """An unknown pulse is none: 0x07FF is the SFLOAT's NaN. Source: IEEE 11073-20601."""
    (part,) = intended({"payloads": [{"characteristic": "2A35", "value_hex": with_pulse(401)}]}).refused
    assert (part.place, part.code) == ("/payloads/0/pulse", "out-of-range") and "400 per minute" in part.detail
    for pulse, wanted in ((400, 400), (0x07FF, None)):
        found = intended({"payloads": [{"characteristic": "2A35", "value_hex": with_pulse(pulse)}]})
        (keyed,) = found.sittings[0].readings
        assert not found.refused and (keyed.reading.pulse_per_min, keyed.reading.systolic_mmhg) == (wanted, 142)


def with_user(user: int, systolic: int = 142) -> str:
    return (b"\x08" + b"".join(n.to_bytes(2, "little") for n in (systolic, 80, 100)) + bytes([user])).hex()


def test_users_of_a_device_are_told_apart_or_refused() -> None:
    said = {"payloads": [{"characteristic": "2A35", "value_hex": with_user(user, 130 + user)} for user in (1, 2)]}
    found = intended(said)
    assert not found.sittings and [(part.place, part.code) for part in found.refused] == [
        ("/payloads/0/user_id", "several-users"),
        ("/payloads/1/user_id", "several-users"),
    ]
    other = Identifier(system="urn:example:mrn", value="p-0002")
    routed = intended(said, KnownDevice(users={2: other}))
    assert not routed.refused
    assert {one.subject.identifier.value: one.readings[0].reading.systolic_mmhg for one in routed.sittings} == {
        "p-0001": 131,
        "p-0002": 132,
    }
    assert len(intended({"payloads": [{"characteristic": "2A35", "value_hex": with_user(u)} for u in (1, 255)]}).sittings) == 2


def test_features_that_cannot_be_read_do_not_cost_the_reading() -> None:
    found = intended({"payloads": [{"characteristic": "2A35", "value_hex": FULL, "feature_hex": "1f"}]})
    assert len(found.sittings) == 1
    assert [(part.place, part.code) for part in found.refused] == [("/payloads/0/feature_hex", "truncated")]
