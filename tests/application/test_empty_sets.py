"""A set that is opened before its first reading: prepared, fed, closed by the service, taken back; on both databases."""

from __future__ import annotations

from typing import Any

import pytest

from application.clinic import Clinic, left, sitting, told
from quietcuff import application
from quietcuff.core.model.errors import NotAcceptable


def empty(**more: Any) -> dict[str, Any]:
    """An open set without readings."""
    return sitting([], closed=False, **more)


async def test_an_empty_open_set_says_what_to_prepare(clinic: Clinic) -> None:
    body = told(await clinic.receive(empty()))
    evaluation = body["evaluation"]
    assert (body["closed"], evaluation["state"], evaluation["result"]) == (False, "in-progress", None)
    assert evaluation["preparation"]["arms"] == ["left-upper-arm", "right-upper-arm"]
    assert evaluation["preparation"]["readings"] == evaluation["plan"]["remaining"] == 4
    assert evaluation["next_step"]["reason"]


async def test_the_first_reading_ends_the_preparation_and_gives_what_one_post_gives(clinic: Clinic) -> None:
    opened = await clinic.receive(empty())
    fed = told(await clinic.append(opened, {"readings": [left(0)]}))["evaluation"]
    whole = told(await clinic.receive(sitting([left(0)], closed=False, person="p-0002")))["evaluation"]
    assert fed["preparation"] is None
    assert {name for name, value in whole.items() if fed[name] != value} == {"changed_because"}


async def test_a_closed_set_without_readings_is_refused(clinic: Clinic) -> None:
    with pytest.raises(NotAcceptable) as refusal:
        await clinic.receive(sitting([], closed=True))
    assert [(fault.pointer, fault.code) for fault in refusal.value.faults] == [("/readings", "too-few")]
    opened = await clinic.receive(empty())
    with pytest.raises(NotAcceptable) as refusal:
        await clinic.append(opened, {"closed": True})
    assert [(fault.pointer, fault.code) for fault in refusal.value.faults] == [("/readings", "too-few")]


async def test_a_set_in_which_nothing_arrives_is_closed_as_not_usable(clinic: Clinic) -> None:
    opened = await clinic.receive(empty())
    clinic.clock.move(minutes=61)
    assert await application.close_idle_sets(clinic.desk) == 1
    stored = told(await application.read_set(clinic.desk, clinic.caller, opened.set_id))
    assert (stored["closed"], stored["evaluation"]["state"]) == (True, "not-usable")
    assert stored["evaluation"]["preparation"] is None


async def test_an_empty_set_may_be_taken_back(clinic: Clinic) -> None:
    opened = await clinic.receive(empty())
    body = told(await clinic.correct(opened, {"change": "void-set"}))
    assert (body["status"], body["closed"]) == ("voided", True)
