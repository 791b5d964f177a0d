"""What other rules would have said: against sets that were evaluated so by themselves, and nothing is written."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sys
from collections import Counter
from collections.abc import AsyncGenerator
from contextlib import aclosing
from datetime import timedelta
from pathlib import Path
from typing import Any

import msgspec
import pytest

from application.clinic import Clinic, open_clinic, reading, sitting, told
from quietcuff.analytics.follow_ups.people import Person
from quietcuff.analytics.what_if import on_cluster
from quietcuff.analytics.what_if.report import WhatIfReport
from quietcuff.analytics.what_if.walk import whole_report
from quietcuff.analytics.what_if.what_if import WhatIf, check, evaluate_one, other_input, other_rules
from quietcuff.application import AppContext
from quietcuff.cli import main
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.demo.clinic_year import invent_year
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import Store, open_store
from strategies import Inventor

ONE_ARM = {"protocol": "office-one-arm", "guidelines": ["aha-acc-2025"], "visit": "follow-up"}


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


@pytest.fixture
async def clinic(store: Store, rulebook: Rulebook) -> Clinic:
    return await open_clinic(store, rulebook)


async def report(clinic: Clinic, **asked: Any) -> WhatIfReport:
    return await whole_report(clinic.desk, clinic.tenant.tenant_id, WhatIf(**asked))


async def store_some(clinic: Clinic, count: int) -> list[dict[str, Any]]:
    """Invented sittings of eight people, as they were answered."""
    answers: list[dict[str, Any]] = []
    seed = 0
    while len(answers) < count:
        seed += 1
        body = Inventor(seed, seed % 7).body(3 + seed % 3, True)
        body.pop("history", None)
        body["subject"]["identifier"]["value"] = f"p-{seed % 8}"
        try:
            answers.append(told(await clinic.receive(body)))
        except NotAcceptable:
            continue
    return answers


def moves_in(found: WhatIfReport) -> Counter[tuple[str | None, str | None]]:
    return Counter({(move.before, move.after): move.sets for move in found.moves})


@pytest.mark.anyio
async def test_another_guideline_gives_what_each_set_gives_by_itself(
    clinic: Clinic, rulebook: Rulebook, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("quietcuff.analytics.follow_ups.people.SETS_A_PAGE", 6)
    answers = await store_some(clinic, 40)
    found = await report(clinic, guideline="esc-2024")
    expected: Counter[tuple[str | None, str | None]] = Counter()
    refused = 0
    for answer in answers:
        reading_set = msgspec.convert({**answer["reading_set"], "guidelines": ["esc-2024"]}, ReadingSet)
        was = answer["evaluation"]["categories"]
        try:
            is_now = evaluate(reading_set, reading_set.history, rulebook).categories[0].category
        except NotAcceptable:
            refused += 1
            continue
        expected[was[0]["category"] if was else None, is_now] += 1
    assert moves_in(found) == expected and len(expected) > 4
    assert (found.sets, found.evaluated + found.untouched) == (40, 40 - refused)
    assert sum(found.refused.values()) == refused and found.untouched < 5
    assert found.moved == sum(sets for (before, after), sets in expected.items() if before != after) > 0
    assert abs(sum(move.share for move in found.moves) - 1) < 0.01


@pytest.mark.anyio
@pytest.mark.parametrize(
    "asked",
    [
        {"guideline": "esh-2023"},
        {"protocol": "office-esc-2024", "rounding": "exact"},
        {"fewer_readings": 1},
        {"answers": {"arm_supported": "yes", "anxiety_or_stress": "no"}},
    ],
    ids=lambda asked: "-".join(asked),
)
async def test_many_at_once_say_what_the_core_says_of_each(
    clinic: Clinic, monkeypatch: pytest.MonkeyPatch, asked: dict[str, Any]
) -> None:
    """A year of an invented group, which comes again and again, and sittings of every kind."""
    clinic.clock.move(days=400)
    await store_some(clinic, 60)
    for body in invent_year(150, clinic.clock.now.date() - timedelta(days=30)):
        await clinic.receive(body)
    clinic.clock.move(days=60)
    quick = await report(clinic, people=True, **asked)
    with monkeypatch.context() as hidden:
        hidden.setitem(sys.modules, "pyarrow", None)
        slow = await report(clinic, people=True, **asked)
    assert slow.by_columns == 0 < slow.by_core and quick.by_columns > 20
    assert quick.by_columns + quick.by_core == slow.by_core == quick.sets - quick.untouched
    told = {"by_columns": 0, "by_core": 0, "as_of": slow.as_of}
    assert msgspec.structs.replace(quick, **told) == msgspec.structs.replace(slow, **told)
    assert slow.people.to_be_seen_before > 5


@pytest.mark.anyio
async def test_who_is_in_the_range_of_hypertension_is_compared_across_names(clinic: Clinic) -> None:
    """From 130/80 under AHA/ACC 2025, from 140/90 under ESH 2023: both guidelines' own published limits."""
    for systolic, diastolic in ((124, 76), (134, 76), (138, 84), (144, 84), (128, 94)):
        readings = [reading(minute, systolic, diastolic) for minute in (0, 1, 2)]
        await clinic.receive(sitting(readings, person=f"p-{systolic}", **ONE_ARM))
    high = (await report(clinic, guideline="esh-2023")).hypertensive
    assert (high.sets, high.before, high.after, high.newly, high.no_longer) == (5, 4, 2, 0, 2)


@pytest.mark.anyio
async def test_nothing_is_written_and_who_must_be_seen_is_told_before_and_after(clinic: Clinic) -> None:
    high = [reading(minute, 136, 82) for minute in (0, 1, 2)]
    await clinic.receive(sitting(high, person="p-1", **ONE_ARM))
    await clinic.receive(sitting([reading(minute, 112, 70) for minute in (0, 1, 2)], person="p-2", **ONE_ARM))
    clinic.clock.move(days=400)
    before = await clinic.count("set_version")
    found = await report(clinic, guideline="esh-2023", people=True)
    assert await clinic.count("set_version") == before == 2
    people = found.people
    assert (people.all, people.to_be_seen_before) == (2, 1)
    assert people.to_be_seen_after == people.to_be_seen_before + people.newly - people.no_longer
    assert found.moved_people is not None
    named = {one.identifier.value for one in found.moved_people if one.identifier is not None}
    assert named <= {"p-1", "p-2"} and len(found.moved_people) == found.moved
    assert (await report(clinic, guideline="esh-2023")).moved_people is None


@pytest.mark.anyio
async def test_exact_means_move_what_rounding_decided(clinic: Clinic) -> None:
    """139.5 is reported as 140 where means are whole, and is below 140 where they are not."""
    readings = [reading(0, 150, 80), reading(1, 139, 80), reading(2, 140, 80)]
    await clinic.receive(sitting(readings, **ONE_ARM))
    found = await report(clinic, rounding="exact")
    assert [(move.before, move.after) for move in found.moves if move.before != move.after] != []
    assert found.moved == 1
    assert (await report(clinic, rounding="whole")).moved == 0


@pytest.mark.parametrize("count", [1, 2])
def test_one_reading_fewer_is_the_set_without_its_last(rulebook: Rulebook, count: int) -> None:
    readings = [reading(0, 150, 92), reading(1, 146, 90), reading(2, 131, 78)]
    body = {key: value for key, value in sitting(readings, **ONE_ARM).items() if key != "identifier"}
    asked = WhatIf(fewer_readings=count)
    whole, short = (msgspec.convert({**body, "readings": kept}, ReadingSet) for kept in (readings, readings[:-count]))
    rules = other_rules(asked, rulebook)
    found = evaluate_one(other_input(whole, asked, rulebook), rules)
    assert isinstance(found, Evaluation) and found.result is not None
    by_itself = evaluate(short, None, rules).result
    assert by_itself is not None and found.result.systolic_mean_mmhg == by_itself.systolic_mean_mmhg
    assert rules.protocols["office-one-arm"].planned == max(1, rulebook.protocols["office-one-arm"].planned - count)
    assert rules.digests["office-one-arm"] != rulebook.digests["office-one-arm"]
    assert rulebook.protocols == load_rulebook().protocols


@pytest.mark.anyio
async def test_an_answer_put_otherwise_is_what_that_answer_gives(clinic: Clinic, rulebook: Rulebook) -> None:
    body = sitting(context={"anxiety_or_stress": "yes", "rest_minutes": 5}, **ONE_ARM)
    answer = told(await clinic.receive(body))
    assert answer["evaluation"]["categories"][0]["provisional"]
    asked = WhatIf(answers={"anxiety_or_stress": "no"})
    stored = msgspec.convert(answer["reading_set"], ReadingSet)
    changed = other_input(stored, asked, rulebook)
    assert changed.context.anxiety_or_stress == "no" and changed.context.rest_minutes == 5
    found = await report(clinic, answers={"anxiety_or_stress": "no"})
    assert (found.sets, found.evaluated, found.untouched) == (1, 1, 0)
    assert (await report(clinic, answers={"rest_minutes": "5"})).untouched == 1


@pytest.mark.anyio
async def test_a_protocol_leaves_sittings_of_other_settings_alone(clinic: Clinic) -> None:
    await clinic.receive(sitting(**ONE_ARM))
    await clinic.receive(sitting(person="p-2", setting="home", protocol=None, visit=None, guidelines=None))
    found = await report(clinic, protocol="office-esc-2024")
    assert (found.evaluated, found.untouched) == (1, 1)


@pytest.mark.parametrize(
    ("asked", "pointers"),
    [
        (WhatIf(), [""]),
        (WhatIf(people=True), [""]),
        (WhatIf(protocol="mine", guideline="mine"), ["/protocol", "/guideline"]),
        (WhatIf(answers={"mood": "good"}), ["/answers"]),
        (WhatIf(answers={"talking": "loudly"}), ["/answers"]),
        (WhatIf(answers={"rest_minutes": "long"}), ["/answers"]),
    ],
)
def test_what_cannot_be_is_refused_all_at_once(asked: WhatIf, pointers: list[str], rulebook: Rulebook) -> None:
    with pytest.raises(NotAcceptable) as refused:
        check(asked, rulebook)
    assert [fault.pointer for fault in refused.value.faults] == pointers


def test_the_command_tells_what_moves(
    sqlite_url: str, rulebook: Rulebook, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    async def prepare() -> None:
        store = open_store(sqlite_url)
        clinic = await open_clinic(store, rulebook)
        await clinic.receive(sitting([reading(minute, 134, 82) for minute in (0, 1, 2)], **ONE_ARM))
        await store.close()

    asyncio.run(prepare())
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", sqlite_url)
    command = ["what-if", "--tenant", "clinic", "--guideline", "esh-2023"]
    assert main(command) == 0
    out = capsys.readouterr()
    assert "1 of 1 get another label" in out.out and "→" in out.out and "Nothing was changed" in out.err
    assert main([*command, "--json", "--people"]) == 0
    whole = json.loads(capsys.readouterr().out)
    assert whole["moved"] == 1 and whole["moved_people"][0]["identifier"]["value"] == "p-0001"
    assert main(["what-if", "--tenant", "clinic"]) == 1
    assert main([*command, "--answer", "talking"]) == 1
    assert "NAME=ANSWER" in capsys.readouterr().err


def kill_in_the_middle(victim: int, monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Have a worker killed once three pages of people were sent out; how many that were is noted then."""
    pages_before: list[int] = []
    whole_people = on_cluster.whole_people

    async def and_a_kill(desk: AppContext, tenant_id: int) -> AsyncGenerator[list[Person]]:
        number = 0
        async with aclosing(whole_people(desk, tenant_id)) as pages:
            async for people in pages:
                if number == 3:
                    os.kill(victim, signal.SIGKILL)
                    pages_before.append(number)
                number += 1
                yield people

    monkeypatch.setattr(on_cluster, "whole_people", and_a_kill)
    return pages_before


@pytest.mark.filterwarnings("ignore")
def test_a_cluster_tells_the_same_and_one_that_is_not_there_is_named(
    sqlite_url: str, rulebook: Rulebook, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from distributed import Client, LocalCluster

    async def prepare() -> None:
        store = open_store(sqlite_url)
        clinic = await open_clinic(store, rulebook)
        for body in invent_year(60, clinic.clock.now.date() - timedelta(days=30)):
            await clinic.receive(body)
        await store.close()

    asyncio.run(prepare())
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", sqlite_url)
    monkeypatch.setattr("quietcuff.analytics.follow_ups.people.SETS_A_PAGE", 9)
    command = ["what-if", "--tenant", "clinic", "--guideline", "esh-2023", "--people"]
    assert main(command) == 0
    here = capsys.readouterr().out
    with LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None, silence_logs=50
    ) as cluster:
        assert main([*command, "--cluster", cluster.scheduler_address]) == 0
        assert capsys.readouterr().out == here and "60 sittings" in here
        with Client(cluster.scheduler_address) as client:
            victim, *others = client.run(os.getpid).values()
        pages_before = kill_in_the_middle(victim, monkeypatch)
        assert main([*command, "--cluster", cluster.scheduler_address]) == 0
        assert capsys.readouterr().out == here, "a worker that is killed changes nothing"
        assert pages_before == [3] and others
    assert main([*command, "--cluster", "nowhere://127.0.0.1:1"]) == 1
    assert "Dask scheduler" in capsys.readouterr().err
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert main([*command, "--cluster", "tcp://127.0.0.1:1"]) == 1
    assert "sh deploy/setup.sh full" in capsys.readouterr().err
