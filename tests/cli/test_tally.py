"""``quietcuff quality --tally``: the same counts whoever counts, and those that the stored evaluations give."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sys
from collections import Counter
from collections.abc import Callable
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any

import msgspec
import pytest

from application.clinic import open_clinic
from databases import SqliteFiles
from quietcuff.analytics import stored_tally
from quietcuff.analytics.columns.tally import AnswerTally
from quietcuff.cli import main
from quietcuff.demo.clinic_year import invent_year
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.ids import NOBODY
from quietcuff.storage.engine.store import open_store
from quietcuff.storage.rows.analysis_pages import analysed_sets

COMMAND = ["quality", "--tenant", "clinic", "--tally"]
SITTINGS = 60
# Certainty is the core's alone, and so are the findings that it makes.
OF_CERTAINTY = {"newest-differs", "newest-outside-interval", "prior-decides"}


@pytest.fixture(scope="module")
def stored(sqlite_files: SqliteFiles) -> tuple[str, list[dict[str, Any]]]:
    """A database of an invented clinic, and its evaluations as they were stored."""
    url = sqlite_files.new()

    async def prepare() -> list[dict[str, Any]]:
        store = open_store(url)
        clinic = await open_clinic(store, load_rulebook())
        for body in invent_year(SITTINGS, clinic.clock.now.date() - timedelta(days=30)):
            await clinic.receive(body)
        tenant_id = clinic.tenant.tenant_id
        rows = await store.read(tenant_id, partial(analysed_sets, tenant_id=tenant_id, after=(NOBODY, NOBODY), most=SITTINGS))
        await store.close()
        return [msgspec.json.decode(row.evaluation) for row in rows]

    return url, asyncio.run(prepare())


@pytest.fixture
def counted(
    stored: tuple[str, list[dict[str, Any]]], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., str]:
    """Runs the command over that database in parts of nine, and gives what it printed."""
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", stored[0])
    monkeypatch.setattr(stored_tally, "SETS_A_PART", 9)

    def run(*options: str) -> str:
        assert main([*COMMAND, *options]) == 0
        return capsys.readouterr().out

    return run


def test_the_counts_are_those_of_the_stored_evaluations(
    counted: Callable[..., str], stored: tuple[str, list[dict[str, Any]]], tmp_path: Path
) -> None:
    """The rules have not changed since they were stored. Sums are exact: in ten-thousandths of a mmHg."""
    evaluations = stored[1]
    told = json.loads(counted("--json", "--parts", str(tmp_path)))
    assert told["sets"] == SITTINGS and sum(told["engines"].values()) == SITTINGS and told["engines"]["columns"] > 0
    assert told["states"] == Counter(one["state"] for one in evaluations)
    found = Counter(code for one in evaluations for code in {finding["code"] for finding in one["findings"]} - OF_CERTAINTY)
    assert told["findings"] == found
    labels = Counter((said["guideline"], said["category"] or "none") for one in evaluations for said in one["categories"])
    assert {(name, word): times for name, row in told["labels"].items() for word, times in row.items()} == labels
    means = [one["result"]["systolic_mean_mmhg"] for one in evaluations if one["result"] is not None]
    assert told["sums"]["results"] == len(means)
    assert told["sums"]["systolic"] == round(10_000 * sum(means))
    assert list(tmp_path.iterdir()) == [], "the parts are gone"
    lines = counted().splitlines()
    assert lines[0].startswith(f"{SITTINGS} sittings: ")
    assert f"Mean of {len(means)} results: {sum(means) / len(means):.1f}/" in lines[1]
    assert any(line.startswith("aha-acc-2025: ") and line.endswith(" provisional.") for line in lines)


@pytest.mark.filterwarnings("ignore")
def test_a_cluster_counts_the_same_with_one_worker_with_four_and_when_one_is_killed(
    counted: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from distributed import Client, LocalCluster

    alone = counted("--json")
    with LocalCluster(
        n_workers=1, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None, silence_logs=50
    ) as cluster:
        here = ("--json", "--cluster", cluster.scheduler_address)
        assert counted(*here) == alone
        cluster.scale(4)
        with Client(cluster.scheduler_address) as client:
            client.wait_for_workers(4, timeout=30)
            assert counted(*here) == alone
            victim = next(iter(client.run(os.getpid).values()))
            killed_at = kill_in_the_middle(victim, monkeypatch)
            assert counted(*here) == alone
            assert 0 < killed_at[0] < 1 and victim not in client.run(os.getpid).values()


def kill_in_the_middle(victim: int, monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Have a worker killed once two parts are counted; how much of the work was done is noted then."""
    killed_at: list[float] = []
    tally_with = stored_tally.tally_with

    def and_a_kill(client: Any, rulebook: Any, paths: list[Path], told: Any) -> AnswerTally:
        def kill(done: float, parts: int) -> None:
            if not killed_at and parts == 2:
                os.kill(victim, signal.SIGKILL)
                killed_at.append(done)

        return tally_with(client, rulebook, paths, kill)

    monkeypatch.setattr(stored_tally, "tally_with", and_a_kill)
    return killed_at


@pytest.mark.filterwarnings("ignore")
def test_what_it_cannot_do_is_said_plainly(
    stored: tuple[str, list[dict[str, Any]]], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", stored[0])
    for wrong, told in (
        (["quality", "--tenant", "clinic", "--cluster", "tcp://127.0.0.1:1"], "With --tally only"),
        ([*COMMAND, "--from", "2026-01-01"], "By itself"),
        ([*COMMAND, "--processes", "0"], "1 to 64"),
        ([*COMMAND, "--cluster", "nowhere://127.0.0.1:1"], "Dask scheduler"),
        ([*COMMAND, "--parts", "/nowhere/at/all"], "No such file"),
    ):
        assert main(wrong) == 1
        assert told in capsys.readouterr().err
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert main([*COMMAND, "--cluster", "tcp://127.0.0.1:1"]) == 1
    assert "sh deploy/setup.sh full" in capsys.readouterr().err
