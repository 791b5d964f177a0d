"""``quietcuff deliver`` and ``quietcuff targets``, as an operator types them."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from application.clinic import Clinic, open_clinic, sitting
from delivery.post import Post
from delivery.receiver import Answer, Receiver
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.storage.engine.store import open_store

QUIETCUFF = str(Path(sys.executable).with_name("quietcuff"))


def environment(url: str, **more: str) -> dict[str, str]:
    kept = {name: value for name, value in os.environ.items() if not name.startswith("QUIETCUFF_")}
    return {**kept, "QUIETCUFF_DATABASE_URL": url, "QUIETCUFF_PUBLIC_URL": "https://bp.example.org", **more}


def run(url: str, *arguments: str, **more: str) -> subprocess.CompletedProcess[str]:
    command = [QUIETCUFF, *arguments]
    return subprocess.run(command, env=environment(url, **more), capture_output=True, text=True, timeout=60, check=False)


@pytest.fixture
async def clinic(sqlite_url: str, rulebook: Rulebook) -> Clinic:
    store = open_store(sqlite_url)
    return await open_clinic(store, rulebook)


async def test_what_was_given_up_is_seen_replayed_and_delivered(sqlite_url: str, clinic: Clinic, receiver: Receiver) -> None:
    post = Post(clinic, receiver)
    target = await post.target()
    answer = await clinic.receive(sitting())
    receiver.fault = lambda receiver, body: Answer(422)
    await post.send()
    await post.close()
    await clinic.desk.store.close()
    receiver.fault = lambda receiver, body: None

    listed = run(sqlite_url, "targets", "list", "--tenant", "clinic", COLUMNS="200")
    assert listed.returncode == 0, listed.stderr
    (line,) = [line for line in listed.stdout.splitlines() if target.id in line]
    assert line.split("\t")[3:8] == ["active", "", "0", "", "1"]
    refused = run(sqlite_url, "targets", "replay", "--tenant", "clinic", target.id, "everything")
    assert (refused.returncode, "/ids/0" in refused.stderr) == (1, True)
    replayed = run(sqlite_url, "targets", "replay", "--tenant", "clinic", target.id, f"{answer.set_id}-v1")
    assert (replayed.returncode, replayed.stderr) == (0, "1 to be sent again.\n")
    sent = run(sqlite_url, "deliver", "--once", QUIETCUFF_DELIVER_TO="127.0.0.1")
    assert (sent.returncode, sent.stderr) == (0, "1 sent or tried.\n")
    assert f"{answer.set_id}/mean" in receiver.record.by_identifier()
    again = run(sqlite_url, "targets", "replay", "--tenant", "clinic", target.id)
    assert (again.returncode, again.stderr) == (1, "0 to be sent again.\n")


async def test_a_target_that_fails_is_listed_with_why_and_until_when(
    sqlite_url: str, clinic: Clinic, receiver: Receiver
) -> None:
    post = Post(clinic, receiver)
    target = await post.target()
    await clinic.receive(sitting())
    receiver.fault = lambda receiver, body: Answer(503)
    await post.send()
    stands = await post.stands(target)
    await post.close()
    await clinic.desk.store.close()
    listed = run(sqlite_url, "targets", "list", "--tenant", "clinic")
    (line,) = [line for line in listed.stdout.splitlines() if target.id in line]
    shown = line.split("\t")[8:]
    assert shown == ["receiver-failed", "503", stands.last_attempt_at, stands.next_attempt_at]
    (told,) = json.loads(run(sqlite_url, "targets", "list", "--tenant", "clinic", "--json").stdout)
    assert (told["last_error"], told["last_status"], told["next_attempt_at"]) == (
        "receiver-failed",
        503,
        stands.next_attempt_at,
    )


def test_a_tenant_that_is_not_there_is_told_so(sqlite_url: str) -> None:
    asked = run(sqlite_url, "targets", "list", "--tenant", "nobody")
    assert (asked.returncode, asked.stderr) == (
        1,
        "There is no tenant of that name: quietcuff tenants list shows those there are; one is made with its first key.\n",
    )


async def test_the_worker_runs_until_it_is_stopped_and_keeps_to_what_is_allowed(
    sqlite_url: str, clinic: Clinic, receiver: Receiver
) -> None:
    post = Post(clinic, receiver)
    await post.target()
    await clinic.receive(sitting())
    with subprocess.Popen([QUIETCUFF, "deliver"], env=environment(sqlite_url), stderr=-1, text=True) as worker:
        patience = time.monotonic() + 30
        while time.monotonic() < patience:
            found = await clinic.rows("SELECT attempts, reason FROM outbox")
            if found[0][0]:
                break
            time.sleep(0.1)
        worker.send_signal(signal.SIGTERM)
        _, said = worker.communicate(timeout=20)
    assert found == [(1, "address-not-allowed")]
    assert (worker.returncode, said, receiver.requests) == (0, "", 0)
    await post.close()
    await clinic.desk.store.close()
