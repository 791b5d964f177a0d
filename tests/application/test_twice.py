"""The same request twice: done once, answered twice with the same bytes."""

from __future__ import annotations

import asyncio
from datetime import timedelta

import pytest

from application.clinic import Body, Clinic, open_clinic, reading, sitting, told
from bodies import OPENED_SET
from quietcuff.application import Answer
from quietcuff.core.model.errors import Conflict, NotAcceptable, VersionStale
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.storage.engine.store import open_store
from quietcuff.storage.rows.claims import KEY_KEPT

ONE_READING = {"readings": [reading(1.2, 150, 92)]}


async def test_the_same_key_and_body_are_answered_alike(clinic: Clinic) -> None:
    body = sitting(identifier=None)
    first = await clinic.receive(body, key="k-1")
    clinic.clock.move(hours=5)
    again = await clinic.receive(body, key="k-1")
    assert again.body == first.body
    assert (first.replayed, again.replayed, again.created) == (False, True, True)
    assert await clinic.count("reading_set") == 1


async def test_how_the_body_is_written_does_not_matter(clinic: Clinic) -> None:
    first = await clinic.receive({**OPENED_SET, "readings": [reading(0, 142, 88)]}, key="k-1")
    written_otherwise = {**dict(reversed(OPENED_SET.items())), "readings": [reading(0, 142.0, 88.00)], "protocol": None}
    assert (await clinic.receive(written_otherwise, key="k-1")).body == first.body


async def test_a_key_with_another_body_is_refused(clinic: Clinic) -> None:
    await clinic.receive(sitting(), key="k-1")
    with pytest.raises(NotAcceptable) as refused:
        await clinic.receive(sitting(), key="k-1")
    assert [(fault.header, fault.code) for fault in refused.value.faults] == [("Idempotency-Key", "key-reused")]
    assert await clinic.count("reading_set") == 1


async def test_a_key_of_one_route_is_not_one_of_another(clinic: Clinic) -> None:
    opened = await clinic.receive(OPENED_SET, key="k-1")
    with pytest.raises(NotAcceptable):
        await clinic.append(opened, ONE_READING, key="k-1")
    other = await clinic.receive({**OPENED_SET, "identifier": None})
    await clinic.append(opened, ONE_READING, key="k-2")
    with pytest.raises(NotAcceptable):
        await clinic.append(other, ONE_READING, key="k-2")


async def test_the_identifier_alone_makes_a_retry_harmless(clinic: Clinic) -> None:
    body = sitting()
    first = await clinic.receive(body)
    clinic.clock.move(days=400)
    for key in (None, "k-9"):
        again = await clinic.receive(body, key=key)
        assert (again.body, again.replayed) == (first.body, True)


async def test_an_identifier_with_another_body_is_taken(clinic: Clinic) -> None:
    body = sitting()
    first = await clinic.receive(body)
    with pytest.raises(Conflict) as taken:
        await clinic.receive({**body, "closed": False})
    assert (taken.value.code, taken.value.set_id) == ("identifier-taken", first.set_id)
    await clinic.correct(first, {"change": "void-set"})
    with pytest.raises(Conflict):
        await clinic.receive({**body, "closed": False})


async def test_a_key_is_free_again_after_thirty_days(clinic: Clinic) -> None:
    await clinic.receive(sitting(identifier=None), key="k-1")
    clinic.clock.now += KEY_KEPT + timedelta(seconds=1)
    assert not (await clinic.receive(sitting(identifier=None), key="k-1")).replayed
    assert await clinic.count("reading_set") == 2


async def test_only_success_is_remembered(clinic: Clinic) -> None:
    with pytest.raises(NotAcceptable):
        await clinic.receive(sitting(protocol="no-such"), key="k-1")
    assert not (await clinic.receive(sitting(), key="k-1")).replayed


async def test_an_append_sent_twice_with_the_old_version(clinic: Clinic) -> None:
    opened = await clinic.receive(OPENED_SET)
    first = await clinic.append(opened, ONE_READING, if_match=frozenset([1]), key="k-2")
    again = await clinic.append(opened, ONE_READING, if_match=frozenset([1]), key="k-2")
    assert again.body == first.body
    assert (again.version, again.replayed, again.created) == (2, True, False)
    assert len(told(again)["reading_set"]["readings"]) == 2
    with pytest.raises(VersionStale):
        await clinic.append(opened, ONE_READING, if_match=frozenset([1]), key="k-3")


async def test_a_retry_is_answered_though_the_set_has_moved_on(clinic: Clinic) -> None:
    opened = await clinic.receive(OPENED_SET)
    first = await clinic.append(opened, ONE_READING, key="k-2")
    await clinic.append(opened, {"readings": [reading(2.5)], "closed": True})
    assert (await clinic.append(opened, ONE_READING, key="k-2")).body == first.body


@pytest.mark.parametrize("how", ["key", "identifier"])
async def test_twenty_twins_at_once_are_one_set(clinic: Clinic, how: str) -> None:
    body = sitting(identifier=None) if how == "key" else sitting()
    key = "k-1" if how == "key" else None
    answers = await asyncio.gather(*(clinic.receive(body, key=key) for _ in range(20)))
    assert len({answer.body for answer in answers}) == 1
    assert sum(not answer.replayed for answer in answers) == 1
    assert await clinic.count("reading_set") == 1
    assert await clinic.count("reading") == 4


@pytest.mark.parametrize("is_known", [True, False])
async def test_twins_in_several_processes_are_one_set(postgresql_url: str, rulebook: Rulebook, is_known: bool) -> None:
    stores = [open_store(postgresql_url) for _ in range(4)]
    clinics = [await open_clinic(store, rulebook) for store in stores]
    if is_known:
        await clinics[0].receive(sitting())
    body = sitting()
    answers = await asyncio.gather(*(clinic.receive(body, key="k-1") for clinic in clinics for _ in range(5)))
    assert len({answer.body for answer in answers}) == 1
    assert await clinics[0].count("reading_set") == 1 + is_known
    for store in stores:
        await store.close()


async def test_one_identifier_for_two_people_at_once_is_one_set(clinic: Clinic) -> None:
    bodies = [sitting(person=f"p-{number:04}", identifier={"system": "urn:v", "value": "v-1"}) for number in range(5)]
    others = [sitting(person=f"q-{number:04}") for number in range(5)]
    answers = await asyncio.gather(*(clinic.receive(body) for body in bodies + others), return_exceptions=True)
    first = next(answer for answer in answers[:5] if isinstance(answer, Answer))
    refused = [answer for answer in answers[:5] if isinstance(answer, Conflict)]
    assert [(conflict.code, conflict.set_id) for conflict in refused] == [("identifier-taken", first.set_id)] * 4
    assert all(isinstance(answer, Answer) for answer in answers[5:])
    assert await clinic.count("reading_set") == await clinic.count("claim") == await clinic.count("subject") == 6


@pytest.mark.parametrize(("how", "refusal"), [("key", "NotAcceptable"), ("identifier", "Conflict")])
async def test_one_claim_for_two_people_in_two_processes_is_one_set(
    postgresql_url: str, rulebook: Rulebook, how: str, refusal: str
) -> None:
    stores = [open_store(postgresql_url) for _ in range(2)]
    clinics = [await open_clinic(store, rulebook) for store in stores]
    for round_number in range(10):
        pairs = zip(clinics, ("p-0001", "p-0002"), strict=True)
        answers = await asyncio.gather(
            *(clinic.receive(*claiming(person, how, round_number)) for clinic, person in pairs), return_exceptions=True
        )
        assert sorted(type(answer).__name__ for answer in answers) == ["Answer", refusal]
    assert await clinics[0].count("reading_set") == 10
    for store in stores:
        await store.close()


def claiming(person: str, how: str, number: int) -> tuple[Body, str | None]:
    """A person's sitting with its key, where that or the identifier is everybody's."""
    if how == "key":
        return sitting(person=person), f"k-{number}"
    return sitting(person=person, identifier={"system": "urn:v", "value": f"v-{number}"}), None
