"""What fails leaves nothing: not when one step of it fails, and not when the process is gone in the middle."""

from __future__ import annotations

import asyncio
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from application.clinic import Clinic, on_day, open_clinic, reading, sitting, told
from databases import PostgresqlServer
from quietcuff import application
from quietcuff.application import evaluate_and_keep
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.storage.engine import migrate
from quietcuff.storage.engine.store import open_store

TABLES = ("reading_set", "set_version", "reading", "subject", "device", "claim", "trail")
TESTS = Path(__file__).parents[1]
KILLED_IN_THE_MIDDLE = """
import asyncio, os, sys
from application.clinic import open_clinic, sitting
from quietcuff.application import evaluate_and_keep as keeping
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.store import open_store

async def main(url):
    clinic = await open_clinic(open_store(url), load_rulebook())
    print((await clinic.receive(sitting())).set_id, flush=True)
    whole = keeping.note
    def note(*arguments, **about):
        whole(*arguments, **about)
        os._exit(9)
    keeping.note = note
    await asyncio.gather(*(clinic.receive(sitting(person=f"p-{number}")) for number in range(8)))

asyncio.run(main(sys.argv[1]))
"""


async def counts(clinic: Clinic) -> list[int]:
    return [await clinic.count(table) for table in TABLES]


def failing_after(whole: Callable[..., Any]) -> Callable[..., Any]:
    def fail(*arguments: Any, **about: Any) -> Any:
        whole(*arguments, **about)
        raise RuntimeError("a defect")

    return fail


@pytest.mark.parametrize("step", ["insert_set", "insert_readings", "insert_version", "note", "note_seen"])
async def test_a_failure_at_any_step_leaves_nothing(clinic: Clinic, monkeypatch: pytest.MonkeyPatch, step: str) -> None:
    with monkeypatch.context() as patched:
        patched.setattr(evaluate_and_keep, step, failing_after(getattr(evaluate_and_keep, step)))
        with pytest.raises(RuntimeError, match="a defect"):
            await clinic.receive(sitting(), key="k-1")
    assert await counts(clinic) == [0] * len(TABLES)
    await clinic.receive(sitting(), key="k-1")
    assert await counts(clinic) == [1, 1, 4, 1, 1, 2, 1]


async def test_a_failed_change_leaves_the_set_as_it_was(clinic: Clinic, monkeypatch: pytest.MonkeyPatch) -> None:
    opened = await clinic.receive(sitting(closed=False))
    before = await clinic.rows("SELECT * FROM reading")
    with monkeypatch.context() as patched:
        patched.setattr(evaluate_and_keep, "note", failing_after(evaluate_and_keep.note))
        with pytest.raises(RuntimeError, match="a defect"):
            await clinic.append(opened, {"readings": [reading(4, 180, 100)]}, key="k-1")
    assert await clinic.rows("SELECT * FROM reading") == before
    assert (await application.read_set(clinic.desk, clinic.caller, opened.set_id)).body == opened.body
    assert (await clinic.append(opened, {"readings": [reading(4, 180, 100)]}, key="k-1")).version == 2


async def test_a_process_that_dies_in_the_middle_leaves_what_it_had_answered(database_url: str, rulebook: Rulebook) -> None:
    died = await asyncio.to_thread(
        subprocess.run,
        [sys.executable, "-c", KILLED_IN_THE_MIDDLE, database_url],
        cwd=TESTS,
        capture_output=True,
        text=True,
        check=False,
    )
    assert died.returncode == 9, died.stderr
    store = open_store(database_url)
    clinic = await open_clinic(store, rulebook)
    assert await clinic.rows("SELECT count(*), max(version) FROM reading_set") == [(1, 1)]
    assert [await clinic.count(table) for table in TABLES] == [1, 1, 4, 1, 1, 1, 1]
    found = await application.read_set(clinic.desk, clinic.caller, died.stdout.strip())
    assert told(found)["evaluation"]["result"]["systolic_mmhg"] == 145
    await clinic.receive(sitting(person="p-3"))
    await store.close()


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
async def test_a_filled_database_goes_down_and_up_again(
    kind: str, rulebook: Rulebook, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    if kind == "sqlite":
        url = f"sqlite:///{tmp_path / 'filled.db'}"
    else:
        server: PostgresqlServer = request.getfixturevalue("postgresql_server")
        url = server.as_owner(server.new_empty())
    for _ in range(2):
        await asyncio.to_thread(migrate.upgrade, url)
        store = open_store(url)
        clinic = await open_clinic(store, rulebook)
        assert await counts(clinic) == [0] * len(TABLES)
        for day in ("2026-03-02", "2026-04-02", "2026-05-02"):
            answer = await clinic.receive(sitting(on_day([reading(0), reading(1.2)], day)), key=f"k {day}")
            await clinic.correct(answer, {"change": "void-reading", "index": 1})
        assert await counts(clinic) == [3, 6, 6, 1, 1, 6, 6]
        await store.close()
        await asyncio.to_thread(migrate.downgrade, url, "base")
