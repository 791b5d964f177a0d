"""A sitting of the wrong person is moved: taken back there and stored of the other, both or neither, each naming the other."""

from __future__ import annotations

import asyncio
import json
from typing import Any

import pytest

from application.clinic import Body, Clinic, first_visit, reading, sitting, told
from application.test_erasure import GOOD, gatt, payload
from quietcuff import application
from quietcuff.application.payloads import device_payloads
from quietcuff.application.payloads.readers import READERS
from quietcuff.core.model.errors import Conflict, NotAcceptable, VersionNotNamed, VersionStale

pytestmark = pytest.mark.partitions


async def now(clinic: Clinic, set_id: str) -> dict[str, Any]:
    return told(await application.read_set(clinic.desk, clinic.caller, set_id))


async def test_a_moved_set_is_voided_there_and_new_here(clinic: Clinic) -> None:
    stored = await clinic.receive(sitting(context={"rest_minutes": 5}))
    stored = await clinic.correct(stored, {"change": "void-reading", "index": 0})
    answer = await clinic.move(stored, birth_date="1960-02-01")
    new, old = told(answer), await now(clinic, stored.set_id)
    assert answer.created and new["id"] != old["id"] and new["subject_id"] != old["subject_id"]
    assert (old["status"], old["version"], old["reading_set"]["replaced_by"]) == ("voided", 3, new["id"])
    assert (new["status"], new["version"], new["reading_set"]["replaces"]) == ("active", 1, old["id"])
    assert new["reading_set"]["subject"]["identifier"]["value"] == "p-0002"
    assert new["reading_set"]["subject"]["birth_date"] == "1960-02-01", "not that of the first person"
    assert new["reading_set"]["identifier"] is None and "replaced_by" not in new["reading_set"]
    assert new["reading_set"]["readings"] == old["reading_set"]["readings"][1:], "what was voided stays behind"
    assert new["reading_set"]["context"]["rest_minutes"] == 5
    why = [
        json.loads((await application.read_versions(clinic.desk, clinic.caller, one)).decode())["items"][-1]
        for one in (old["id"], new["id"])
    ]
    assert [(one["cause"], one["reason"]) for one in why] == [
        ("voided", "measured on another patient"),
        ("created", "measured on another patient"),
    ]


async def test_what_is_measured_anew_is_what_would_have_been_stored(clinic: Clinic) -> None:
    """The evaluation is that of the same readings sent of the right person in the first place."""
    right = told(await clinic.receive(sitting(first_visit(), "p-0003", subject=subject("p-0003"))))
    wrong = await clinic.receive(sitting(first_visit()))
    moved = told(await clinic.move(wrong))
    assert moved["evaluation"]["result"] == right["evaluation"]["result"]
    assert moved["evaluation"]["categories"] == right["evaluation"]["categories"]


def subject(person: str) -> Body:
    return {"identifier": {"system": "urn:example:mrn", "value": person}}


async def test_both_or_neither(clinic: Clinic) -> None:
    stored = await clinic.receive(sitting())
    for if_match, error in (("*", VersionNotNamed), (frozenset([7]), VersionStale)):
        with pytest.raises(error):
            await clinic.move(stored, if_match=if_match)
    with pytest.raises(NotAcceptable) as same:
        await clinic.move(stored, "p-0001")
    assert [(fault.pointer, fault.code) for fault in same.value.faults] == [("/subject/identifier", "same-person")]
    with pytest.raises(NotAcceptable):
        await clinic.move(stored, birth_date="2026-05-05")
    assert (await now(clinic, stored.set_id))["status"] == "active" and await clinic.count("subject") == 1


async def test_a_move_that_comes_twice_is_one(clinic: Clinic) -> None:
    stored = await clinic.receive(sitting())
    twice = await asyncio.gather(*(clinic.move(stored, key="k-1") for _ in range(2)))
    assert twice[0].body == twice[1].body and sorted(answer.replayed for answer in twice) == [False, True]
    with pytest.raises(VersionStale):
        await clinic.move(stored)
    with pytest.raises(Conflict) as voided:
        await clinic.move(stored, if_match=frozenset([2]))
    assert voided.value.code == "set-voided"
    assert await clinic.count("reading_set") == 2


async def test_moves_to_and_fro_at_once_do_not_block_each_other(clinic: Clinic) -> None:
    sets = await asyncio.gather(*(clinic.receive(sitting(person=f"p-000{1 + n % 2}")) for n in range(8)))
    moved = await asyncio.gather(*(clinic.move(one, f"p-000{2 - n % 2}") for n, one in enumerate(sets)))
    assert len({answer.set_id for answer in moved}) == 8 and await clinic.count("reading_set") == 16


async def test_identifiers_of_readings_and_keys_of_payloads_move_along(clinic: Clinic) -> None:
    named = {**reading(0), "identifier": {"system": "urn:example:reading", "value": "n-1"}}
    moved = await clinic.move(await clinic.receive(sitting([named])))
    assert (await clinic.receive(sitting([named], "p-0002"))).body == moved.body
    again = await clinic.receive(sitting([named]))
    assert again.replayed and told(again)["status"] == "voided", "sent again of the wrong person it stays taken back"
    back = await clinic.move(moved, "p-0001")
    assert (await clinic.receive(sitting([named]))).body == back.body, "moved to and fro"
    await clinic.receive(sitting([named], "p-0003"))
    with pytest.raises(Conflict) as theirs:
        await clinic.move(back, "p-0003")
    assert theirs.value.code == "reading-elsewhere"
    sent = await device_payloads.receive(clinic.desk, clinic.caller, payload(gatt("p-0004", GOOD)), READERS["gatt"])
    (made,) = sent.sets
    await clinic.move(made, "p-0005")
    for person in ("p-0004", "p-0005"):
        known = await device_payloads.receive(clinic.desk, clinic.caller, payload(gatt(person, GOOD) + b" "), READERS["gatt"])
        assert known.replayed == 1


async def test_an_open_sitting_goes_on_with_the_other_person(clinic: Clinic) -> None:
    moved = await clinic.move(await clinic.receive(sitting([reading(0)], closed=False)))
    assert told(moved)["closed"] is False
    assert len(told(await clinic.append(moved, {"readings": [reading(1)]}))["reading_set"]["readings"]) == 2


async def test_only_the_service_says_what_replaced_a_set(clinic: Clinic) -> None:
    with pytest.raises(NotAcceptable) as refused:
        await clinic.receive(sitting(replaced_by="x"))
    assert [(fault.pointer, fault.code) for fault in refused.value.faults] == [("/replaced_by", "not-accepted-here")]
