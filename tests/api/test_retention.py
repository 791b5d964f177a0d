"""What was deleted, for those who come for it: gone over HTTP, told in exports; the commands that delete. On both databases."""

from __future__ import annotations

import asyncio
import io
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from uuid import UUID, uuid4

import httpx
import pytest
from fhir.resources.R4B.bundle import Bundle
from sqlalchemy import update

from api.serving import Server, problem
from api.test_bulk import begin, exported, finished, here, lines_of
from api.test_fhir import BASE, outcome
from api.test_groups import made, sitting
from api.test_reading_sets import PATH, named, void, whole_set
from bodies import OPENED_SET
from quietcuff.cli import main
from quietcuff.storage.engine.store import NO_TENANT, open_store
from quietcuff.storage.rows.tenants import find_tenant
from quietcuff.storage.schema.sittings import reading_set

Envelope = dict[str, Any]


@pytest.fixture
def tenant(service: Server, monkeypatch: pytest.MonkeyPatch) -> str:
    """A tenant of its own, on a server of either kind whose database the commands are told of."""
    monkeypatch.setenv("QUIETCUFF_DATABASE_URL", service.database_url)
    return f"retention-{uuid4()}"


@pytest.fixture
def clinic(service: Server, tenant: str) -> Any:
    with service.client(tenant=tenant) as made:
        yield made


def came_in_on_its_day(service: Server, tenant: str, set_id: str) -> None:
    """Say of a set that it arrived on the day of its readings: what came in today is kept from today on."""

    async def run() -> None:
        store = open_store(service.database_url)
        found = await store.read(NO_TENANT, lambda snapshot: find_tenant(snapshot, tenant))
        assert found is not None
        row = update(reading_set).where(reading_set.c.tenant_id == found.tenant_id, reading_set.c.set_id == UUID(set_id))
        arrived = row.values(touched_at=datetime(2026, 5, 4, 12, tzinfo=UTC))
        await store.write(found.tenant_id, lambda connection: connection.execute(arrived))
        await store.close()

    asyncio.run(run())


def retention(*arguments: str, tenant: str) -> int:
    action, *rest = arguments
    return main(["retention", action, "--tenant", tenant, *rest])


def resources_of(client: httpx.Client, path: str) -> dict[str, dict[str, Any]]:
    """By address, everything of a set and its person."""
    entries = client.get(f"{path}/fhir").json()["entry"]
    return {f"{one['resource']['resourceType']}/{one['resource']['id']}": one["resource"] for one in entries}


def test_what_is_over_is_gone_for_every_reader(clinic: httpx.Client, tenant: str, service: Server) -> None:
    """Source: FHIR R4 http: 410 for what was deleted, on read and vread; a history tells of the deletion."""
    path, envelope = whole_set(clinic)
    clinic.post(f"{path}/corrections", json=void(0), headers={"If-Match": '"1"'})
    addresses = [name for name in resources_of(clinic, path) if not name.startswith("Device/")]
    assert len(addresses) >= 7
    came_in_on_its_day(service, tenant, envelope["id"])
    assert retention("apply", "--before", "2026-05-05", tenant=tenant) == 0
    for name in addresses:
        outcome(clinic.get(f"{BASE}/{name}"), 410, "deleted")
        assert clinic.head(f"{BASE}/{name}").status_code == 410
        outcome(clinic.get(f"{BASE}/{name}/_history/1"), 410, "deleted")
        history = clinic.get(f"{BASE}/{name}/_history").json()
        assert (history["type"], history["total"]) == ("history", 1)
        assert Bundle.model_validate(history)
        (entry,) = history["entry"]
        assert entry["request"] == {"method": "DELETE", "url": name} and "resource" not in entry
        assert clinic.get(f"{BASE}/{name}/_history", params={"_since": "2100-01-01T00:00:00Z"}).json()["total"] == 0
        counted = clinic.get(f"{BASE}/{name}/_history", params={"_count": "0"}).json()
        assert counted["total"] == 1 and "entry" not in counted and counted["link"][0]["url"].endswith("/_history?_count=0")
    for gone in (path, f"{path}/fhir", f"{path}/versions", f"{path}/versions/1", f"/v1/subjects/{envelope['subject_id']}"):
        problem(clinic.get(gone), 410, "deleted")
    for gone in ("summary", "trend.svg"):
        assert clinic.get(f"/v1/subjects/{envelope['subject_id']}/{gone}").status_code == 410
    for change in ("corrections", "reopen", "readings"):
        body = void(0) if change == "corrections" else {"readings": [], "closed": True}
        assert clinic.post(f"{path}/{change}", json=body, headers={"If-Match": '"2"'}).status_code == 410
    for kind in ("Observation", "Patient", "Provenance"):
        assert clinic.get(f"{BASE}/{kind}", params={"_total": "accurate"}).json()["total"] == 0
    assert clinic.get(PATH).json()["items"] == []


def test_what_never_was_there_is_not_found(clinic: httpx.Client, tenant: str, service: Server) -> None:
    path, envelope = whole_set(clinic)
    set_id = path.rpartition("/")[2]
    assert retention("erase", envelope["subject_id"], tenant=tenant) == 0
    for name in (f"Observation/{set_id}-r9", f"Provenance/{set_id}-v9", f"Observation/{set_id}", f"Patient/{set_id}"):
        outcome(clinic.get(f"{BASE}/{name}"), 404, "not-found")
    with service.client(tenant=f"other-{uuid4()}") as stranger:
        outcome(stranger.get(f"{BASE}/Observation/{set_id}-r0"), 404, "not-found")
        assert stranger.get(path).status_code == 404
    with service.client(tenant=tenant, scopes="system/Observation.rs?category=laboratory") as narrowed:
        outcome(narrowed.get(f"{BASE}/Observation/{set_id}-r0"), 404, "not-found")


def test_exports_tell_what_a_copy_is_to_delete(clinic: httpx.Client, tenant: str, tmp_path: Path) -> None:
    """Source: Bulk Data Access 3: Bundles of type transaction with DELETE entries, listed under ``deleted``."""
    paths = [whole_set(clinic)[0] for _ in range(3)]
    first, copy = exported(clinic)
    had = {f"{kind}/{one['id']}" for kind, found in copy.items() for one in found}
    gone = {name for path in paths[:2] for name in resources_of(clinic, path) if not name.startswith("Device/")}
    for path in paths[:2]:
        assert retention("erase", clinic.get(path).json()["subject_id"], tenant=tenant) == 0
    assert clinic.get(paths[2]).status_code == 200
    status = begin(clinic, _since=first["transactionTime"])
    manifest = finished(clinic, status)
    assert manifest["output"] == [] and [one["type"] for one in manifest["deleted"]] == ["Bundle"]
    bundles = lines_of(clinic, manifest["deleted"], "Bundle")
    assert {bundle["type"] for bundle in bundles} == {"transaction"} and all(map(Bundle.model_validate, bundles))
    requests = [entry["request"] for bundle in bundles for entry in bundle["entry"]]
    assert {request["method"] for request in requests} == {"DELETE"}
    assert {request["url"] for request in requests} == gone <= had and len(requests) == len(gone)
    # With that done a copy is what an export from the beginning holds.
    _, fresh = exported(clinic)
    assert {f"{kind}/{one['id']}" for kind, found in fresh.items() for one in found} == had - gone
    later, _ = exported(clinic, _since=manifest["transactionTime"])
    assert later["deleted"] == []
    people, _ = exported(clinic, _since=first["transactionTime"], _type="Patient")
    assert sum(one["count"] for one in people["deleted"]) == 2
    folder = tmp_path / "copy"
    assert main(["export", "--tenant", tenant, "--to", str(folder), "--since", first["transactionTime"]]) == 0
    (listed,) = json.loads((folder / "manifest" / "manifest.json").read_text())["deleted"]
    lines = [json.loads(line) for line in (folder / listed["url"]).read_text().splitlines()]
    assert {entry["request"]["url"] for line in lines for entry in line["entry"]} == gone


def test_an_export_of_a_group_tells_of_its_own_deletions_and_no_others(clinic: httpx.Client, tenant: str) -> None:
    """Groups by name, by a sitting, and by one that was taken back or of which nothing is left."""
    # Names of this test alone: others on the same server delete people too, and names are looked for in its whole file.
    ada, ben, cem, dan = (f"{name}-{uuid4()}" for name in ("ada", "ben", "cem", "dan"))
    room = {"system": "urn:example:room", "value": "7"}
    here, there = (sitting(clinic, name, "2026-05-04", **more) for name, more in ((ada, {"location": room}), (ben, {})))
    back = sitting(clinic, cem, "2026-05-04", location=room)
    stays = sitting(clinic, dan, "2026-05-04", location=room)
    by_room = made(clinic, location=room)
    names = [OPENED_SET["subject"]["identifier"] | {"value": name} for name in (ben, dan)]
    by_name, by_both = made(clinic, identifiers=names), made(clinic, identifiers=names, location=room)
    groups = (by_room, by_name, by_both)
    since = exported(clinic, f"Group/{by_room['id']}/$export")[0]["transactionTime"]
    (of_cem,) = (one["id"] for one in clinic.get("/v1/reading-sets").json()["items"] if one["subject_id"] == back)
    voiding = {"reason": "another person's", "changes": [{"change": "void-set"}]}
    assert clinic.post(f"{PATH}/{of_cem}/corrections", json=voiding, headers={"If-Match": '"1"'}).status_code == 200
    for person in (here, there, back):
        assert retention("erase", person, tenant=tenant) == 0
    told = [people_deleted(clinic, f"Group/{group['id']}/$export", since) for group in groups]
    assert told == [{here, back}, {there}, set()]
    assert people_deleted(clinic, "$export", since) == {here, there, back}
    assert clinic.get(f"/v1/groups/{by_room['id']}").json()["people"] == 1 and stays not in told[0]


def people_deleted(client: httpx.Client, path: str, since: str) -> set[str]:
    status = begin(client, path, _since=since)
    bundles = lines_of(client, finished(client, status)["deleted"], "Bundle")
    urls = [entry["request"]["url"] for bundle in bundles for entry in bundle["entry"]]
    return {url.removeprefix("Patient/") for url in urls if url.startswith("Patient/")}


def test_erasing_ends_the_exports_that_may_hold_the_person(clinic: httpx.Client, tenant: str) -> None:
    _, envelope = whole_set(clinic)
    status = begin(clinic)
    manifest = finished(clinic, status)
    assert retention("erase", envelope["subject_id"], tenant=tenant) == 0
    assert clinic.get(status).status_code == 404
    assert clinic.get(here(manifest["output"][0]["url"])).status_code == 404


def test_an_identifier_whose_sitting_was_deleted_is_free_again(clinic: httpx.Client, tenant: str) -> None:
    person = {"identifier": {"system": "urn:example:mrn", "value": str(uuid4())}}
    visit = {"system": "urn:example:visit", "value": str(uuid4())}
    body = {**OPENED_SET, "identifier": visit, "subject": person, "closed": True}
    first = clinic.post(PATH, json=body).json()
    assert retention("erase", first["subject_id"], tenant=tenant) == 0
    again = clinic.post(PATH, json=body)
    assert again.status_code == 201 and "Idempotency-Replayed" not in again.headers
    second = again.json()
    assert second["id"] != first["id"] and second["subject_id"] == first["subject_id"]
    patient = clinic.get(f"{BASE}/Patient/{first['subject_id']}")
    assert (patient.status_code, patient.headers["ETag"]) == (200, 'W/"3"')
    assert [one["resource"]["meta"]["versionId"] for one in clinic.get(f"{patient.request.url}/_history").json()["entry"]] == [
        "3"
    ]


def test_the_trail_tells_who_deleted_what(clinic: httpx.Client, tenant: str) -> None:
    _, envelope = whole_set(clinic)
    assert retention("erase", envelope["subject_id"], tenant=tenant) == 0
    found = clinic.get(f"{BASE}/AuditEvent", params={"patient": envelope["subject_id"]}).json()["entry"]
    said = {(one["resource"]["action"], one["resource"]["subtype"][1]["code"]) for one in found}
    assert {("C", "create-set"), ("D", "delete-set"), ("D", "delete-subject")} <= said


def test_the_commands_say_what_they_did(
    clinic: httpx.Client, tenant: str, capsys: pytest.CaptureFixture[str], service: Server
) -> None:
    _, envelope = whole_set(clinic)
    came_in_on_its_day(service, tenant, envelope["id"])
    subject_id = envelope["subject_id"]

    def told(*arguments: str, code: int = 0) -> str:
        assert retention(*arguments, tenant=tenant) == code
        said = capsys.readouterr()
        return said.out + said.err

    assert "1 set(s) would be deleted" in told("apply", "--before", "2026-05-05", "--dry-run")
    assert "0 set(s) would be deleted" in told("apply", "--before", "2026-05-04", "--dry-run")
    assert "keep-years" in told("apply", code=1)
    assert "A day that has begun" in told("apply", "--before", "2199-01-01", code=1)
    assert "such as 2016-01-01" in told("apply", "--before", "last year", code=1)
    assert "Held." in told("hold", subject_id, "--reason", "an inquiry")
    assert "an inquiry" in told("holds") and "Held already." in told("hold", subject_id, "--reason", "again")
    assert "release it first" in told("erase", subject_id, code=1)
    assert "Deleted: 0 set(s)" in told("apply", "--before", "2026-05-05")
    assert "Released." in told("release", subject_id) and "not held" in told("release", subject_id)
    assert main(["tenants", "set", tenant, "--keep-years", "201"]) == 1
    assert main(["tenants", "set", tenant, "--keep-years", "15"]) == 0
    capsys.readouterr()
    assert "0 set(s) would be deleted" in told("apply", "--dry-run")
    assert "Deleted: 1 set(s), 1 person(s), 0 payload(s)." in told("apply", "--before", "2026-05-05")
    assert clinic.get(f"/v1/subjects/{subject_id}").status_code == 410
    assert told("erase", subject_id, code=1) and told("erase", "nobody", code=1)


def test_erasure_tells_what_it_removed_and_how_that_was_checked(
    clinic: httpx.Client, tenant: str, capsys: pytest.CaptureFixture[str], service: Server
) -> None:
    _, envelope = whole_set(clinic)
    assert retention("erase", "--yes", envelope["subject_id"], tenant=tenant) == 0
    said = capsys.readouterr().err
    assert "Deleted: 1 set(s), 1 person(s), 0 payload(s)." in said
    assert "reading 4" in said and "set_version 1" in said and "rows of all tables of the tenant read again" in said
    assert ("SQLite's file" in said) == service.database_url.startswith("sqlite")
    assert ("PostgreSQL keeps" in said) == service.database_url.startswith("postgresql")
    assert OPENED_SET["subject"]["identifier"]["value"] not in said


def test_erasure_where_another_tenant_has_a_person_of_that_name_leaves_nothing(
    clinic: httpx.Client, tenant: str, capsys: pytest.CaptureFixture[str], service: Server
) -> None:
    body = named(OPENED_SET)
    with service.client(tenant=f"other-{uuid4()}") as other:
        made = [one.post(PATH, json=body) for one in (clinic, other)]
        assert retention("erase", made[0].json()["subject_id"], tenant=tenant) == 0
        assert other.get(made[1].headers["Location"]).status_code == 200
    said = capsys.readouterr().err
    assert "is left in" not in said
    if service.database_url.startswith("sqlite"):
        assert "of others, of this tenant or another" in said


def test_erasure_asks_back_at_a_terminal(
    clinic: httpx.Client, tenant: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    path, envelope = whole_set(clinic)
    for answer in ("", "no\n", "y\n"):
        monkeypatch.setattr("sys.stdin", Terminal(answer))
        assert retention("erase", envelope["subject_id"], tenant=tenant) == 1
        assert "Nothing was deleted" in capsys.readouterr().err and clinic.get(path).status_code == 200
    monkeypatch.setattr("sys.stdin", Terminal("yes\n"))
    assert retention("erase", envelope["subject_id"], "--no-search", tenant=tenant) == 0
    assert clinic.get(path).status_code == 410 and "Checked" not in capsys.readouterr().err
