"""What a sitting is evaluated with: closed, not voided sets of the person that were taken earlier, in any order of arrival."""

from __future__ import annotations

import itertools
from typing import Any

import pytest

from application.clinic import Body, Clinic, evaluation_bytes, first_visit, on_day, open_clinic, reading, sitting, told
from quietcuff import application
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.storage.engine.store import Store

DAYS = ("2026-02-02", "2026-03-02", "2026-04-02")


def visit_on(day: str, person: str = "p-0001", **more: Any) -> Body:
    return sitting(on_day(first_visit(), day), person=person, **{"visit": None, "guidelines": None, **more})


def days_of(answer: application.Answer) -> list[str]:
    return [one["taken_from"][:10] for one in told(answer)["reading_set"]["history"]["sittings"]]


async def test_the_second_visit_knows_of_the_first(clinic: Clinic) -> None:
    first = told(await clinic.receive(visit_on(DAYS[0])))
    second = told(await clinic.receive(visit_on(DAYS[1])))
    assert [one["evaluation"]["chosen"]["visit"] for one in (first, second)] == ["first", "follow-up"]
    history = second["reading_set"]["history"]
    assert history["pairs"] == [{"day": DAYS[0], "systolic_difference_mmhg": 8, "diastolic_difference_mmhg": 4}]
    [known] = history["sittings"]
    assert (known["systolic_mmhg"], known["diastolic_mmhg"], known["readings_counted"]) == (145, 90, 2)
    assert (known["site"], known["setting"], known["value_rule"]) == ("right-upper-arm", "office", "last-two")


@pytest.mark.parametrize("order", list(itertools.permutations(range(3)))[:3] + [(2, 1, 0)])
async def test_imports_in_any_order_see_what_was_taken_earlier(clinic: Clinic, order: tuple[int, ...]) -> None:
    arrived: list[int] = []
    for number in order:
        answer = await clinic.receive(visit_on(DAYS[number]))
        arrived.append(number)
        assert days_of(answer) == [DAYS[earlier] for earlier in sorted(arrived) if earlier < number]


async def test_what_is_known_decides_and_not_the_order(store: Store, rulebook: Rulebook) -> None:
    """A set's evaluation follows from the set and the earlier ones that were there, whenever later ones arrived."""
    seen: dict[tuple[int, frozenset[int]], set[bytes]] = {}
    for order in ((0, 1, 2), (2, 0, 1), (1, 0, 2)):
        clinic = await open_clinic(store, rulebook, name=f"clinic {order}")
        arrived: set[int] = set()
        for number in order:
            answer = await clinic.receive(visit_on(DAYS[number]))
            earlier = frozenset(one for one in arrived if one < number)
            seen.setdefault((number, earlier), set()).add(evaluation_bytes(answer))
            arrived.add(number)
    assert all(len(evaluations) == 1 for evaluations in seen.values())
    assert len(seen[0, frozenset()]) == 1
    assert {len(earlier) for number, earlier in seen if number == 2} == {0, 2}


async def test_a_later_arrival_changes_nothing_that_is_stored(clinic: Clinic) -> None:
    late = await clinic.receive(visit_on(DAYS[2]))
    await clinic.receive(visit_on(DAYS[0]))
    assert (await application.read_set(clinic.desk, clinic.caller, late.set_id)).body == late.body


async def test_a_new_version_says_that_the_history_changed(clinic: Clinic) -> None:
    late = await clinic.receive(visit_on(DAYS[2]))
    assert told(late)["evaluation"]["chosen"]["visit"] == "first"
    await clinic.receive(visit_on(DAYS[0]))
    change = {"change": "amend-reading", "index": 0, "set": {"pulse_per_min": 80}}
    corrected = await clinic.correct(late, change)
    assert days_of(corrected) == [DAYS[0]]
    assert told(corrected)["evaluation"]["chosen"]["visit"] == "follow-up"
    assert told(corrected)["evaluation"]["changed_because"] == ["reading-amended", "history-changed"]


async def test_open_and_voided_sets_are_not_history(clinic: Clinic) -> None:
    voided = await clinic.receive(visit_on(DAYS[0]))
    await clinic.correct(voided, {"change": "void-set"})
    opened = await clinic.receive(visit_on(DAYS[1], closed=False))
    assert days_of(await clinic.receive(visit_on(DAYS[2]))) == []
    await clinic.append(opened, {"closed": True})
    assert days_of(await clinic.receive(visit_on("2026-04-03"))) == [DAYS[1], DAYS[2]]


async def test_a_set_is_never_its_own_history(clinic: Clinic) -> None:
    answer = await clinic.receive(visit_on(DAYS[1]))
    moved = [
        {"change": "amend-reading", "index": place, "set": {"taken_at": f"2026-04-10T09:0{place}:00+02:00"}}
        for place in range(4)
    ]
    assert days_of(await clinic.correct(answer, *moved)) == []


async def test_another_person_is_not_history(clinic: Clinic) -> None:
    await clinic.receive(visit_on(DAYS[0], person="p-0002"))
    assert days_of(await clinic.receive(visit_on(DAYS[1]))) == []


async def test_the_newest_sixty_are_known(clinic: Clinic) -> None:
    days = [f"2026-{month:02}-{day:02}" for month in (1, 2, 3) for day in range(1, 23)][:63]
    for day in days:
        await clinic.receive(sitting(on_day([reading(0), reading(1.2)], day), visit="follow-up"))
    assert days_of(await clinic.receive(visit_on(DAYS[2]))) == days[3:]


async def test_a_mean_that_does_not_come_out_even_is_remembered(clinic: Clinic) -> None:
    uneven = [reading(0, 141, 88), reading(1.2, 142, 88), reading(2.4, 142, 89)]
    await clinic.receive(sitting(on_day(uneven, DAYS[0]), protocol="office-esc-2024", visit="follow-up"))
    assert len(days_of(await clinic.receive(visit_on(DAYS[1])))) == 1
