"""Clinics that share a database never see each other, and their ids and digests tell nothing across."""

from __future__ import annotations

import asyncio

import msgspec
import pytest

from application.clinic import Clinic, open_clinic, reading, sitting, told
from bodies import OPENED_SET
from quietcuff import application
from quietcuff.core.model.changes import SubjectChange
from quietcuff.core.model.errors import NotAcceptable, NotFound
from quietcuff.core.model.readings import Identifier
from quietcuff.core.model.registry import RegisteredDevice
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.storage.engine.store import Store

pytestmark = pytest.mark.partitions

PERSON = Identifier(system="urn:example:mrn", value="p-0001")
DEVICE = RegisteredDevice(identifier=Identifier(system="urn:example:device", value="SN-0007"), validated="yes")


@pytest.fixture
async def other(store: Store, rulebook: Rulebook) -> Clinic:
    return await open_clinic(store, rulebook, name="another clinic")


async def test_another_clinics_set_is_not_found(clinic: Clinic, other: Clinic) -> None:
    answer = await clinic.receive(OPENED_SET)
    attempts = [
        application.read_set(other.desk, other.caller, answer.set_id),
        application.read_versions(other.desk, other.caller, answer.set_id),
        application.read_version(other.desk, other.caller, answer.set_id, 1),
        other.append(answer, {"readings": [reading(1.2)]}),
        other.correct(answer, {"change": "void-set"}),
        other.reopen(answer),
    ]
    for attempt in attempts:
        with pytest.raises(NotFound):
            await attempt
    with pytest.raises(NotAcceptable):
        await other.receive(sitting(replaces=answer.set_id))
    page = await application.list_sets(other.desk, other.caller, application.SetQuery())
    assert page.items == b"[]"


async def test_the_same_person_is_another_id_with_another_history(clinic: Clinic, other: Clinic) -> None:
    here = told(await clinic.receive(sitting()))
    there = told(await other.receive(sitting(visit=None)))
    assert here["subject_id"] != there["subject_id"]
    assert there["reading_set"]["history"]["sittings"] == []
    with pytest.raises(NotFound):
        await application.read_subject(other.desk, other.caller, here["subject_id"])


async def test_what_one_clinic_knows_the_other_does_not(clinic: Clinic, other: Clinic) -> None:
    known = msgspec.convert({"identifier": PERSON, "sex": "female"}, SubjectChange, from_attributes=True)
    await application.save_subject(clinic.desk, clinic.caller, known, if_match=None)
    record = await application.save_device(clinic.desk, clinic.caller, DEVICE, if_match=None)
    with pytest.raises(NotFound):
        await application.find_subject(other.desk, other.caller, PERSON)
    with pytest.raises(NotFound):
        await application.read_device(other.desk, other.caller, record.id)
    stored = told(await other.receive(sitting()))["reading_set"]
    assert (stored["subject"]["sex"], stored["intake"]["device_registered"]) == (None, "no")


async def test_one_key_and_one_identifier_in_two_clinics_are_two_sets(clinic: Clinic, other: Clinic) -> None:
    body = sitting()
    answers = await asyncio.gather(clinic.receive(body, key="k-1"), other.receive(body, key="k-1"))
    assert [answer.replayed for answer in answers] == [False, False]
    assert answers[0].set_id != answers[1].set_id


async def test_clinics_in_one_group_keep_to_their_own(clinic: Clinic, other: Clinic) -> None:
    bodies = [sitting(person=f"p-{number}") for number in range(16)]
    clinics = [clinic, other] * 8
    answers = await asyncio.gather(*(one.receive(body) for one, body in zip(clinics, bodies, strict=True)))
    for one in (clinic, other):
        page = await application.list_sets(one.desk, one.caller, application.SetQuery())
        mine = {answer.set_id for answer, owner in zip(answers, clinics, strict=True) if owner is one}
        assert {item["id"] for item in msgspec.json.decode(page.items)} == mine


async def test_the_sweep_goes_through_every_clinic(clinic: Clinic, other: Clinic) -> None:
    for one in (clinic, other):
        await one.receive(OPENED_SET)
    clinic.clock.move(hours=2)
    assert await application.close_idle_sets(clinic.desk) == 2


async def test_nothing_readable_stands_in_claims_and_trail(clinic: Clinic) -> None:
    await clinic.receive(sitting(person="p-0815"), key="visit-0815")
    for table in ("claim", "trail"):
        found = repr(await clinic.rows(f"SELECT * FROM {table}"))
        assert not any(secret in found for secret in ("p-0815", "visit-0815"))
