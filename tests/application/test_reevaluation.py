"""Stored sets under rules that changed: nothing moves unasked, and what is written is a version like any other."""

from __future__ import annotations

import asyncio
from typing import Any
from uuid import UUID

import msgspec
import pytest

from application.clinic import Clinic, open_clinic, reading, sitting, told
from application.exports import by_id, export
from quietcuff import application
from quietcuff.application import reevaluation
from quietcuff.application.reevaluation import reevaluate
from quietcuff.cli import main
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.delivery import targets
from quietcuff.delivery.documents import NewTarget
from quietcuff.rules.catalog import load_rulebook
from quietcuff.security.allowed_addresses import read_allowances
from quietcuff.storage.engine.store import open_store

ONE_ARM = {"protocol": "office-one-arm", "guidelines": ["esh-2023"], "visit": "follow-up"}
NEWEST = "SELECT version, cause FROM set_version ORDER BY created_at, version"


def newer(book: Rulebook) -> Rulebook:
    """The rulebook with a new version of one protocol, which does not round."""
    protocol = msgspec.structs.replace(book.protocols["office-one-arm"], version="999", rounds=False)
    protocols = {**book.protocols, "office-one-arm": protocol}
    digests = {**book.digests, "office-one-arm": "sha256:" + "9" * 64}
    return msgspec.structs.replace(book, protocols=protocols, digests=digests, digest="sha256:" + "8" * 64)


def under(clinic: Clinic, book: Rulebook) -> Clinic:
    desk = msgspec.structs.replace(clinic.desk, rulebook=book)
    return Clinic(desk, clinic.clock, clinic.tenant)


HALF_UP = [reading(0, 150, 80), reading(1, 139, 80), reading(2, 140, 80)]


async def test_the_same_rules_move_nothing(clinic: Clinic) -> None:
    for number in range(4):
        await clinic.receive(sitting(person=f"p-{number}"))
    how_far: list[tuple[float, int]] = []
    counts = await reevaluate(clinic.desk, clinic.caller, keeps=True, told=lambda part, count: how_far.append((part, count)))
    assert (counts.sets, counts.same, counts.differ, counts.written) == (4, 4, 0, 0)
    assert [count for _, count in how_far] == [4] and 0 < how_far[0][0] < 1
    assert await clinic.count("set_version") == 4


async def test_other_rules_are_told_and_kept_only_where_asked(clinic: Clinic, rulebook: Rulebook) -> None:
    moved = await clinic.receive(sitting(HALF_UP, **ONE_ARM))
    await clinic.receive(sitting(person="p-2"))
    await clinic.receive(sitting(person="p-3", closed=False, **ONE_ARM))
    later = under(clinic, newer(rulebook))
    clinic.clock.move(days=30)
    counts = await reevaluate(later.desk, later.caller, keeps=False)
    assert (counts.sets, counts.same, counts.differ, counts.move, counts.open, counts.written) == (3, 1, 1, 1, 1, 0)
    assert await clinic.count("set_version") == 3
    counts = await reevaluate(later.desk, later.caller, keeps=True)
    assert (counts.written, counts.passed_over) == (1, 0)
    now = msgspec.json.decode((await application.read_set(later.desk, later.caller, moved.set_id)).body)
    was = told(moved)
    assert (was["evaluation"]["result"]["systolic_mmhg"], now["evaluation"]["result"]["systolic_mmhg"]) == (140, 139.5)
    assert now["version"] == 2 and now["evaluation"]["changed_because"] == ["re-evaluated"]
    assert now["evaluation"]["protocol"]["version"] == "999"
    assert now["reading_set"]["readings"] == was["reading_set"]["readings"]
    assert now["reading_set"]["history"] == was["reading_set"]["history"]
    assert (await clinic.rows(NEWEST))[-1] == (2, 7)
    again = await reevaluate(later.desk, later.caller, keeps=True)
    assert (again.differ, again.written) == (0, 0)


async def test_earlier_versions_stay_and_exports_show_the_new_one(clinic: Clinic, rulebook: Rulebook) -> None:
    answer = await clinic.receive(sitting(HALF_UP, **ONE_ARM))
    clinic.clock.move(days=1)
    later = under(clinic, newer(rulebook))
    await reevaluate(later.desk, later.caller, keeps=True)
    clinic.clock.move(minutes=1)
    early = await application.read_version(later.desk, later.caller, answer.set_id, 1)
    assert told(early)["evaluation"] == told(answer)["evaluation"]
    _, resources = await export(later)
    found: dict[str, Any] = by_id(resources)
    mean = found[f"Observation/{answer.set_id}-mean"]
    assert mean["component"][0]["valueQuantity"]["value"] == 139.5 and mean["meta"]["versionId"] == "2"
    assert f"Provenance/{answer.set_id}-v2" in found
    readings = [one for key, one in found.items() if key.startswith(f"Observation/{answer.set_id}-r")]
    assert {one["meta"]["versionId"] for one in readings} == {"1"}


async def test_a_set_that_changed_meanwhile_is_passed_over(
    clinic: Clinic, rulebook: Rulebook, monkeypatch: pytest.MonkeyPatch
) -> None:
    await clinic.receive(sitting(HALF_UP, **ONE_ARM))
    later = under(clinic, newer(rulebook))
    answer = await clinic.receive(sitting(HALF_UP, person="p-2", **ONE_ARM))
    real = reevaluation.keep_again

    async def correct_first(*given: Any) -> bool:
        if given[2].set_id == UUID(answer.set_id):
            await clinic.correct(answer, {"change": "amend-set", "set": {"context": {"rest_minutes": 6}}})
        return await real(*given)

    monkeypatch.setattr(reevaluation, "keep_again", correct_first)
    counts = await reevaluate(later.desk, later.caller, keeps=True)
    assert (counts.differ, counts.written, counts.passed_over) == (2, 1, 1)
    assert sorted(row[1] for row in await clinic.rows(NEWEST)) == [0, 0, 5, 7]


async def test_what_moved_is_sent_on(clinic: Clinic, rulebook: Rulebook) -> None:
    new = NewTarget(kind="webhook", url="http://127.0.0.1:9/hook")
    await targets.make_target(clinic.desk, clinic.caller, new, read_allowances(["127.0.0.0/8"]))
    await clinic.receive(sitting(HALF_UP, **ONE_ARM))
    queued = "SELECT version FROM outbox"
    assert await clinic.rows(queued) == [(1,)]
    later = Clinic(application.open_desk(clinic.desk.store, newer(rulebook), clock=clinic.clock), clinic.clock, clinic.tenant)
    await reevaluate(later.desk, later.caller, keeps=False)
    assert await clinic.rows(queued) == [(1,)]
    await reevaluate(later.desk, later.caller, keeps=True)
    assert (await clinic.rows(queued))[-1] == (2,)
    assert await clinic.rows("SELECT changed FROM set_version WHERE version = 2") == [("mean",)]


def test_the_command_changes_nothing_unasked(
    sqlite_url: str, rulebook: Rulebook, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    async def prepare() -> None:
        store = open_store(sqlite_url)
        clinic = await open_clinic(store, newer(load_rulebook()))
        await clinic.receive(sitting(HALF_UP, **ONE_ARM))
        await store.close()

    asyncio.run(prepare())
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", sqlite_url)
    assert main(["reevaluate", "--tenant", "clinic"]) == 0
    out = capsys.readouterr()
    assert (
        "1 sets: 0 say the same, 1 differ, 1 of these" in out.out and "139.5/80" in out.out and "Nothing was changed" in out.err
    )
    assert main(["reevaluate", "--tenant", "clinic", "--write"]) == 0
    assert "1 new versions" in capsys.readouterr().err
    assert main(["reevaluate", "--tenant", "clinic", "--write"]) == 0
    assert "0 new versions" in capsys.readouterr().err
