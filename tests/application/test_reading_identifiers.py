"""A reading with an identifier of its own is one reading of one person, by whichever gateway it comes."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from application.clinic import Body, Clinic, reading, sitting, told
from bodies import OPENED_SET
from quietcuff.core.model.errors import Conflict, NotAcceptable


def named(number: int, body: Body, **more: Any) -> Body:
    return {**body, "identifier": {"system": "urn:example:reading", "value": f"n-{number}"}, **more}


def opened(*readings: Body, person: str = "p-0001", **more: Any) -> Body:
    return sitting(list(readings), person, closed=False, **more)


ONE, TWO, THREE = (named(n, reading(n, 150 - n, 92)) for n in (1, 2, 3))


async def test_a_reading_without_one_is_written_as_before(clinic: Clinic) -> None:
    """So that what was stored and what it is known by stay as they are."""
    answer = told(await clinic.receive({**OPENED_SET, "readings": [reading(0, identifier=None)]}))
    assert "identifier" not in answer["reading_set"]["readings"][0] and "replaced_by" not in answer["reading_set"]
    found = told(await clinic.receive(opened(ONE)))
    assert found["reading_set"]["readings"][0]["identifier"] == ONE["identifier"]


async def test_two_gateways_that_append_one_reading_make_one(clinic: Clinic) -> None:
    first = await clinic.receive(opened(ONE))
    second = await clinic.append(first, {"readings": [TWO]}, key="gateway-a")
    again = await clinic.append(first, {"readings": [TWO]}, frozenset([first.version]), key="gateway-b")
    assert (again.body, again.replayed) == (second.body, True)
    # Known ones beside a new one: only that is added, and what is wrong with it is told at its own place.
    third = await clinic.append(first, {"readings": [ONE, TWO, THREE], "closed": True})
    assert [one["identifier"]["value"] for one in told(third)["reading_set"]["readings"]] == ["n-1", "n-2", "n-3"]
    assert (await clinic.append(first, {"readings": [THREE], "closed": True})).body == third.body
    assert await clinic.count("reading") == 3


async def test_a_fault_is_told_at_the_place_that_was_sent(clinic: Clinic) -> None:
    first = await clinic.receive(opened(ONE))
    alone = named(2, reading(2, 150, None))
    with pytest.raises(NotAcceptable) as refused:
        await clinic.append(first, {"readings": [ONE, alone]})
    assert [fault.pointer for fault in refused.value.faults] == ["/readings/1/diastolic_mmhg"]


async def test_two_gateways_that_post_one_sitting_make_one(clinic: Clinic) -> None:
    answers = await asyncio.gather(*(clinic.receive(opened(ONE, TWO)) for _ in range(4)))
    assert len({answer.set_id for answer in answers}) == 1 == await clinic.count("reading_set")
    assert sorted(answer.replayed for answer in answers) == [False, True, True, True]
    later = await clinic.append(answers[0], {"readings": [THREE]})
    assert (await clinic.receive(opened(TWO))).body == later.body, "the set as it stands"


async def test_other_values_are_refused_and_each_field_is_named(clinic: Clinic) -> None:
    first = await clinic.receive(opened(ONE))
    other = {**ONE, "systolic_mmhg": 120, "pulse_per_min": 70}
    for send in (clinic.receive(opened(other)), clinic.append(first, {"readings": [TWO, other]})):
        with pytest.raises(Conflict) as refused:
            await send
        assert (refused.value.code, refused.value.set_id) == ("reading-differs", first.set_id)
        assert [pointer.split("/")[-1] for pointer in refused.value.pointers] == ["systolic_mmhg", "pulse_per_min"]
    assert "amend-reading" in refused.value.detail and refused.value.pointers[0].startswith("/readings/1/")
    assert await clinic.count("reading") == 1


async def test_what_a_sender_leaves_out_contradicts_nothing(clinic: Clinic) -> None:
    full = named(1, reading(1, 150, 92, pulse_per_min=70, cuff={"size": "adult", "range_cm": [22, 32]}))
    first = await clinic.receive(opened(full))
    less = {name: value for name, value in full.items() if name not in ("pulse_per_min", "cuff", "method")}
    assert (await clinic.receive(opened(less))).body == first.body
    assert (await clinic.append(first, {"readings": [less], "cuff": {"size": "adult"}})).replayed
    with pytest.raises(Conflict) as refused:
        await clinic.append(first, {"readings": [less], "cuff": {"size": "large adult"}})
    assert refused.value.pointers == ("/readings/0/cuff/size",)
    with pytest.raises(Conflict):
        await clinic.append(first, {"readings": [{**less, "systolic_mmhg": None, "diastolic_mmhg": None}]})


async def test_a_reading_is_in_one_set(clinic: Clinic) -> None:
    first = await clinic.receive(opened(ONE))
    other = await clinic.receive(opened(TWO))
    for send in (
        clinic.receive(opened(ONE, TWO)),
        clinic.receive(opened(ONE, THREE)),
        clinic.append(other, {"readings": [ONE]}),
    ):
        with pytest.raises(Conflict) as refused:
            await send
        assert (refused.value.code, refused.value.set_id) == ("reading-elsewhere", first.set_id)
    assert await clinic.count("reading") == 2


async def test_an_identifier_is_of_one_person(clinic: Clinic) -> None:
    first = await clinic.receive(opened(ONE))
    other = await clinic.receive(opened({**ONE, "systolic_mmhg": 120}, person="p-0002"))
    assert not other.replayed and first.set_id != other.set_id


async def test_twice_in_one_body_is_refused(clinic: Clinic) -> None:
    first = await clinic.receive(opened(ONE))
    twin = {**THREE, "identifier": TWO["identifier"]}
    with pytest.raises(NotAcceptable) as refused:
        await clinic.append(first, {"readings": [ONE, TWO, twin]})
    assert [(fault.pointer, fault.code) for fault in refused.value.faults] == [("/readings/2/identifier", "named-twice")]
    with pytest.raises(NotAcceptable):
        await clinic.receive(opened(TWO, twin))


async def test_what_was_taken_back_or_put_right_does_not_come_back(clinic: Clinic) -> None:
    first = await clinic.receive(opened(ONE, TWO))
    amended = await clinic.correct(
        first, {"change": "amend-reading", "index": 0, "set": {"systolic_mmhg": 140}}, {"change": "void-reading", "index": 1}
    )
    assert (await clinic.append(first, {"readings": [ONE, TWO]})).body == amended.body
    voided = await clinic.correct(amended, {"change": "void-set"})
    assert (await clinic.receive(opened(ONE, TWO))).body == voided.body
    replacing = await clinic.receive(opened({**ONE, "systolic_mmhg": 141}, TWO, replaces=first.set_id))
    assert not replacing.replayed and await clinic.count("reading_set") == 2
    again = await clinic.append(replacing, {"readings": [{**ONE, "systolic_mmhg": 141}]})
    assert again.replayed and again.set_id == replacing.set_id
