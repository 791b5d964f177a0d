"""Sittings that wait together are stored as one list: the same rows as one after the other, and none harms its neighbours."""

from __future__ import annotations

import asyncio
from typing import Any

from application.clinic import Body, Clinic, left, on_day, open_clinic, reading, sitting, told
from quietcuff.application import Answer
from quietcuff.core.model.errors import Conflict, NotAcceptable
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.storage.engine.store import Store

MONITOR = {"identifier": {"system": "urn:example:device", "value": "m-1"}, "model": "invented"}


def visit(person: int, day: int, **more: Any) -> Body:
    readings = on_day([left(0, 140 + person, 85), reading(1, 150, 92), reading(2, 146, 90)], f"2026-05-{day:02}")
    return sitting(readings, f"p-{person:04}", device=MONITOR, **more)


def named(person: int, day: int) -> Body:
    return visit(person, day, identifier={"system": "urn:example:visit", "value": f"{person}-{day}"})


async def together(clinic: Clinic, bodies: list[Body]) -> list[Any]:
    # Known before, so that the sittings join the queue in this order.
    await clinic.desk.tenants.get(clinic.tenant.tenant_id)
    return await asyncio.gather(*(clinic.receive(body) for body in bodies), return_exceptions=True)


async def test_a_list_is_stored_as_its_sittings_would_be_one_by_one(store: Store, rulebook: Rulebook) -> None:
    bodies = [named(person, day) for day in (5, 6, 7) for person in range(12)]
    clinic, other = await open_clinic(store, rulebook), await open_clinic(store, rulebook, "other")
    listed = await together(clinic, bodies)
    alone = [await other.receive(body) for body in bodies]
    assert [told(answer)["evaluation"] for answer in listed] == [told(answer)["evaluation"] for answer in alone]
    assert [told(answer)["reading_set"] for answer in listed] == [told(answer)["reading_set"] for answer in alone]
    for table in ("subject", "device", "reading_set", "reading", "set_version", "claim", "trail"):
        counted = [
            await one.rows(f"SELECT count(*) FROM {table} WHERE tenant_id = {one.tenant.tenant_id}") for one in (clinic, other)
        ]
        assert counted[0] == counted[1] != [(0,)]


async def test_a_persons_sittings_in_one_list_see_each_other(store: Store, rulebook: Rulebook) -> None:
    clinic = await open_clinic(store, rulebook)
    answers = await together(clinic, [visit(1, day) for day in (1, 2, 3, 4)] + [visit(2, 4)])
    known = [len(told(answer)["reading_set"]["history"]["sittings"]) for answer in answers]
    assert known == [0, 1, 2, 3, 0]


async def test_a_repeat_in_the_same_list_is_answered_as_one(store: Store, rulebook: Rulebook) -> None:
    clinic = await open_clinic(store, rulebook)
    answers = await together(clinic, [named(1, 1), named(2, 1), named(1, 1), named(2, 1)])
    assert [answer.replayed for answer in answers] == [False, False, True, True]
    assert [answer.set_id for answer in answers[:2]] == [answer.set_id for answer in answers[2:]]
    assert await clinic.count("reading_set") == 2


async def test_one_refused_sitting_harms_none_of_its_list(store: Store, rulebook: Rulebook) -> None:
    clinic = await open_clinic(store, rulebook)
    await clinic.receive(named(7, 1))
    taken = visit(8, 1, identifier=named(7, 1)["identifier"])
    wrong = visit(9, 1, replaces="01890000-0000-7000-8000-000000000000")
    answers = await together(clinic, [*(visit(person, 1) for person in range(5)), taken, wrong])
    assert [type(answer) for answer in answers] == [Answer] * 5 + [Conflict, NotAcceptable]
    assert await clinic.count("reading_set") == 6
    assert await clinic.count("subject") == 6


async def test_one_identifier_for_two_people_in_one_list_is_a_conflict_of_the_second(store: Store, rulebook: Rulebook) -> None:
    clinic = await open_clinic(store, rulebook)
    same = {"system": "urn:example:visit", "value": "twice"}
    answers = await together(clinic, [visit(person, 1, identifier=same) for person in (1, 2)] + [visit(3, 1)])
    assert sorted(type(answer).__name__ for answer in answers) == ["Answer", "Answer", "Conflict"]
    assert isinstance(answers[2], Answer)
    assert await clinic.count("reading_set") == 2


async def test_a_new_device_of_many_sittings_has_one_row(store: Store, rulebook: Rulebook) -> None:
    clinic = await open_clinic(store, rulebook)
    await together(clinic, [visit(person, 1) for person in range(10)])
    assert await clinic.rows("SELECT version, registered FROM device") in ([(1, 0)], [(1, False)])
