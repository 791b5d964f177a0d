"""A sitting is evaluated and stored: the envelope, what is filled in, and what is refused."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from application.clinic import Clinic, evaluation_bytes, first_visit, on_day, reading, sitting, told
from bodies import OPENED_SET, RICH_SET
from quietcuff import application
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.readings import ReadingSet


def places(refused: pytest.ExceptionInfo[NotAcceptable]) -> list[tuple[str | None, str]]:
    return [(fault.pointer, fault.code) for fault in refused.value.faults]


async def test_the_envelope_of_an_open_set(clinic: Clinic) -> None:
    answer = await clinic.receive(OPENED_SET)
    envelope = told(answer)
    assert list(envelope) == [
        "id", "version", "status", "closed", "closes_at", "subject_id", "created_at", "updated_at", "reading_set",
        "evaluation",
    ]  # fmt: skip
    assert envelope["id"] == answer.set_id
    assert (envelope["version"], envelope["status"], envelope["closed"]) == (1, "active", False)
    assert envelope["closes_at"] == "2026-05-04T08:03:31.120Z"
    assert envelope["created_at"] == envelope["updated_at"] == "2026-05-04T07:03:31.120Z"
    assert envelope["evaluation"]["state"] == "in-progress"
    assert (answer.created, answer.replayed, answer.version) == (True, False, 1)


async def test_a_closed_set_closes_no_more(clinic: Clinic) -> None:
    envelope = told(await clinic.receive(sitting()))
    assert (envelope["closed"], envelope["closes_at"]) == (True, None)
    assert envelope["evaluation"]["result"]["systolic_mmhg"] == 145


async def test_the_service_says_what_it_knew(clinic: Clinic) -> None:
    stored = told(await clinic.receive(OPENED_SET))["reading_set"]
    knew = {
        "received_at": "2026-05-04T07:03:31.120000Z",
        "closed_by_timeout": False,
        "device_registered": "no",
        "facts_differ": [],
        "changes": [],
        "default_guidelines": None,
    }
    assert {name: stored["intake"][name] for name in knew} == knew
    assert stored["history"] == {
        "as_of": "2026-05-04T09:00:00+02:00", "pairs": [], "treatment_changed_on": None, "sittings": []
    }  # fmt: skip


async def test_evaluating_what_was_stored_gives_the_stored_bytes(clinic: Clinic) -> None:
    rich = {name: value for name, value in RICH_SET.items() if name not in ("identifier", "history", "intake")}
    days = ["2026-03-02", "2026-04-02"]
    bodies = [sitting(on_day(first_visit(), day), visit=None) for day in days] + [sitting(), rich, OPENED_SET]
    for body in bodies:
        answer = await clinic.receive(body)
        said = msgspec.convert(told(answer)["reading_set"], ReadingSet)
        again = evaluate(said, said.history, clinic.desk.rulebook)
        assert msgspec.json.encode(again) == evaluation_bytes(answer)


async def test_what_the_caller_left_out_stays_out(clinic: Clinic) -> None:
    stored = told(await clinic.receive(sitting(visit=None, guidelines=None, protocol=None)))
    assert [stored["reading_set"][name] for name in ("visit", "guidelines", "protocol")] == [None, None, None]
    assert stored["evaluation"]["chosen"]["visit_by"] == "service"


async def test_reading_it_gives_the_same_bytes(clinic: Clinic) -> None:
    answer = await clinic.receive(OPENED_SET)
    found = await application.read_set(clinic.desk, clinic.caller, answer.set_id)
    assert found.body == answer.body
    assert (found.version, found.set_id) == (1, answer.set_id)


async def test_everything_is_stored_together(clinic: Clinic) -> None:
    await clinic.receive(OPENED_SET, key="k-1")
    tables = ("reading_set", "set_version", "reading", "subject", "device", "trail", "claim")
    assert [await clinic.count(table) for table in tables] == [1, 1, 1, 1, 1, 1, 2]


async def test_what_the_service_adds_is_not_taken(clinic: Clinic) -> None:
    sent = {**RICH_SET, "intake": {}, "readings": [{**reading(0), "voided": True}]}
    with pytest.raises(NotAcceptable) as refused:
        await clinic.receive(sent)
    assert places(refused) == [
        ("/history", "not-accepted-here"),
        ("/intake", "not-accepted-here"),
        ("/readings/0/voided", "not-accepted-here"),
    ]


@pytest.mark.parametrize(
    ("more", "place"),
    [
        ({"protocol": "no-such"}, ("/protocol", "unknown-code")),
        ({"guidelines": ["no-such"]}, ("/guidelines/0", "unknown-code")),
        ({"replaces": "019df237-3e80-7cda-ae6c-acc0e2b83dda"}, ("/replaces", "unknown-set")),
        ({"replaces": "the one before"}, ("/replaces", "unknown-set")),
        ({"readings": [reading(0), reading(300)]}, ("/readings/1/taken_at", "sitting-over")),
    ],
)
async def test_a_refused_set_leaves_nothing(clinic: Clinic, more: dict[str, Any], place: tuple[str, str]) -> None:
    with pytest.raises(NotAcceptable) as refused:
        await clinic.receive(sitting(**more), key="k-1")
    assert places(refused) == [place]
    tables = ("reading_set", "set_version", "reading", "subject", "device", "trail", "claim")
    assert [await clinic.count(table) for table in tables] == [0] * 7
    assert not (await clinic.receive(sitting(), key="k-1")).replayed


async def test_a_set_may_replace_one_that_is_stored(clinic: Clinic) -> None:
    wrong = await clinic.receive(sitting(person="p-0002"))
    await clinic.correct(wrong, {"change": "void-set"})
    right = told(await clinic.receive(sitting(replaces=wrong.set_id)))
    assert right["reading_set"]["replaces"] == wrong.set_id


async def test_rows_hold_what_was_measured(clinic: Clinic) -> None:
    body = sitting([reading(0, 142.25, 88.5, pulse_per_min=72, device_flags=["irregular-pulse", "cuff-loose"])])
    await clinic.receive({**body, "closed": False})
    [row] = await clinic.rows(
        "SELECT systolic, diastolic, pulse, site, position, method, flags, offset_minutes, version, pulse_version,"
        " flags_version, counts FROM reading"
    )
    assert row == (14225, 8850, 7200, 2, 1, 0, 0b110, 120, 1, 1, 1, False)


async def test_the_mean_stands_beside_its_set(clinic: Clinic) -> None:
    await clinic.receive(sitting())
    [row] = await clinic.rows(
        "SELECT systolic, diastolic, counted, mean_version, mean_status, mean_from_version, state FROM reading_set"
    )
    assert row == (145, 90, 2, 1, 1, 1, 1)
    assert await clinic.rows("SELECT changed FROM set_version") == [("r0 p0 r1 r2 r3 mean",)]


async def test_a_tenants_own_guidelines_rule_where_nobody_chose(clinic: Clinic) -> None:
    own = msgspec.structs.replace(clinic.tenant.settings, default_guidelines=["nice-2019"])
    clinic.desk.tenants._known[clinic.tenant.tenant_id] = (
        clinic.clock.now,
        msgspec.structs.replace(clinic.tenant, settings=own),
    )
    answer = told(await clinic.receive(sitting(guidelines=None)))
    assert answer["reading_set"]["intake"]["default_guidelines"] == ["nice-2019"]
    assert [one["guideline"] for one in answer["evaluation"]["categories"]] == ["nice-2019"]
