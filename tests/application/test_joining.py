"""Payloads that add, correct and take back at once, in every mixture: what is stored is what was said, or is refused."""

from __future__ import annotations

import random
from typing import Any

import msgspec
import pytest

from application.clinic import Clinic, reading
from quietcuff import application
from quietcuff.application.payloads import device_payloads
from quietcuff.core.model.readings import Device, Identifier, Reading, Subject
from quietcuff.decode.payload import Act, IncomingReading, Intended, IntendedSitting
from quietcuff.storage.engine.ids import keyed_digest
from quietcuff.storage.schema.codes import CAUSE, REASON

PEOPLE, DEVICES, KEYS = ("p-one", "p-two"), ("d-one", None), 16
# By person and key: every systolic pressure that was said, the newest last, and whether it was taken back.
Said = dict[tuple[str, str], tuple[list[float], bool]]


def keyed(rng: random.Random, said: Said, person: str, place: int) -> tuple[IncomingReading, str]:
    """One thing that a sender says of a key, most often fitting what it said before; and the key."""
    number = rng.randrange(KEYS)
    # No two keys share a moment: a correction under an unknown key would be of the one reading that stands there.
    key, minute = f"k-{number}", number + KEYS * rng.randrange(3)
    acts: list[Act] = ["add", "add", "correct", "retract"] if (person, key) in said else ["add"] * 6 + ["correct", "retract"]
    act = rng.choice(acts)
    before, _ = said.get((person, key), ([], False))
    systolic = rng.choice(before) if act == "add" and before and rng.random() < 0.7 else float(rng.randrange(120, 160))
    measured = msgspec.convert(reading(minute, systolic, 80), Reading)
    return IncomingReading(place=f"/{place}", source_key=f"{person}-{key}", reading=measured, act=act), key


def told(said: Said, person: str, key: str, one: IncomingReading) -> str | None:
    """Put into the model what one word of a payload means; the code with which it is refused, where it is."""
    at, systolic = (person, key), one.reading.systolic_mmhg or 0.0
    if at not in said:
        if one.act == "retract":
            return "no-such-reading"
        said[at] = ([systolic], False)
        return None
    values, is_voided = said[at]
    if one.act == "add":
        return None if systolic in values else "differs-from-stored"
    if not is_voided:
        said[at] = (values, True) if one.act == "retract" else ([*values, systolic], False)
    return None


async def stored(clinic: Clinic) -> dict[tuple[str, str], tuple[float, bool]]:
    """What each key says now, by person."""
    keys = {
        keyed_digest(clinic.tenant.secret, b"source", f"{person}-k-{number}".encode()): (person, f"k-{number}")
        for person in PEOPLE
        for number in range(KEYS)
    }
    rows = await clinic.rows("SELECT source_key, systolic, reason FROM reading WHERE source_key IS NOT NULL")
    voided = REASON.number("voided")
    assert len(rows) == len({key for key, _, _ in rows}), "a key is stored twice"
    return {keys[bytes(key)]: (systolic / 100, reason == voided) for key, systolic, reason in rows}


@pytest.mark.parametrize("seed", [1, 2, 3])
async def test_what_is_stored_is_what_was_said(clinic: Clinic, seed: int) -> None:
    rng = random.Random(seed)
    said: Said = {}
    for number in range(60):
        sittings, expected = [], {}
        for person in rng.sample(PEOPLE, rng.randint(1, 2)):
            words: dict[str, IncomingReading] = {}
            for place in range(rng.randint(1, 5)):
                one, key = keyed(rng, said, person, place=len(expected) * 10 + place)
                # Of one key a payload speaks once here; the last word of several is tested elsewhere.
                words.setdefault(key, one)
            device = rng.choice(DEVICES)
            for key, one in words.items():
                expected[one.place] = told(said, person, key, one)
            sittings.append(sitting_of(person, device, list(words.values())))
        payload = device_payloads.ReceivedPayload(
            kind="fhir", media_type="application/fhir+json", body=f"{seed} {number}".encode()
        )
        found = await device_payloads.store(
            clinic.desk, clinic.caller, clinic.tenant, payload, Intended(sittings=sittings, refused=[])
        )
        assert {part.place: part.code for part in found.refused} == {place: code for place, code in expected.items() if code}
        assert await stored(clinic) == {key: (values[-1], is_voided) for key, (values, is_voided) in said.items()}
        clinic.clock.move(minutes=rng.choice([1, 1, 1, 30, 90]))
        if rng.random() < 0.3:
            await application.close_idle_sets(clinic.desk)
    links = await clinic.rows("SELECT count(*) FROM payload_link")
    by_payloads = await clinic.rows(f"SELECT count(*) FROM set_version WHERE cause <> {CAUSE.number('timed-out')}")
    assert links == by_payloads, "each version that came of a payload is linked with it"


def sitting_of(person: str, device: str | None, readings: list[IncomingReading]) -> IntendedSitting:
    identified: Any = None if device is None else Device(identifier=Identifier(system="urn:example:device", value=device))
    subject = Subject(identifier=Identifier(system="urn:example:mrn", value=person))
    return IntendedSitting(subject=subject, device=identified, readings=readings)
