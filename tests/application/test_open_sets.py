"""A sitting fed reading by reading: appended to, closed, closed by the service, opened again."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from application.clinic import Clinic, first_visit, left, reading, sitting, told
from bodies import OPENED_SET
from quietcuff import application
from quietcuff.core.model.errors import Conflict, NotAcceptable, NotFound, VersionNotNamed, VersionStale


async def feed(clinic: Clinic) -> Any:
    """The first visit of ``sitting``, one reading at a time."""
    first, *others = first_visit()
    answer = await clinic.receive(sitting([first], closed=False))
    for one in others:
        answer = await clinic.append(answer, {"readings": [one]}, if_match=frozenset([answer.version]))
    return await clinic.append(answer, {"closed": True})


async def test_reading_by_reading_gives_what_one_post_gives(clinic: Clinic) -> None:
    whole = told(await clinic.receive(sitting(person="p-0002")))
    fed = told(await feed(clinic))
    assert fed["version"] == 5
    assert fed["closed"] is True
    differing = {name for name, value in whole["evaluation"].items() if fed["evaluation"][name] != value}
    assert differing == {"changed_because"}
    assert fed["evaluation"]["changed_because"] == ["closed"]


async def test_each_answer_carries_the_next_step(clinic: Clinic) -> None:
    opened = await clinic.receive(sitting([left(0)], closed=False))
    assert told(opened)["evaluation"]["next_step"]["action"] == "measure-other-arm"
    body = told(await clinic.append(opened, {"readings": [reading(1.2, 150, 92)], "context": {"acute_symptoms": "no"}}))
    assert body["evaluation"]["next_step"]["action"] == "take-reading"
    assert body["evaluation"]["changed_because"] == ["reading-appended", "context-changed"]
    assert body["reading_set"]["context"]["acute_symptoms"] == "no"
    assert body["reading_set"]["context"]["rest_minutes"] == 5


async def test_cuff_and_device_are_of_the_readings_sent_with_them(clinic: Clinic) -> None:
    opened = await clinic.receive(OPENED_SET)
    large = {"size": "large-adult", "range_cm": [35, 44]}
    change = {"readings": [reading(1.2), {**reading(2.4), "cuff": {"size": "small"}}], "cuff": large}
    stored = told(await clinic.append(opened, change))["reading_set"]
    sizes = [one["cuff"] and one["cuff"]["size"] for one in stored["readings"]]
    assert sizes == [None, "large-adult", "small"]
    assert stored["cuff"]["size"] == "adult"


async def test_places_never_move(clinic: Clinic) -> None:
    opened = await clinic.receive(sitting([reading(5)], closed=False))
    body = told(await clinic.append(opened, {"readings": [reading(3), reading(7)]}))
    taken = [one["taken_at"][14:16] for one in body["reading_set"]["readings"]]
    assert taken == ["05", "03", "07"]
    assert [one["index"] for one in body["evaluation"]["readings"]] == [0, 1, 2]
    assert body["reading_set"]["history"]["as_of"] == "2026-05-04T09:03:00+02:00"


@pytest.mark.parametrize(
    ("if_match", "error"),
    [(None, VersionNotNamed), (frozenset([7]), VersionStale), (frozenset(), VersionStale)],
)
async def test_an_append_is_for_a_version(clinic: Clinic, if_match: Any, error: type[Exception]) -> None:
    opened = await clinic.receive(OPENED_SET)
    with pytest.raises(error):
        await clinic.append(opened, {"readings": [reading(1.2)]}, if_match=if_match)
    listed = frozenset([7, 1])
    assert (await clinic.append(opened, {"readings": [reading(1.2)]}, if_match=listed)).version == 2


async def test_a_stale_version_is_told_the_newest(clinic: Clinic) -> None:
    opened = await clinic.receive(OPENED_SET)
    await clinic.append(opened, {"readings": [reading(1.2)]})
    with pytest.raises(VersionStale) as stale:
        await clinic.append(opened, {"readings": [reading(2.4)]}, if_match=frozenset([1]))
    assert stale.value.newest == 2


async def test_of_two_at_once_for_one_version_one_is_stale(clinic: Clinic) -> None:
    opened = await clinic.receive(OPENED_SET)
    changes = [{"readings": [reading(minute)]} for minute in (1.2, 1.3)]
    answers = await asyncio.gather(
        *(clinic.append(opened, change, if_match=frozenset([1])) for change in changes), return_exceptions=True
    )
    assert sorted(type(answer).__name__ for answer in answers) == ["Answer", "VersionStale"]
    assert len(told(await application.read_set(clinic.desk, clinic.caller, opened.set_id))["reading_set"]["readings"]) == 2


async def test_many_at_once_for_any_version_all_arrive(clinic: Clinic) -> None:
    opened = await clinic.receive(sitting([left(0)], closed=False))
    await asyncio.gather(*(clinic.append(opened, {"readings": [reading(minute)]}) for minute in range(1, 21)))
    found = await application.read_set(clinic.desk, clinic.caller, opened.set_id)
    assert found.version == 21
    assert len({one["taken_at"] for one in told(found)["reading_set"]["readings"]}) == 21


@pytest.mark.parametrize(
    ("body", "place"),
    [
        ({}, ("/readings", "too-few")),
        ({"readings": [reading(1)] * 300}, ("/readings", "too-many")),
        ({"readings": [{**reading(1), "voided": True}]}, ("/readings/0/voided", "not-accepted-here")),
    ],
)
async def test_what_cannot_be_appended(clinic: Clinic, body: dict[str, Any], place: tuple[str, str]) -> None:
    opened = await clinic.receive(OPENED_SET)
    with pytest.raises(NotAcceptable) as refused:
        await clinic.append(opened, body)
    assert [(fault.pointer, fault.code) for fault in refused.value.faults] == [place]


@pytest.mark.parametrize("late", [reading(300), reading(24 * 60)])
async def test_a_sitting_that_is_over_is_a_conflict(clinic: Clinic, late: dict[str, Any]) -> None:
    opened = await clinic.receive(OPENED_SET)
    with pytest.raises(Conflict) as conflict:
        await clinic.append(opened, {"readings": [late]})
    assert (conflict.value.code, conflict.value.set_id) == ("sitting-over", opened.set_id)
    assert await clinic.count("set_version") == 1


async def test_a_closed_set_takes_nothing_more(clinic: Clinic) -> None:
    closed = await clinic.receive(sitting())
    with pytest.raises(Conflict) as conflict:
        await clinic.append(closed, {"readings": [reading(4)]})
    assert (conflict.value.code, conflict.value.set_id) == ("set-closed", closed.set_id)


@pytest.mark.parametrize("set_id", ["019df237-3e80-7cda-ae6c-acc0e2b83dda", "no-such-set"])
async def test_a_set_that_is_not_there(clinic: Clinic, set_id: str) -> None:
    with pytest.raises(NotFound):
        await clinic.append(set_id, {"closed": True})
    with pytest.raises(NotFound):
        await application.read_set(clinic.desk, clinic.caller, set_id)
    with pytest.raises(NotFound):
        await application.read_versions(clinic.desk, clinic.caller, set_id)


async def test_an_idle_set_is_closed_an_hour_after_the_last_arrival(clinic: Clinic) -> None:
    opened = await clinic.receive(sitting([left(0)], closed=False))
    clinic.clock.move(minutes=59)
    assert await application.close_idle_sets(clinic.desk) == 0
    await clinic.append(opened, {"readings": [reading(1.2)]})
    clinic.clock.move(minutes=60)
    assert await application.close_idle_sets(clinic.desk) == 0
    clinic.clock.move(seconds=1)
    assert await application.close_idle_sets(clinic.desk) == 1
    found = told(await application.read_set(clinic.desk, clinic.caller, opened.set_id))
    assert (found["closed"], found["closes_at"], found["version"]) == (True, None, 3)
    assert found["reading_set"]["closed"] is True
    assert found["reading_set"]["intake"]["closed_by_timeout"] is True
    assert "closed-by-timeout" in [finding["code"] for finding in found["evaluation"]["findings"]]
    assert found["evaluation"]["changed_because"] == ["closed-by-timeout"]
    assert await application.close_idle_sets(clinic.desk) == 0
    assert (await clinic.rows("SELECT actor FROM trail ORDER BY position DESC"))[0] == ("service",)


async def test_yesterdays_memory_one_reading_at_a_time_is_one_set(clinic: Clinic) -> None:
    clinic.clock.move(days=1)
    yesterday = [left(0), reading(1.2, 150, 92), reading(2.4, 146, 90), reading(3.6, 144, 90)]
    opened = await clinic.receive(sitting(yesterday[:1], closed=False))
    for one in yesterday[1:]:
        clinic.clock.move(minutes=20)
        assert await application.close_idle_sets(clinic.desk) == 0
        await clinic.append(opened, {"readings": [one]})
    closes_at = told(await application.read_set(clinic.desk, clinic.caller, opened.set_id))["closes_at"]
    assert closes_at == "2026-05-05T09:03:31.120Z"
    clinic.clock.move(minutes=61)
    assert await application.close_idle_sets(clinic.desk) == 1
    assert await clinic.count("reading_set") == 1


async def test_sweeps_at_once_close_each_set_once(clinic: Clinic) -> None:
    for number in range(10):
        await clinic.receive(sitting([left(0)], person=f"p-{number}", closed=False))
    clinic.clock.move(hours=2)
    closed = await asyncio.gather(*(application.close_idle_sets(clinic.desk) for _ in range(3)))
    while (more := await application.close_idle_sets(clinic.desk)) > 0:
        closed.append(more)
    assert sum(closed) == 10
    assert await clinic.count("set_version") == 20


async def test_a_set_is_opened_again_within_a_day(clinic: Clinic) -> None:
    closed = await clinic.receive(sitting())
    clinic.clock.move(hours=24)
    opened = await clinic.reopen(closed)
    body = told(opened)
    assert (body["closed"], body["version"], body["reading_set"]["closed"]) == (False, 2, False)
    assert body["closes_at"] == "2026-05-05T08:03:31.120Z"
    assert body["evaluation"]["changed_because"] == ["reopened"]
    again = await clinic.append(opened, {"readings": [reading(4, 148, 90)], "closed": True})
    assert told(again)["evaluation"]["result"]["systolic_mmhg"] == 146


async def test_what_cannot_be_opened_again(clinic: Clinic) -> None:
    opened = await clinic.receive(OPENED_SET)
    with pytest.raises(Conflict, match="open") as conflict:
        await clinic.reopen(opened)
    assert conflict.value.code == "set-open"
    closed = await clinic.receive(sitting())
    with pytest.raises(VersionNotNamed):
        await clinic.reopen(closed, if_match="*")
    clinic.clock.move(hours=24, seconds=1)
    with pytest.raises(Conflict) as conflict:
        await clinic.reopen(closed)
    assert conflict.value.code == "reopen-too-late"


async def test_a_set_closed_by_the_service_and_opened_again_was_not_timed_out(clinic: Clinic) -> None:
    opened = await clinic.receive(sitting([left(0)], closed=False))
    clinic.clock.move(hours=2)
    await application.close_idle_sets(clinic.desk)
    again = await clinic.reopen(opened, if_match=frozenset([2]))
    assert told(again)["reading_set"]["intake"]["closed_by_timeout"] is False


async def test_the_mean_stays_as_last_closed_while_a_set_is_open_again(clinic: Clinic) -> None:
    mean = "SELECT mean_version, mean_from_version, systolic FROM reading_set"
    closed = await clinic.receive(sitting())
    opened = await clinic.reopen(closed)
    assert await clinic.rows(mean) == [(1, 1, 145)]
    more = await clinic.append(opened, {"readings": [reading(4, 160, 90)]})
    assert await clinic.rows(mean) == [(1, 1, 145)]
    await clinic.append(more, {"closed": True})
    assert (await clinic.rows(mean))[0][:2] == (2, 4)
