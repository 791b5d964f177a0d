"""What an invented clinic measures, told in every format by several senders, repeated, late and in any order: once each.

Each sitting is up to half an hour long and over half an hour from the next of its person and device. The model is the list of
what was measured; nothing of the service is used to make it.
"""

from __future__ import annotations

import random
from collections import defaultdict
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

import msgspec
import pytest

from application.clinic import Clinic
from quietcuff.application import registries
from quietcuff.application.payloads.device_payloads import PayloadKind, ReceivedPayload, receive
from quietcuff.application.payloads.hl7v2 import receive_hl7v2
from quietcuff.application.payloads.readers import READERS
from quietcuff.core.model.errors import Conflict
from quietcuff.core.model.readings import Identifier
from quietcuff.core.model.registry import RegisteredDevice
from quietcuff.storage.engine.ids import subject_id

PEOPLE, DEVICES = "urn:oid:2.999.41", "urn:oid:2.999.7"
# Users of the shared cuff, and by how much the clock of each device is fast.
SHARED = {1: "p-1", 2: "p-2"}
FAST = {"SN-1": timedelta(), "SN-2": timedelta(days=-3650, seconds=17), "SN-shared": timedelta(hours=2)}
START = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
FORMATS = ("gatt", "gatt", "hl7v2", "fhir", "fhir-nameless", "sitting")


class Measured(NamedTuple):
    """One measurement: who, with what, when, the systolic pressure (of this one alone) and in which sitting."""

    person: str
    device: str
    at: datetime
    systolic: int
    sitting: int


def measure(rng: random.Random) -> list[Measured]:
    """A week of an invented clinic. A shared cuff is used by one person after the other."""
    found: list[Measured] = []
    for day in range(3):
        for device, people in (("SN-1", ["p-1"]), ("SN-2", ["p-3"]), ("SN-shared", ["p-1", "p-2", "p-1", "p-2"])):
            at = START + timedelta(days=day)
            for person in people:
                sitting = len(found)
                seconds = sorted(rng.sample(range(0, 1790, 45), rng.randint(1, 4)))
                found += [
                    Measured(person, device, at + timedelta(seconds=one), 100 + len(found) + place, sitting)
                    for place, one in enumerate(seconds)
                ]
                at += timedelta(minutes=rng.choice([65, 100, 140]))
    return found


def named(system: str, value: str) -> dict[str, Any]:
    return {"identifier": {"system": system, "value": value}}


def gatt(some: list[Measured], rng: random.Random) -> bytes:
    """Values of one device by one of two gateways; of a shared cuff with their users, whoever the payload is of."""
    device, values = some[0].device, []
    for one in some:
        own = one.at + FAST[device]
        user = next((number for number, person in SHARED.items() if person == one.person), 1) if device == "SN-shared" else None
        numbers = b"".join(number.to_bytes(2, "little") for number in (one.systolic, 80, 95))
        when = own.year.to_bytes(2, "little") + bytes([own.month, own.day, own.hour, own.minute, own.second])
        raw = bytes([2 | 8 * (user is not None)]) + numbers + when + (b"" if user is None else bytes([user]))
        values.append({"characteristic": "2A35", "value_hex": raw.hex(), "sequence": rng.randrange(9)})
    said = {
        "subject": named(PEOPLE, some[0].person),
        "device": named(DEVICES, device),
        "site": "left-upper-arm",
        "position": "sitting",
        "received_at": (START + timedelta(days=4)).isoformat(),
        "clock": {
            "device_now": (START + timedelta(days=4) + FAST[device]).replace(tzinfo=None).isoformat(),
            "gateway_now": (START + timedelta(days=4)).isoformat(),
        },
        "payloads": values,
    }
    return msgspec.json.encode(said)


def hl7v2(one: Measured, system: str, rng: random.Random) -> bytes:
    """One reading by one of two clinic systems, which number their reports each in its own way."""
    at = f"{one.at:%Y%m%d%H%M%S}+0000"
    rows = [
        f"OBX|{row}|NM|{code}^^LN|1|{value}|mm[Hg]|||||F|||{at}||||{one.device}^^2.999.7^ISO"
        for row, code, value in ((1, "8480-6", one.systolic), (2, "8462-4", 80))
    ]
    sent = f"{START + timedelta(days=4):%Y%m%d%H%M%S}+0000"
    head = rf"MSH|^~\&|{system}|WESTWING|RECEIVER|REGION7|{sent}||ORU^R01^ORU_R01|C{rng.randrange(10**9)}|P|2.5.1"
    people = ["PID|1||" + one.person + "^^^&2.999.41&ISO^MR", f"OBR|1||{system}-{one.systolic}|85354-9^^LN|||{at}"]
    return "\r".join([head, *people, *rows, ""]).encode()


def fhir(some: list[Measured], system: str | None) -> bytes:
    """A Bundle; with identifiers of its own system, or with none."""
    entries = []
    for one in some:
        parts = [
            {
                "code": {"coding": [{"system": "http://loinc.org", "code": code}]},
                "valueQuantity": {"value": value, "system": "http://unitsofmeasure.org", "code": "mm[Hg]"},
            }
            for code, value in (("8480-6", one.systolic), ("8462-4", 80))
        ]
        resource = {
            "resourceType": "Observation",
            "status": "final",
            "code": {"coding": [{"system": "http://loinc.org", "code": "85354-9"}]},
            "subject": named(PEOPLE, one.person),
            "device": named(DEVICES, one.device),
            "effectiveDateTime": one.at.isoformat(),
            "component": parts,
        }
        if system is not None:
            resource["identifier"] = [{"system": system, "value": f"o-{one.systolic}"}]
        entries.append({"resource": resource})
    return msgspec.json.encode({"resourceType": "Bundle", "type": "collection", "entry": entries})


def sitting(some: list[Measured]) -> dict[str, Any]:
    """A sitting as our own JSON, still open, under the name that every program which posts it gives it."""
    return {
        "identifier": {"system": "urn:example:visit", "value": f"v-{some[0].sitting}"},
        "subject": named(PEOPLE, some[0].person),
        "setting": "office",
        "attendance": "attended",
        "device": named(DEVICES, some[0].device),
        "closed": False,
        "readings": [
            {
                "taken_at": one.at.isoformat(),
                "systolic_mmhg": one.systolic,
                "diastolic_mmhg": 80,
                "site": "left-upper-arm",
                "position": "sitting",
            }
            for one in some
        ],
    }


class Senders:
    """Everybody who sends, with the bodies sent so far, which may come again under the same key or another."""

    def __init__(self, clinic: Clinic, rng: random.Random, measured: list[Measured]) -> None:
        self.clinic, self.rng, self.measured = clinic, rng, measured
        self.sent: list[tuple[PayloadKind, bytes, str | None]] = []
        self.conflicts = 0

    async def payload(self, kind: PayloadKind, body: bytes, key: str | None) -> None:
        self.sent.append((kind, body, key))
        if kind == "hl7v2":
            assert (await receive_hl7v2(self.clinic.desk, self.clinic.caller, body, key=key)).verdict == "A"
            return
        payload = ReceivedPayload(kind=kind, media_type="application/json", body=body)
        found = await receive(self.clinic.desk, self.clinic.caller, payload, READERS[kind], key=key)
        assert found.refused == []

    async def tell(self, one: Measured, way: str) -> None:
        """Tell a measurement in one way, perhaps with others of its device."""
        key = f"k-{len(self.sent)}" if self.rng.random() < 0.5 else None
        if way == "sitting":
            return await self.tell_sitting(one)
        beside = [other for other in self.measured if other.device == one.device and other != one]
        some = [one, *self.rng.sample(beside, self.rng.randint(0, 3))]
        self.rng.shuffle(some)
        if way == "gatt":
            await self.payload("gatt", gatt(some, self.rng), key)
        elif way == "hl7v2":
            await self.payload("hl7v2", hl7v2(one, self.rng.choice(["VITALS", "WARD"]), self.rng), key)
        else:
            system = None if way == "fhir-nameless" else self.rng.choice(["urn:example:hub-a", "urn:example:hub-b"])
            await self.payload("fhir", fhir(some, system), key)
        return None

    async def tell_sitting(self, one: Measured) -> None:
        """Post the whole sitting. Where a part of it came as payloads the sender is told, and stores nothing."""
        try:
            await self.clinic.receive(sitting([other for other in self.measured if other.sitting == one.sitting]))
        except Conflict as conflict:
            assert conflict.code == "reading-elsewhere"
            self.conflicts += 1

    async def again(self) -> None:
        """Send something once more, as it was; its key may have been lost on the way."""
        kind, body, key = self.rng.choice(self.sent)
        await self.payload(kind, body, self.rng.choice([key, None]))


async def register_shared(clinic: Clinic) -> None:
    users = [{"user_id": number, "subject": {"system": PEOPLE, "value": person}} for number, person in SHARED.items()]
    device = msgspec.convert({**named(DEVICES, "SN-shared"), "users": users}, RegisteredDevice)
    await registries.save_device(clinic.desk, clinic.caller, device, if_match=None)


async def stored(clinic: Clinic) -> set[tuple[str, frozenset[int]]]:
    """Each set that is stored: whose it is, and when and what was measured. None may stand in it twice."""
    rows = await clinic.rows("SELECT subject_id, set_id, taken_at, systolic FROM reading")
    groups: dict[tuple[str, str], list[tuple[str, int]]] = defaultdict(list)
    for person, set_id, taken_at, systolic in rows:
        groups[as_hex(person), as_hex(set_id)].append((str(taken_at), systolic))
    assert all(len(group) == len(set(group)) for group in groups.values())
    systolic = [value for group in groups.values() for _, value in group]
    assert len(systolic) == len(set(systolic)), "a measurement is stored twice"
    return {(person, frozenset(value // 100 for _, value in group)) for (person, _), group in groups.items()}


def identifier(person: str) -> Identifier:
    return Identifier(system=PEOPLE, value=person)


def as_hex(value: Any) -> str:
    return value.hex if hasattr(value, "bytes") else bytes(value).hex()


@pytest.mark.parametrize("seed", range(4))
async def test_each_measurement_is_stored_once_for_its_person_in_its_sitting(clinic: Clinic, seed: int) -> None:
    rng = random.Random(seed)
    clinic.clock.now = START + timedelta(days=4)
    measured = measure(rng)
    await register_shared(clinic)
    senders = Senders(clinic, rng, measured)
    tellings = [(one, rng.choice(FORMATS)) for one in measured for _ in range(rng.randint(0, 3))]
    # Everything is told at least once as a payload: what is told as a sitting alone may have been refused.
    tellings += [(one, rng.choice(FORMATS[:-1])) for one in measured]
    rng.shuffle(tellings)
    for one, way in tellings:
        await senders.tell(one, way)
        if senders.sent and rng.random() < 0.3:
            await senders.again()
        clinic.clock.move(seconds=rng.choice([0, 1, 9]))
    expected: dict[tuple[str, int], set[int]] = defaultdict(set)
    for one in measured:
        expected[subject_id(clinic.tenant.secret, identifier(one.person)).hex, one.sitting].add(one.systolic)
    assert await stored(clinic) == {(person, frozenset(group)) for (person, _), group in expected.items()}
    assert await clinic.count("refused_payload") == 0
