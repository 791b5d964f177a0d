"""Corrections: applied together or not at all, each a version of its own, the earlier ones still readable."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from application.clinic import Clinic, evaluation_bytes, first_visit, reading, sitting, told
from bodies import OPENED_SET
from quietcuff import application
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.errors import Conflict, NotAcceptable, NotFound, VersionNotNamed, VersionStale
from quietcuff.core.model.readings import ReadingSet

pytestmark = pytest.mark.partitions

VOID_SET = {"change": "void-set"}
STANDS = "SELECT reading_index, version, status, pulse_version, counts FROM reading ORDER BY reading_index"


def amend(index: int, **values: Any) -> dict[str, Any]:
    return {"change": "amend-reading", "index": index, "set": values}


def amend_set(**values: Any) -> dict[str, Any]:
    return {"change": "amend-set", "set": values}


def void(index: int) -> dict[str, Any]:
    return {"change": "void-reading", "index": index}


async def test_everything_at_once(clinic: Clinic) -> None:
    answer = await clinic.receive(sitting())
    changes = (amend(2, systolic_mmhg=164), void(1), amend_set(context={"rest_minutes": 2}))
    author = {"system": "urn:example:staff", "value": "n-17"}
    corrected = told(await clinic.correct(answer, *changes, author=author))
    readings = corrected["reading_set"]["readings"]
    assert corrected["version"] == 2
    assert readings[2]["systolic_mmhg"] == 164
    assert [one["voided"] for one in readings] == [False, True, False, False]
    assert corrected["reading_set"]["context"]["rest_minutes"] == 2
    assert corrected["reading_set"]["context"]["sleeve"] == "bare"
    assert corrected["evaluation"]["readings"][1]["reason"] == "voided"
    assert corrected["evaluation"]["changed_because"] == ["reading-amended", "reading-voided", "context-changed"]


async def test_correcting_one_reading_moves_two_observations(clinic: Clinic) -> None:
    answer = await clinic.receive(sitting())
    before = await clinic.rows(STANDS)
    await clinic.correct(answer, amend(3, systolic_mmhg=142))
    after = await clinic.rows(STANDS)
    assert [one for one, other in zip(after, before, strict=True) if one != other] == [(3, 2, 3, None, True)]
    assert await clinic.rows("SELECT mean_version, mean_status, systolic FROM reading_set") == [(2, 3, 144)]
    assert (await clinic.rows("SELECT changed FROM set_version ORDER BY version"))[1] == ("r3 mean",)


async def test_a_pulse_moves_alone(clinic: Clinic) -> None:
    answer = await clinic.receive(sitting())
    await clinic.correct(answer, amend(0, pulse_per_min=75))
    assert (await clinic.rows(STANDS))[0][:4] == (0, 1, 1, 2)
    assert (await clinic.rows("SELECT changed FROM set_version ORDER BY version"))[1] == ("p0",)


async def test_evaluating_a_corrected_set_gives_the_stored_bytes(clinic: Clinic) -> None:
    answer = await clinic.receive(sitting())
    corrected = await clinic.correct(answer, amend(2, systolic_mmhg=164), void(3))
    said = msgspec.convert(told(corrected)["reading_set"], ReadingSet)
    assert msgspec.json.encode(evaluate(said, said.history, clinic.desk.rulebook)) == evaluation_bytes(corrected)


async def test_every_version_stays_as_it_was_answered(clinic: Clinic) -> None:
    answers = [await clinic.receive(OPENED_SET)]
    for minute in (1.2, 2.4, 3.6):
        clinic.clock.move(minutes=1)
        answers.append(await clinic.append(answers[-1], {"readings": [reading(minute, 150, 92)]}))
    answers.append(await clinic.append(answers[-1], {"closed": True}))
    answers.append(await clinic.correct(answers[-1], amend(2, systolic_mmhg=164)))
    answers.append(await clinic.correct(answers[-1], VOID_SET))
    set_id = answers[0].set_id
    found = [await application.read_version(clinic.desk, clinic.caller, set_id, number) for number in range(1, 8)]
    assert [one.body for one in found] == [one.body for one in answers]
    assert (await application.read_set(clinic.desk, clinic.caller, set_id)).body == answers[-1].body
    for number in (0, 8, -1, 10**12):
        with pytest.raises(NotFound):
            await application.read_version(clinic.desk, clinic.caller, set_id, number)


async def test_why_there_is_each_version(clinic: Clinic) -> None:
    answer = await clinic.receive(OPENED_SET)
    answer = await clinic.append(answer, {"closed": True})
    clinic.clock.move(minutes=5)
    author = {"system": "urn:example:staff", "value": "n|17"}
    await clinic.correct(answer, amend(0, systolic_mmhg=164), author=author)
    found = msgspec.json.decode(await application.read_versions(clinic.desk, clinic.caller, answer.set_id))
    assert [one["cause"] for one in found["items"]] == ["created", "closed", "corrected"]
    assert found["items"][2] == {
        "version": 3,
        "cause": "corrected",
        "created_at": "2026-05-04T07:08:31.120Z",
        "by": "key:ab12cd34",
        "author": author,
        "reason": "typing error",
        "rules_digest": clinic.desk.rulebook.digest,
        "payload_id": None,
    }
    assert found["items"][0]["author"] is None


async def test_a_field_set_to_null_is_removed(clinic: Clinic) -> None:
    answer = await clinic.receive(sitting())
    changes = (amend(0, pulse_per_min=None), amend_set(cuff=None, visit=None, context={"talking": None}))
    stored = told(await clinic.correct(answer, *changes))["reading_set"]
    assert stored["readings"][0]["pulse_per_min"] is None
    assert (stored["cuff"], stored["visit"], stored["context"]["talking"]) == (None, None, "not-recorded")
    assert (await clinic.rows(STANDS))[0][3] == 2


async def test_a_wrong_cuff_found_midway(clinic: Clinic) -> None:
    opened = await clinic.receive(sitting(closed=False))
    wrong = {"size": "small-adult", "range_cm": [20, 26], "mark_within_range": "no"}
    body = told(await clinic.correct(opened, amend_set(cuff=wrong)))
    assert body["closed"] is False
    assert body["closes_at"] == told(opened)["closes_at"]
    assert {one["reason"] for one in body["evaluation"]["readings"]} == {"wrong-cuff"}
    assert body["evaluation"]["changed_because"] == ["cuff-changed"]


async def test_facts_of_the_person_at_that_sitting(clinic: Clinic) -> None:
    answer = await clinic.receive(sitting())
    stored = told(await clinic.correct(answer, amend_set(subject={"birth_date": "1962-03-04", "sex": "male"})))
    assert stored["reading_set"]["subject"]["birth_date"] == "1962-03-04"
    assert stored["reading_set"]["intake"]["facts_differ"] == ["birth_date"]
    assert "subject-facts-differ" in [finding["code"] for finding in stored["evaluation"]["findings"]]
    known = await application.read_subject(clinic.desk, clinic.caller, stored["subject_id"])
    assert msgspec.json.decode(known.body)["birth_date"] == "1971-01-15"


@pytest.mark.parametrize(
    ("changes", "places"),
    [
        ([amend(9, systolic_mmhg=150)], [("/changes/0/index", "no-such-reading")]),
        ([amend(0, systolic_mmhg=142)], [("/changes", "nothing-to-change")]),
        ([amend_set()], [("/changes", "nothing-to-change")]),
        ([amend(0, systolic_mmhg=None)], [("/changes/0/set", "one-pressure-missing")]),
        ([void(1), amend(1, systolic_mmhg=150)], [("/changes/1/index", "reading-voided")]),
        ([amend_set(protocol="no-such")], [("/changes/0/set/protocol", "unknown-code")]),
        ([void(0), amend_set(guidelines=["x", "y"])],
         [("/changes/1/set/guidelines/0", "unknown-code"), ("/changes/1/set/guidelines/1", "unknown-code")]),
        ([amend(3, taken_at="2026-05-04T19:00:00+02:00")], [("/changes/0/set/taken_at", "sitting-over")]),
        ([amend(7, systolic_mmhg=150), void(8)],
         [("/changes/0/index", "no-such-reading"), ("/changes/1/index", "no-such-reading")]),
    ],
)  # fmt: skip
async def test_what_cannot_be_corrected_changes_nothing(
    clinic: Clinic, changes: list[dict[str, Any]], places: list[tuple[str, str]]
) -> None:
    answer = await clinic.receive(sitting())
    with pytest.raises(NotAcceptable) as refused:
        await clinic.correct(answer, *changes)
    assert [(fault.pointer, fault.code) for fault in refused.value.faults] == places
    assert (await application.read_set(clinic.desk, clinic.caller, answer.set_id)).body == answer.body
    assert await clinic.count("set_version") == 1


async def test_a_correction_is_for_a_version(clinic: Clinic) -> None:
    answer = await clinic.receive(sitting())
    with pytest.raises(VersionNotNamed):
        await clinic.correct(answer, void(0), if_match="*")
    with pytest.raises(VersionStale):
        await clinic.correct(answer, void(0), if_match=frozenset([2]))


async def test_a_set_that_was_taken_back_stays_so(clinic: Clinic) -> None:
    answer = await clinic.receive(sitting(closed=False))
    voided = await clinic.correct(answer, VOID_SET)
    body = told(voided)
    assert (body["status"], body["closed"], body["closes_at"]) == ("voided", True, None)
    assert {row[2] for row in await clinic.rows(STANDS)} == {4}
    assert await clinic.rows("SELECT mean_status, systolic FROM reading_set") == [(4, 145)]
    for change in (clinic.correct(voided, void(0)), clinic.reopen(voided), clinic.append(voided, {"closed": True})):
        with pytest.raises(Conflict) as conflict:
            await change
        assert conflict.value.code == "set-voided"


async def test_a_result_that_is_gone_leaves_a_mean_in_error_with_its_values(clinic: Clinic) -> None:
    answer = await clinic.receive(sitting())
    gone = await clinic.correct(answer, *(void(place) for place in range(len(first_visit()))))
    assert told(gone)["evaluation"]["result"] is None
    shown = "SELECT mean_version, mean_status, mean_from_version, systolic, diastolic, counted FROM reading_set"
    assert await clinic.rows(shown) == [(2, 4, 1, 145, 90, 2)]


async def test_a_set_moves_in_time_with_its_readings(clinic: Clinic) -> None:
    answer = await clinic.receive(sitting([reading(0), reading(1.2)]))
    moved = [amend(place, taken_at=f"2026-04-04T09:0{place}:00+02:00") for place in (0, 1)]
    await clinic.correct(answer, *moved)
    page = await application.list_sets(clinic.desk, clinic.caller, application.SetQuery())
    assert msgspec.json.decode(page.items)[0]["taken_from"] == "2026-04-04T09:00:00+02:00"
