"""Payloads of devices as they really come, repeated, late, interleaved and with wrong clocks, against what was measured."""

from __future__ import annotations

import asyncio
import itertools
import random
from datetime import UTC, datetime, timedelta
from typing import Any

import msgspec
import pytest

from application.clinic import ARRIVED_AT, Clinic
from quietcuff.application import registries
from quietcuff.application.context import AppContext
from quietcuff.application.payloads import refused
from quietcuff.application.payloads.device_payloads import PayloadKind, ReceivedPayload, receive
from quietcuff.application.payloads.hl7v2 import receive_hl7v2
from quietcuff.application.payloads.readers import READERS
from quietcuff.application.payloads.repeats import ReceivedSets
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.registry import RegisteredDevice
from quietcuff.decode.payload import Intended
from quietcuff.storage.rows.tenants import Tenant

DEVICE = {"identifier": {"system": "urn:example:device", "value": "SN-0007"}}
LOCAL = datetime(2026, 5, 4, 9, 0, tzinfo=UTC).replace(tzinfo=None)


def value(systolic: int, at: datetime | None = None, *, user: int | None = None) -> str:
    """A measurement of 0x2A35, its own time, and its user, where there are any."""
    flags = 2 * (at is not None) | 8 * (user is not None)
    pressures = b"".join(number.to_bytes(2, "little") for number in (systolic, 80, 100))
    when = b"" if at is None else at.year.to_bytes(2, "little") + bytes([at.month, at.day, at.hour, at.minute, at.second])
    return (bytes([flags]) + pressures + when + (b"" if user is None else bytes([user]))).hex()


def body(*values: str | dict[str, Any], person: str = "p-0001", **more: Any) -> dict[str, Any]:
    listed = [one if isinstance(one, dict) else {"value_hex": one} for one in values]
    return {
        "subject": {"identifier": {"system": "urn:example:mrn", "value": person}},
        "device": DEVICE,
        "site": "left-upper-arm",
        "position": "sitting",
        "payloads": [{"characteristic": "2A35", **one} for one in listed],
        **more,
    }


async def send(clinic: Clinic, said: Any, key: str | None = None, kind: PayloadKind = "gatt") -> ReceivedSets:
    raw = said if isinstance(said, bytes) else msgspec.json.encode(said)
    payload = ReceivedPayload(kind=kind, media_type="application/json", body=raw)
    return await receive(clinic.desk, clinic.caller, payload, READERS[kind], key=key)


async def sets(clinic: Clinic) -> set[frozenset[int]]:
    """The systolic pressures of each set that is stored."""
    rows = await clinic.rows("SELECT set_id, systolic FROM reading ORDER BY set_id")
    return {
        frozenset(systolic // 100 for _, systolic in group)
        for _, group in itertools.groupby(rows, key=lambda row: bytes(row[0].bytes) if hasattr(row[0], "bytes") else row[0])
    }


@pytest.mark.parametrize("apart", [0, 1, 66, 599])
async def test_one_measurement_without_a_time_is_one_by_whichever_gateway_it_comes(clinic: Clinic, apart: int) -> None:
    first = await send(clinic, body(value(142)))
    clinic.clock.move(seconds=apart)
    again = await send(clinic, body(value(142), site="right-upper-arm"))
    received_at = (ARRIVED_AT + timedelta(seconds=apart)).isoformat()
    third = await send(clinic, body({"value_hex": value(142), "sequence": 7}, received_at=received_at))
    assert (first.changed, again.changed, third.changed) == (1, 0, 0) and again.replayed == third.replayed == 1
    assert await clinic.count("reading") == 1


async def test_an_equal_value_of_the_next_day_is_another_measurement_whatever_the_gateway_counts(clinic: Clinic) -> None:
    said = body({"value_hex": value(142), "sequence": 1})
    await send(clinic, said)
    clinic.clock.move(days=1)
    assert (await send(clinic, said)).changed == 1
    clinic.clock.move(minutes=11)
    assert (await send(clinic, said)).changed == 1
    assert await clinic.count("reading") == 3


async def test_equal_values_that_one_payload_counts_apart_are_two(clinic: Clinic) -> None:
    twice = [{"value_hex": value(142), "sequence": number} for number in (4, 5)]
    assert (await send(clinic, body(*twice))).replayed == 0 and await clinic.count("reading") == 2
    assert (await send(clinic, body(*twice))).replayed == 2 and await clinic.count("reading") == 2
    same = [{"value_hex": value(131), "sequence": 4}] * 2
    assert (await send(clinic, body(*same, person="p-0002"))).replayed == 1 and await clinic.count("reading") == 3


@pytest.mark.parametrize("seed", [1, 2, 3])
async def test_repeated_and_interleaved_values_are_what_was_measured(clinic: Clinic, seed: int) -> None:
    """Each measurement has a pressure of its own; it is sent by up to three gateways, within nine minutes, in any order."""
    rng = random.Random(seed)
    measured = {(person, 100 + number): rng.randrange(0, 7200) for number in range(25) for person in ("p-one", "p-two")}
    sendings = sorted(
        (second + rng.randrange(0, 540), person, systolic, rng.random() < 0.5)
        for (person, systolic), second in measured.items()
        for _ in range(rng.randint(1, 3))
    )
    start = clinic.clock.now
    for second, person, systolic, is_counted in sendings:
        clinic.clock.now = start + timedelta(seconds=second)
        one = {"value_hex": value(systolic), **({"sequence": rng.randrange(5)} if is_counted else {})}
        await send(clinic, body(one, person=person))
    rows = await clinic.rows("SELECT systolic, count(*) FROM reading GROUP BY systolic")
    assert {(systolic // 100, count) for systolic, count in rows} == {(systolic, 2) for _, systolic in measured}


@pytest.mark.parametrize("seed", range(6))
async def test_late_and_interleaved_readings_come_to_the_sets_of_the_right_order(clinic: Clinic, seed: int) -> None:
    """Sittings of up to half an hour, over half an hour apart: each is one set, in whatever order and parts they come."""
    rng = random.Random(seed)
    sittings, minute, systolic = [], 0, 100
    for _ in range(5):
        minute += rng.choice([35, 90, 200, 1500])
        count = rng.randint(1, 5)
        minutes = sorted(rng.sample(range(30), count))
        sittings.append([(systolic + place, LOCAL + timedelta(minutes=minute + own)) for place, own in enumerate(minutes)])
        systolic += count
        minute += 30
    late = (LOCAL + timedelta(days=9)).isoformat() + "Z"
    readings = [reading for one in sittings for reading in one]
    rng.shuffle(readings)
    while readings:
        some, readings = readings[: (part := rng.randint(1, 4))], readings[part:]
        await send(clinic, body(*(value(*reading) for reading in some), received_at=late))
        clinic.clock.move(minutes=rng.choice([0, 1, 20, 40]) if rng.random() < 0.3 else 0)
    expected = {
        frozenset(systolic for systolic, _ in day)
        for one in sittings
        for _, day in itertools.groupby(one, key=lambda reading: reading[1].date())
    }
    assert await sets(clinic) == {frozenset(group) for group in expected}


async def test_another_room_is_another_sitting(clinic: Clinic) -> None:
    rooms = [{"system": "urn:example:room", "value": number} for number in ("3", "4")]
    for systolic, room in ((120, rooms[0]), (121, rooms[1]), (122, rooms[0]), (123, rooms[1])):
        await send(clinic, body(value(systolic, LOCAL), location=room, received_at=LOCAL.isoformat() + "Z"))
    assert await sets(clinic) == {frozenset({120, 122}), frozenset({121, 123})}


async def test_a_second_user_of_a_cuff_never_comes_into_the_sitting_of_the_first(clinic: Clinic) -> None:
    await send(clinic, body(value(120, user=1)))
    clinic.clock.move(minutes=1)
    with pytest.raises(NotAcceptable) as caught:
        await send(clinic, body(value(170, user=2)))
    assert [(fault.code, fault.pointer) for fault in caught.value.faults] == [("several-users", "/payloads/0")]
    assert (await send(clinic, body(value(121, user=1)))).changed == 1
    known = {**DEVICE, "users": [{"user_id": 2, "subject": {"system": "urn:example:mrn", "value": "p-0002"}}]}
    await registries.save_device(clinic.desk, clinic.caller, msgspec.convert(known, RegisteredDevice), if_match=None)
    found = await send(clinic, body(value(170, user=2), value(122, user=1)))
    assert found.changed == 2
    assert await sets(clinic) == {frozenset({120, 121, 122}), frozenset({170})}


async def test_a_key_answers_as_it_did_the_first_time(clinic: Clinic) -> None:
    said = body(value(142))
    first = await send(clinic, said, "k-1")
    # The set moves on, the clock too; in another order and with nulls it is the same body.
    await send(clinic, body(value(150)))
    clinic.clock.move(days=3)
    reordered = {**dict(reversed(said.items())), "set": None, "closed": None}
    again = await send(clinic, reordered, "k-1")
    assert again.repeated and not first.repeated and again.body() == first.body() and again.changed == 1
    with pytest.raises(NotAcceptable) as caught:
        await send(clinic, body(value(160)), "k-1")
    (fault,) = caught.value.faults
    assert (fault.code, fault.header) == ("key-reused", "Idempotency-Key")
    row = await refused.read_refused(clinic.desk, clinic.caller, fault.refused_payload_id or "")
    assert row.code == "key-reused" and await clinic.count("reading") == 2
    clinic.clock.move(days=28)
    assert not (await send(clinic, said, "k-1")).repeated


async def test_twenty_twins_with_a_key_are_one(clinic: Clinic) -> None:
    found = await asyncio.gather(*(send(clinic, body(value(142)), "k-1") for _ in range(20)))
    assert len({one.body() for one in found}) == 1 and [one.repeated for one in found].count(False) == 1
    assert await clinic.count("reading") == 1


async def test_a_key_is_free_again_where_nothing_was_stored(clinic: Clinic) -> None:
    with pytest.raises(NotAcceptable):
        await send(clinic, body("00"), "k-1")
    assert (await send(clinic, body(value(142)), "k-1")).changed == 1


async def test_what_nobody_foresaw_is_kept_whatever_it_is(clinic: Clinic) -> None:
    async def fails(desk: AppContext, tenant: Tenant, raw: bytes) -> Intended:
        raise OverflowError("invented")

    payload = ReceivedPayload(kind="gatt", media_type="application/json", body=b"{}")
    with pytest.raises(NotAcceptable) as caught:
        await receive(clinic.desk, clinic.caller, payload, fails)
    (fault,) = caught.value.faults
    row = await refused.read_refused(clinic.desk, clinic.caller, fault.refused_payload_id or "")
    told = await refused.read_payload(clinic.desk, clinic.caller, row.payload_id)
    assert row.code == "unforeseen" and told.body_base64 == "e30="


async def test_what_cannot_be_stored_is_kept_and_fails_all_the_same(clinic: Clinic, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: Any) -> None:
        raise KeyError("invented")

    monkeypatch.setattr("quietcuff.application.payloads.device_payloads.join", fails)
    with pytest.raises(KeyError):
        await send(clinic, body(value(142)))
    assert await clinic.count("payload") == 1
    assert await clinic.rows("SELECT code FROM refused_payload") == [("unforeseen",)]
    monkeypatch.undo()
    assert (await send(clinic, body(value(142)))).changed == 1
    assert await clinic.rows("SELECT count(*) FROM refused_payload WHERE settled_at IS NULL") == [(0,)]


@pytest.mark.parametrize("year", [2000, 2024, 2040])
async def test_a_wrong_clock_stores_nothing_in_silence(clinic: Clinic, year: int) -> None:
    wrong = LOCAL.replace(year=year)
    said = body(value(142, wrong), value(143, LOCAL), received_at=LOCAL.isoformat() + "Z")
    found = await send(clinic, said)
    (part,) = found.refused
    assert (part.place, part.code) == ("/payloads/0/timestamp", "clock-implausible") and await clinic.count("reading") == 1
    seen = {"device_now": (wrong + timedelta(minutes=2)).isoformat(), "gateway_now": LOCAL.isoformat() + "Z"}
    await send(clinic, body(value(144, wrong), received_at=LOCAL.isoformat() + "Z", clock=seen))
    assert await clinic.count("reading") == 2


async def test_a_message_with_a_key_is_acknowledged_to_the_byte(clinic: Clinic) -> None:
    message = hl7("OBX|1|NM|8480-6^^LN|1|138|mm[Hg]|||||F", "OBX|2|NM|8462-4^^LN|1|86|mm[Hg]|||||F")
    first = await receive_hl7v2(clinic.desk, clinic.caller, message, key="k-1")
    clinic.clock.move(minutes=5)
    again = await receive_hl7v2(clinic.desk, clinic.caller, message, key="k-1")
    assert again.answers == first.answers and again.repeated and not first.repeated
    assert await clinic.count("reading") == 1


def hl7(*rows: str, at: str = "20260504090000+0200", sent: str = "20260504090200+0200", control: str = "W-1") -> bytes:
    head = rf"MSH|^~\&|VITALS|WESTWING|RECEIVER|REGION7|{sent}||ORU^R01^ORU_R01|{control}|P|2.5.1||||||UNICODE UTF-8"
    segments = [head, "PID|1||p-0001^^^WESTWING^MR", f"OBR|1|ORD-1|OBS-1|85354-9^^LN|||{at}", *rows]
    return "\r".join([*segments, ""]).encode()


SYSTOLIC, DIASTOLIC = "OBX|1|NM|8480-6^^LN|1|138|mm[Hg]|||||F", "OBX|2|NM|8462-4^^LN|1|86|mm[Hg]|||||F"


def pulse(rate: int, status: str = "F") -> str:
    return f"OBX|3|NM|8867-4^^LN|1|{rate}||||||{status}"


async def take(clinic: Clinic, *rows: str, **how: str) -> str:
    """Send a message; its verdict."""
    return (await receive_hl7v2(clinic.desk, clinic.caller, hl7(*rows, **how))).verdict


async def test_a_pulse_that_comes_later_is_added_once_and_another_is_refused(clinic: Clinic) -> None:
    assert await take(clinic, SYSTOLIC, DIASTOLIC) == "A"
    assert await take(clinic, pulse(72), control="W-2") == "A"
    assert await clinic.rows("SELECT systolic, pulse FROM reading") == [(13800, 7200)]
    assert await take(clinic, SYSTOLIC, DIASTOLIC, pulse(72), control="W-3") == "A"
    assert await take(clinic, pulse(75), control="W-4") == "E"
    assert await take(clinic, SYSTOLIC, DIASTOLIC, pulse(75), control="W-5") == "E"
    assert await clinic.rows("SELECT systolic, pulse FROM reading") == [(13800, 7200)]
    assert await take(clinic, pulse(75, "C"), control="W-6") == "A"
    # What was said before is known; what stands now was put right since.
    assert await take(clinic, pulse(72), control="W-7") == "A"
    assert await clinic.rows("SELECT systolic, pulse FROM reading") == [(13800, 7500)]


async def test_a_pulse_beside_pressures_that_are_stored_completes_them(clinic: Clinic) -> None:
    await take(clinic, SYSTOLIC, DIASTOLIC)
    assert await take(clinic, SYSTOLIC, DIASTOLIC, pulse(72), control="W-2") == "A"
    assert await clinic.rows("SELECT systolic, pulse FROM reading") == [(13800, 7200)]


@pytest.mark.parametrize("year", ["1990", "2000", "2040"])
async def test_a_message_with_a_wrong_clock_is_refused_and_kept(clinic: Clinic, year: str) -> None:
    wrong, right = f"{year}0504090000+0200", "20260504090000+0200"
    assert await take(clinic, SYSTOLIC, DIASTOLIC, at=wrong) == "E"
    assert await take(clinic, SYSTOLIC, DIASTOLIC, at=wrong, sent=wrong) == "E"
    assert await clinic.count("reading") == 0
    codes = await clinic.rows("SELECT DISTINCT code FROM refused_payload")
    assert codes == [("clock-implausible",)]
    assert await take(clinic, SYSTOLIC, DIASTOLIC, at=right) == "A" and await clinic.count("reading") == 1
    taken_back = SYSTOLIC[:-1] + "D"
    assert await take(clinic, taken_back, at=wrong, control="W-9") == "A"
