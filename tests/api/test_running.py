"""The running application: idle sets are swept, failures stay problems, and its examples hold."""

from __future__ import annotations

import asyncio
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from uuid import UUID

import httpx
import pytest

from api.serving import PROBLEM_JSON, Server, new_key, problem, serving
from api.test_reading_sets import named, open_set
from bodies import OPENED_SET
from databases import SqliteFiles
from quietcuff.api import background
from quietcuff.api.app import create_app
from quietcuff.api.examples import SITTINGS, example
from quietcuff.core.model.errors import Busy, StoreNotUsable
from quietcuff.settings import Settings
from quietcuff.storage.engine import migrate
from quietcuff.storage.engine.store import NO_TENANT, Store, open_store
from quietcuff.storage.rows.api_keys import find_key


def test_the_upkeep_goes_on_after_a_failure(monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture) -> None:
    rounds: list[int] = []

    async def close_idle_sets(desk: Any) -> int:
        rounds.append(1)
        if len(rounds) == 1:
            raise ExceptionGroup("p-0001", [Busy(2)])
        return 0

    async def keep_up_a_while() -> None:
        monkeypatch.setattr(background.application, "close_idle_sets", close_idle_sets)
        ring = SimpleNamespace(take_uses=dict)
        service: Any = SimpleNamespace(desk=None, keyring=ring)
        task = asyncio.create_task(background.keep_up(service, seconds_between=0.001))
        while len(rounds) < 4:
            await asyncio.sleep(0.001)
        task.cancel()

    asyncio.run(keep_up_a_while())
    assert "ExceptionGroup" in caplog.text and "p-0001" not in caplog.text


@pytest.mark.parametrize("failure", [Busy(2), asyncio.CancelledError()])
def test_uses_of_keys_that_cannot_be_stored_now_are_kept_for_later(failure: BaseException) -> None:
    kept: list[dict[UUID, datetime]] = []
    uses = {UUID(int=7): datetime(2026, 5, 4, 7, tzinfo=UTC)}

    async def write(*_: Any) -> None:
        raise failure

    ring = SimpleNamespace(take_uses=lambda: uses, give_back=kept.append)
    service: Any = SimpleNamespace(desk=SimpleNamespace(store=SimpleNamespace(write=write)), keyring=ring)
    with pytest.raises(type(failure)):
        asyncio.run(background.note_uses(service))
    assert kept == [uses]


def test_the_last_use_of_a_key_is_stored(database_url: str) -> None:
    key = new_key(database_url)
    with serving(database_url) as server, server.client_of(key) as client:
        client.get("/v1/protocols")

    async def stored() -> datetime | None:
        store = open_store(database_url)
        row = await store.read(NO_TENANT, lambda transaction: find_key(transaction, key.split("_")[1]))
        await store.close()
        return row.last_used_at if row else None

    used_at = asyncio.run(stored())
    assert used_at is not None and datetime.now(UTC) - used_at < timedelta(minutes=1)


def test_a_failure_is_a_problem_that_tells_nothing(
    server: Server, client: httpx.Client, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fail(*arguments: Any) -> Any:
        raise RuntimeError("p-0001 has 142/88")

    monkeypatch.setattr("quietcuff.api.routes.evaluations.evaluate", fail)
    answer = client.post("/v1/evaluations", json=OPENED_SET)
    found = problem(answer, 500, "internal-error")
    assert not any(secret in answer.text for secret in ("p-0001", "142/88", "RuntimeError"))
    told = [record.getMessage() for record in caplog.records if record.name == "quietcuff.service"]
    assert len(told) == 1 and json.loads(told[0])["request_id"] == found["instance"].removeprefix("urn:uuid:")
    assert "RuntimeError" in told[0] and "evaluations.py" in told[0]
    assert not any(secret in told[0] for secret in ("p-0001", "142/88"))


def test_a_busy_store_asks_to_come_again(client: httpx.Client, monkeypatch: pytest.MonkeyPatch) -> None:
    async def refuse(self: Store, *arguments: Any, **more: Any) -> Any:
        raise Busy(2)

    monkeypatch.setattr(Store, "write", refuse)
    answer = client.post("/v1/reading-sets", json=named(OPENED_SET))
    problem(answer, 503, "busy")
    assert answer.headers["Retry-After"] == "2"


def test_a_database_without_its_schema_is_not_ready(sqlite_files: SqliteFiles) -> None:
    database_url = sqlite_files.new()
    migrate.downgrade(database_url, "base")
    with serving(database_url) as server, server.client_of(None) as client:
        assert client.get("/health/live").status_code == 200
        assert "quietcuff database upgrade" in problem(client.get("/health/ready"), 503, "not-ready")["detail"]
        answer = client.get("/v1/protocols", headers={"Authorization": "Bearer qc_aaaaaaaa_" + "a" * 43})
        assert answer.status_code in (500, 503) and answer.headers["Content-Type"] == PROBLEM_JSON


def test_what_waits_is_finished_when_the_server_stops(sqlite_files: SqliteFiles) -> None:
    database_url = sqlite_files.new()
    with serving(database_url) as server, server.client() as client:
        path, _ = open_set(client)
    with serving(database_url) as server, server.client() as client:
        assert client.get(path).status_code == 200


def test_nothing_is_opened_before_the_application_starts(tmp_path: Path) -> None:
    create_app(Settings(database_url=f"sqlite:///{tmp_path}/new.db"))
    assert list(tmp_path.iterdir()) == []


def test_the_examples_of_the_document_are_accepted(desk: httpx.Client) -> None:
    for name in SITTINGS.values():
        assert desk.post("/v1/evaluations", json=example(name)).status_code == 200
        assert desk.post("/v1/reading-sets", json=example(name)).status_code == 201
    assert desk.post("/v1/subjects", json=example("subject")).status_code in (200, 201)
    assert desk.post("/v1/subjects/find", json=example("identifier")).status_code == 200
    assert desk.post("/v1/devices", json=example("device")).status_code in (200, 201)
    path, _ = open_set(desk)
    one_more = example("one-more-reading")
    assert desk.post(f"{path}/readings", json=one_more, headers={"If-Match": '"1"'}).status_code == 200
    path, _ = open_set(desk)
    for version, second in enumerate(("01:10", "02:20"), start=1):
        reading = {**one_more["readings"][0], "taken_at": f"2026-05-04T09:{second}+02:00"}
        desk.post(f"{path}/readings", json={"readings": [reading]}, headers={"If-Match": f'"{version}"'})
    corrected = desk.post(f"{path}/corrections", json=example("correct-sitting"), headers={"If-Match": '"3"'})
    assert corrected.status_code == 200


def test_the_only_errors_of_the_tree_that_are_not_answered_by_name_are_failures() -> None:
    from quietcuff.api.problem_types import INTERNAL_ERROR, NOT_READY
    from quietcuff.api.problems import refusal_of

    assert refusal_of(StoreNotUsable("run it")).kind is NOT_READY
    assert refusal_of(ValueError("x")).kind is INTERNAL_ERROR


async def test_work_that_takes_a_cancellation_for_a_failure_still_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(background, "SECONDS_TO_END", 0.05)
    cancelled = []

    async def stubborn() -> None:
        for _ in range(2):
            try:
                await asyncio.sleep(30)
            except asyncio.CancelledError:
                cancelled.append(1)
        await asyncio.sleep(30)

    tasks = [asyncio.create_task(stubborn()), asyncio.create_task(asyncio.sleep(30))]
    await asyncio.sleep(0)
    await background.end_all(tasks)
    assert len(cancelled) == 2 and all(task.cancelled() for task in tasks)
