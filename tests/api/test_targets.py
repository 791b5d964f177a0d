"""``/v1/targets``: made, shown without secrets, changed, replayed, removed; and one tenant's are no other's."""

from __future__ import annotations

import base64
import logging
import time
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from api.serving import Server, problem, serving
from bodies import DEVICE, OPENED_SET, TARGET
from databases import SqliteFiles
from delivery.receiver import Answer, Receiver, receiving

WEBHOOK = {"kind": "webhook", "url": "https://hooks.example.org/quietcuff"}


@pytest.fixture
def desk(service: Server) -> Iterator[httpx.Client]:
    """A client of a tenant that takes its targets away again."""
    with service.client(tenant="target clinic") as made:
        yield made
        for target in made.get("/v1/targets").json()["items"]:
            assert made.delete(f"/v1/targets/{target['id']}").status_code == 204


def test_a_webhook_is_told_its_secret_once(desk: httpx.Client) -> None:
    answer = desk.post("/v1/targets", json=WEBHOOK)
    made = answer.json()
    assert answer.status_code == 201 and answer.headers["Location"] == f"/v1/targets/{made['id']}"
    assert len(base64.b64decode(made["secret"].removeprefix("whsec_"))) == 32
    shown = {name: value for name, value in made.items() if name != "secret"}
    assert desk.get(answer.headers["Location"]).json() == shown
    assert desk.get("/v1/targets").json() == {"items": [shown]}
    assert (shown["state"], shown["waiting"], shown["undelivered"], shown["oldest_waiting_at"]) == ("active", 0, 0, None)


def test_a_records_token_is_never_shown(desk: httpx.Client) -> None:
    made = desk.post("/v1/targets", json=TARGET)
    assert made.status_code == 201 and made.json()["secret"] is None
    path = made.headers["Location"]
    changed = desk.patch(path, json={"bearer_token": "another-token", "implausible": True})
    answers = [made, desk.get(path), desk.get("/v1/targets"), changed]
    assert not any("token" in answer.text for answer in answers)
    assert changed.json()["implausible"] is True and changed.json()["preliminary"] is False


def test_the_secret_is_changed_with_both_good_for_a_day(desk: httpx.Client) -> None:
    made = desk.post("/v1/targets", json=WEBHOOK).json()
    rotated = desk.post(f"/v1/targets/{made['id']}/rotate-secret")
    assert rotated.status_code == 200 and rotated.json()["secret"] != made["secret"]
    assert rotated.json()["earlier_signs_until"] > made["created_at"]
    record = desk.post("/v1/targets", json=TARGET).json()["id"]
    assert (
        problem(desk.post(f"/v1/targets/{record}/rotate-secret"), 422, "not-acceptable")["errors"][0]["code"]
        == "not-for-this-kind"
    )


def test_a_target_is_paused_and_goes_on(desk: httpx.Client) -> None:
    path = desk.post("/v1/targets", json=TARGET).headers["Location"]
    assert (desk.patch(path, json={"state": "paused"}).json()["state"], desk.get(path).json()["reason"]) == ("paused", "asked")
    elsewhere = "https://record.example.org/other"
    on = desk.patch(path, json={"state": "active", "url": elsewhere}).json()
    assert (on["state"], on["reason"], on["url"]) == ("active", None, elsewhere)


@pytest.mark.parametrize(
    ("body", "faults"),
    [
        ({}, [("", "missing"), ("", "missing")]),
        (
            {"kind": "fax", "url": "https://a.example.org", "colour": "red"},
            [("/colour", "unknown-field"), ("/kind", "unknown-code")],
        ),
        ({"kind": "fhir", "url": "http://record.example.org"}, [("/url", "unfit-url")]),
        ({"kind": "fhir", "url": "https://169.254.169.254/latest"}, [("/url", "unfit-url")]),
        (
            {"kind": "webhook", "url": "https://localhost/x", "bearer_token": "t"},
            [("/bearer_token", "not-for-this-kind"), ("/url", "unfit-url")],
        ),
        ({**TARGET, "bearer_token": "with space"}, [("/bearer_token", "unfit-characters")]),
        ({**TARGET, "url": ""}, [("/url", "too-short")]),
    ],
)
def test_every_fault_is_named_and_nothing_is_made(
    desk: httpx.Client, body: dict[str, Any], faults: list[tuple[str, str]]
) -> None:
    found = problem(desk.post("/v1/targets", json=body), 422, "not-acceptable")["errors"]
    assert sorted((fault["pointer"], fault["code"]) for fault in found) == sorted(faults) or not body
    assert desk.get("/v1/targets").json() == {"items": []}


def test_a_change_must_change_something_and_keep_to_the_kind(desk: httpx.Client) -> None:
    path = desk.post("/v1/targets", json=WEBHOOK).headers["Location"]
    assert problem(desk.patch(path, json={}), 422, "not-acceptable")["errors"][0]["code"] == "nothing-to-change"
    faults = problem(desk.patch(path, json={"bearer_token": "abc"}), 422, "not-acceptable")["errors"]
    assert [fault["pointer"] for fault in faults] == ["/bearer_token"]
    assert (
        problem(desk.patch(path, json={"url": "https://10.0.0.1/"}), 422, "not-acceptable")["errors"][0]["code"] == "unfit-url"
    )
    assert problem(desk.patch(path, json={"state": "disabled"}), 422, "not-acceptable")["errors"][0]["code"] == "unknown-code"


def test_there_are_not_any_number_of_targets(desk: httpx.Client) -> None:
    answers = [desk.post("/v1/targets", json=WEBHOOK).status_code for _ in range(21)]
    assert answers == [201] * 20 + [422]


def test_a_replay_names_entries(desk: httpx.Client) -> None:
    path = desk.post("/v1/targets", json=TARGET).headers["Location"]
    assert desk.post(f"{path}/replay", json={}).json() == {"replayed": 0}
    nowhere = "019df237-3e80-7cda-ae6c-acc0e2b83dda-v1"
    assert desk.post(f"{path}/replay", json={"ids": [nowhere]}).json() == {"replayed": 0}
    faults = problem(desk.post(f"{path}/replay", json={"ids": [nowhere, "all"]}), 422, "not-acceptable")["errors"]
    assert [(fault["pointer"], fault["code"]) for fault in faults] == [("/ids/1", "not-an-id")]
    assert desk.get(f"{path}/undelivered").json() == {"items": [], "total": 0}
    assert problem(desk.get(f"{path}/undelivered?limit=0"), 422, "not-acceptable")["errors"][0]["parameter"] == "limit"


def test_another_tenants_targets_are_not_there(service: Server, desk: httpx.Client) -> None:
    path = desk.post("/v1/targets", json=WEBHOOK).headers["Location"]
    with service.client(tenant="other clinic") as stranger:
        assert stranger.get("/v1/targets").json() == {"items": []}
        asked = [
            stranger.get(path),
            stranger.patch(path, json={"state": "paused"}),
            stranger.post(f"{path}/rotate-secret"),
            stranger.get(f"{path}/undelivered"),
            stranger.post(f"{path}/replay", json={}),
            stranger.delete(path),
        ]
    for answer in asked:
        problem(answer, 404, "not-found")
    assert desk.get(path).json()["state"] == "active"


def test_a_removed_target_takes_what_waited_with_it(service: Server, desk: httpx.Client) -> None:
    path = desk.post("/v1/targets", json=TARGET).headers["Location"]
    assert desk.post("/v1/reading-sets", json={**OPENED_SET, "identifier": None}).status_code == 201
    assert desk.get(path).json()["waiting"] == 1
    assert desk.delete(path).status_code == 204
    assert desk.get(path).status_code == 404
    other = desk.post("/v1/targets", json=TARGET).headers["Location"]
    assert desk.get(other).json()["waiting"] == 0


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with receiving() as made:
        yield made


def test_the_serving_process_delivers_and_logs_no_secret(
    sqlite_files: SqliteFiles, receiver: Receiver, caplog: pytest.LogCaptureFixture
) -> None:
    receiver.fault = lambda receiver, body: Answer(500) if receiver.requests == 1 else None
    body = {**OPENED_SET, "device": {"identifier": DEVICE["identifier"]}}
    with (
        caplog.at_level(logging.DEBUG),
        serving(sqlite_files.new(), deliver="auto", deliver_to=("127.0.0.1",)) as server,
        server.client() as client,
    ):
        target = {"kind": "fhir", "url": f"{receiver.url}/fhir", "bearer_token": "invented-token"}
        path = client.post("/v1/targets", json=target).headers["Location"]
        stored = client.post("/v1/reading-sets", json=body).json()
        patience = time.monotonic() + 20
        while client.get(path).json()["waiting"] and time.monotonic() < patience:
            time.sleep(0.1)
    assert f"{stored['id']}/r0" in receiver.record.by_identifier()
    assert receiver.tokens == ["Bearer invented-token"] * 2
    ours = [record.getMessage() for record in caplog.records if record.name.startswith("quietcuff")]
    assert not any(word in line for line in ours for word in ("invented-token", stored["id"], "p-0001"))
