"""Who is to be seen: for 2,000 generated people the same as a reckoning over all their sets that shares no code with ours."""

from __future__ import annotations

import asyncio
import bisect
import csv
import io
import itertools
import random
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import UUID

import msgspec
import pytest

from application.clinic import Clinic, left, open_clinic, reading, sitting
from quietcuff.analytics.follow_ups.follow_ups import FollowUp, follow_ups, lines_of
from quietcuff.analytics.follow_ups.people import people_in
from quietcuff.cli import main
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import Store, open_store
from quietcuff.storage.rows.analysis_pages import AnalysedSet

TODAY = date(2026, 6, 1)
PEOPLE = 2_000


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


def generated_set(rng: random.Random, person: int, begins: datetime) -> dict[str, Any]:
    """A sitting of somebody: mostly ordinary, at times severe, low, with symptoms, pregnant, blocked, at home or open."""
    base = rng.choice([88, 112, 128, 136, 146, 158, 172, 186, 200])
    count = rng.choice([0, 1, 2, 3, 3, 3, 4])
    readings = [
        {
            "taken_at": (begins + timedelta(minutes=2 * place)).isoformat(),
            "systolic_mmhg": base + rng.randint(-6, 6),
            "diastolic_mmhg": base * 3 // 5 + rng.randint(-5, 5),
            "site": rng.choice(["left-upper-arm", "right-upper-arm"] if rng.random() < 0.2 else ["left-upper-arm"]),
            "position": "sitting",
            "method": "oscillometric",
        }
        for place in range(count)
    ]
    facts = {
        "identifier": {"system": "urn:example:mrn", "value": f"p-{person}"},
        "birth_date": rng.choice(["1971-01-15", "1950", "1994-05-05"]),
        "sex": "female",
        "pregnancy": rng.choice(["no"] * 6 + ["pregnant", "not-recorded"]),
        "known_hypertension": rng.choice(["yes", "no", "not-recorded"]),
    }
    return {
        "subject": facts,
        "setting": rng.choice(["office"] * 5 + ["home"]),
        "context": {"acute_symptoms": rng.choice(["yes"] + ["no"] * 6 + ["not-recorded"] * 3)},
        "closed": rng.random() < 0.9,
        "readings": readings,
        "intake": {"received_at": begins.isoformat()},
    }


def stored_sets(rng: random.Random, rulebook: Rulebook) -> list[AnalysedSet]:
    """Up to four sets of each person, in the order of the database: by person, then by an id that says nothing of time."""
    found = []
    for person in range(PEOPLE):
        for _ in range(rng.choice([1, 1, 2, 3, 4])):
            begins = datetime(2026, 1, 1, 8, tzinfo=UTC) + timedelta(minutes=rng.randrange(150 * 1440))
            reading_set = msgspec.convert(generated_set(rng, person, begins), ReadingSet)
            try:
                evaluation = evaluate(reading_set, None, rulebook)
            except NotAcceptable:
                continue
            found.append(
                AnalysedSet(
                    UUID(int=person + 1),
                    UUID(int=rng.getrandbits(120) + 1),
                    1,
                    begins,
                    rng.choice([0, 120, -300]),
                    begins if reading_set.closed else None,
                    msgspec.json.encode(reading_set),
                    msgspec.json.encode(evaluation),
                    "",
                )
            )
    return sorted(found, key=lambda one: (one.subject_id, one.set_id))


Reason = tuple[str, date | None, UUID]


def reckoned(stored: list[AnalysedSet]) -> dict[UUID, set[Reason]]:
    """Every reason to see somebody, from plain JSON: each set is looked at by itself, and against every other of the person."""
    people: dict[UUID, set[Reason]] = {}
    told = {one.set_id: msgspec.json.decode(one.evaluation) for one in stored}
    for one in stored:
        mine = [other for other in stored_of(stored, one.subject_id) if told[other.set_id]["result"]]
        if any((other.taken_from, other.set_id) > (one.taken_from, one.set_id) for other in mine):
            continue
        day = (one.taken_from + timedelta(minutes=one.offset_minutes)).date()
        for why, by in reasons_in(msgspec.json.decode(one.document), told[one.set_id], day):
            people.setdefault(one.subject_id, set()).add((why, by, one.set_id))
    return people


def stored_of(stored: list[AnalysedSet], person: UUID) -> list[AnalysedSet]:
    first = bisect.bisect_left(stored, person, key=lambda one: one.subject_id)
    return list(itertools.takewhile(lambda one: one.subject_id == person, stored[first : first + 9]))


def reasons_in(body: dict[str, Any], said: dict[str, Any], day: date) -> list[tuple[str, date | None]]:
    """What one set alone gives reason for."""
    found = {finding["code"] for finding in said["findings"]}
    symptoms = body["context"]["acute_symptoms"] == "yes"
    pressing = said["safety"]["level"] not in ("none", "ask")
    is_severe = "severe-reading" in found or "severe-mean" in found
    by = said["confirm_by"] and date.fromisoformat(said["confirm_by"]["date"])
    blocked = body["closed"] and not said["result"] and (body["setting"] != "home" or said["series"])
    all_of_them: list[tuple[Any, str, date | None]] = [
        (symptoms and "low-reading" in found, "low-with-symptoms", day),
        (symptoms and "low-reading" not in found, "symptoms", day),
        (pressing and is_severe, "severe-without-later-set", day),
        (pressing and not is_severe and not symptoms, "review-without-later-set", day),
        (by and by < TODAY, "unconfirmed-overdue", by),
        (blocked, "blocked-not-repeated", None),
    ]
    return [(why, until) for holds, why, until in all_of_them if holds]


def test_for_two_thousand_people_the_list_is_what_a_reckoning_over_all_sets_gives(rulebook: Rulebook) -> None:
    stored = stored_sets(random.Random(20260528), rulebook)
    lines = {line.subject_id: line for line in lines_of(people_in(stored), TODAY)}
    expected = reckoned(stored)
    assert lines.keys() == expected.keys() and 200 < len(lines) < PEOPLE
    for person, reasons in expected.items():
        line = lines[person]
        assert {line.why, *line.also} == {why for why, _, _ in reasons}
        assert (line.why, line.by, line.set_id) in reasons
    seen = {why for reasons in expected.values() for why, _, _ in reasons}
    assert seen == {
        *("low-with-symptoms", "symptoms", "severe-without-later-set", "review-without-later-set"),
        *("unconfirmed-overdue", "blocked-not-repeated"),
    }


def severe(begins: str) -> list[dict[str, Any]]:
    return [reading(minute, 196, 112, taken_at=f"{begins}T09:0{minute}:00+02:00") for minute in (1, 2, 3)]


def usual(begins: str) -> list[dict[str, Any]]:
    pairs = [(1, reading), (2, reading), (3, reading), (4, left)]
    return [where(minute, 124, 76, taken_at=f"{begins}T09:0{minute}:00+02:00") for minute, where in pairs]


async def lines(clinic: Clinic) -> list[FollowUp]:
    return [line async for part in follow_ups(clinic.desk, clinic.tenant.tenant_id) for line in part.lines]


@pytest.mark.anyio
async def test_pages_break_nobody_in_two(store: Store, rulebook: Rulebook, monkeypatch: pytest.MonkeyPatch) -> None:
    clinic = await open_clinic(store, rulebook)
    for number in range(6):
        for day in ("2026-04-01", "2026-04-02", "2026-04-03"):
            last_of_even = number % 2 == 0 and day == "2026-04-03"
            await clinic.receive(sitting(usual(day) if last_of_even else severe(day), person=f"p-{number}"))
    whole = await lines(clinic)
    assert sorted(line.identifier.value for line in whole) == ["p-1", "p-3", "p-5"]
    assert all(line.since == date(2026, 4, 3) and line.last_systolic_mmhg == 196 for line in whole)
    for size in (1, 2, 4, 5):
        monkeypatch.setattr("quietcuff.analytics.follow_ups.people.SETS_A_PAGE", size)
        assert await lines(clinic) == whole


def test_the_command_lists_the_most_pressing_first(
    sqlite_url: str, rulebook: Rulebook, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    async def prepare() -> None:
        store = open_store(sqlite_url)
        clinic = await open_clinic(store, rulebook)
        await clinic.receive(sitting([reading(0)], person="-blocked"))
        await clinic.receive(sitting(severe("2026-05-04"), person="severe"))
        await clinic.receive(sitting(usual("2026-05-04"), person="well"))
        await store.close()

    asyncio.run(prepare())
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", sqlite_url)
    assert main(["follow-ups", "--tenant", "clinic", "--format", "csv"]) == 0
    out = capsys.readouterr()
    table = list(csv.DictReader(io.StringIO(out.out)))
    assert [row["why"] for row in table] == ["severe-without-later-set", "blocked-not-repeated"]
    assert [row["person_identifier"] for row in table] == ["urn:example:mrn|severe", "urn:example:mrn|-blocked"]
    assert (table[0]["last_systolic_mmhg"], table[0]["by"]) == ("196", "2026-05-04")
    assert main(["follow-ups", "--tenant", "clinic"]) == 0
    told = capsys.readouterr()
    assert "severe" in told.out and "well" not in told.out and "2 people" in told.err
