"""Exports against what is stored: nothing is missing, nothing twice, each as it stood, whoever dies on the way."""

from __future__ import annotations

import asyncio
import itertools
import json
import random
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from uuid import UUID, uuid4

import msgspec
import pytest

from application.exports import LIMITS, by_id, export, outcome, plan_of
from bodies import OPENED_SET
from fhir_r4.generated import generated_bodies
from fhir_r4.profiles import faults_of
from fhir_r4.stored_sets import Clinic, open_clinic
from quietcuff import application
from quietcuff.application import retention
from quietcuff.application.bulk import worker as bulk_worker
from quietcuff.application.bulk.jobs import end_export, read_export, start_export
from quietcuff.application.bulk.worker import ExportLimits, ExportWorker, moment_with_all_before
from quietcuff.core.model.changes import SubjectChange
from quietcuff.core.model.errors import NotAcceptable, NotFound, QuietcuffError
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.fhir.bulk import pages as bulk_walk
from quietcuff.fhir.bulk.pages import Walk, make_lines, read_page
from quietcuff.fhir.bulk.plan import Progress, TypeFilter
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.bulk import pages
from quietcuff.storage.bulk.groups import Members, SittingFilter
from quietcuff.storage.bulk.jobs import EXPORTS
from quietcuff.storage.engine.ids import new_set_id
from quietcuff.storage.engine.store import Store, open_store
from quietcuff.storage.rows import changed as changed_since

PROCESS = Path(__file__).with_name("bulk_worker_process.py")


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


@pytest.fixture
async def clinic(store: Store, rulebook: Rulebook) -> Clinic:
    return await open_clinic(store, rulebook)


async def receive_some(clinic: Clinic, seed: int, count: int) -> list[dict[str, Any]]:
    """Store generated sets; those that are no one sitting are passed over."""
    stored = []
    for body in generated_bodies(seed):
        try:
            stored.append(await clinic.receive(body))
        except NotAcceptable:
            continue
        if len(stored) == count:
            break
    return stored


async def change_something(clinic: Clinic, rng: random.Random, envelope: dict[str, Any]) -> None:
    """Correct, void or close a set, if that is allowed now."""
    index = rng.randrange(len(envelope["reading_set"]["readings"]))
    change = rng.choice(
        [
            {"change": "amend-reading", "index": index, "set": {"pulse_per_min": rng.choice([None, 60, 61])}},
            {"change": "void-reading", "index": index},
            {"change": "void-set"},
            {"change": "amend-set", "set": {"context": {"rest_minutes": rng.randint(1, 9)}}},
        ]
    )
    version = envelope["version"]
    try:
        if rng.random() < 0.3:
            await clinic.append(envelope["id"], readings=[], closed=True)
        else:
            await clinic.correct(envelope["id"], version, change)
    except QuietcuffError:
        return


async def searched(clinic: Clinic, *items: tuple[str, str], resource_type: str = "Observation") -> dict[str, dict[str, Any]]:
    """Everything that a search finds, page by page, by id."""
    found: dict[str, dict[str, Any]] = {}
    cursor: list[tuple[str, str]] = []
    while True:
        page = await clinic.search_of(resource_type, *items, ("_count", "200"), *cursor)
        for entry in page.get("entry", []):
            found[entry["resource"]["id"]] = entry["resource"]
        following = [link["url"] for link in page["link"] if link["relation"] == "next"]
        if not following:
            return found
        cursor = [("_cursor", following[0].rpartition("_cursor=")[2].replace("%3D", "="))]


FILTERS: tuple[tuple[tuple[str, str], ...], ...] = (
    (),
    (("code", "96607-7"),),
    (("code", "85354-9,8867-4"), ("date", "lt2026-05-15")),
    (("status", "entered-in-error"),),
    (("category", "vital-signs,laboratory"), ("date", "ge2026-05-10")),
    (("code", "http://loinc.org|8480-6"),),
    (("combo-code-value-quantity", "8480-6$gt130|http://unitsofmeasure.org|mm[Hg]"),),
)
OTHER_FILTERS = {
    "Patient": ((("identifier", "urn:example:mrn|p-0001,0"),), (("_lastUpdated", "lt2026-06-01T08:00:40Z"),)),
    "Device": ((("identifier", "SN-0007"),), (("_id", "quietcuff"),)),
    "Provenance": ((("recorded", "ge2026-06-01T08:01:30Z"),), (("recorded", "lt2026-06-01T08:00:20Z"),)),
}


async def test_an_export_is_the_union_of_what_searches_find(clinic: Clinic) -> None:
    rng = random.Random(20260504)
    for envelope in await receive_some(clinic, 11, 40):
        if rng.random() < 0.5:
            await change_something(clinic, rng, envelope)
    for first, second in itertools.pairwise((*FILTERS, FILTERS[1])):
        filters = tuple(TypeFilter("Observation", parameters) for parameters in (first, second))
        _, resources = await export(clinic, filters=filters, types=("Observation",))
        found = await searched(clinic, *first) | await searched(clinic, *second)
        assert {one["id"]: one for one in resources.get("Observation", [])} == found
    for kind, alternatives in OTHER_FILTERS.items():
        _, resources = await export(clinic, types=(kind,), filters=tuple(TypeFilter(kind, one) for one in alternatives))
        found = {}
        for parameters in alternatives:
            found |= await searched(clinic, *parameters, resource_type=kind)
        assert {one["id"]: one for one in resources[kind]} == found
        assert 0 < len(found) < len(await searched(clinic, resource_type=kind))
    _, everything = await export(clinic)
    assert {one["id"]: one for one in everything["Observation"]} == await searched(clinic)
    for kind in ("Patient", "Device", "Provenance"):
        for resource in everything[kind]:
            assert json.loads((await clinic.read(kind, resource["id"])).body) == resource


async def test_a_chain_of_exports_tells_what_one_export_tells(clinic: Clinic, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pages, "SETS_A_PAGE", 5)
    rng, mirror, since = random.Random(20260505), {}, None
    stored: list[dict[str, Any]] = []
    for round_number in range(6):
        stored += await receive_some(clinic, 100 + round_number, 8)
        for envelope in rng.sample(stored, 5):
            await change_something(clinic, rng, envelope)
        # Found by the time of their change where they are few, and among all sets where they are not.
        monkeypatch.setattr(changed_since, "FEW_ROWS", -1 if round_number % 2 else 5_000)
        since, changed = await export(clinic, since=since)
        mirror |= by_id(changed)
    _, whole = await export(clinic)
    assert mirror == by_id(whole)
    assert len(mirror) > 300


async def test_each_resource_is_exported_as_it_stood_at_the_export_s_moment(
    clinic: Clinic, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pages, "SETS_A_PAGE", 3)
    rng = random.Random(20260506)
    stored = await receive_some(clinic, 12, 24)
    for envelope in rng.sample(stored, 8):
        await change_something(clinic, rng, envelope)
    _, before = await export(clinic)
    walk = Walk(
        publisher=clinic.publisher, plan=plan_of(), at=await moment_with_all_before(clinic.desk, clinic.tenant.tenant_id)
    )
    progress, found = Progress(), []
    while progress.step != "end":
        page = await clinic.store.read(clinic.tenant.tenant_id, lambda snapshot, at=progress: read_page(snapshot, walk, at))
        produced = make_lines(walk, progress, page)
        found += [json.loads(line) for lines in produced.lines.values() for line in lines]
        progress = produced.progress
        for envelope in rng.sample(stored, 4):
            await change_something(clinic, rng, await current(clinic, envelope["id"]))
        await receive_some(clinic, rng.randrange(10**6), 1)
        await rename_somebody(clinic, stored[0]["reading_set"]["subject"]["identifier"], rng)
    assert {f"{one['resourceType']}/{one['id']}": one for one in found} == by_id(before)
    _, after = await export(clinic)
    moved = [key for key, one in by_id(after).items() if by_id(before).get(key) != one]
    assert len(moved) > 20


async def current(clinic: Clinic, set_id: str) -> dict[str, Any]:
    answer = await application.read_set(clinic.desk, clinic.caller, set_id)
    found: dict[str, Any] = json.loads(answer.body)
    return found


async def rename_somebody(clinic: Clinic, identifier: dict[str, str], rng: random.Random) -> None:
    """Change what is known of a person in the registry."""
    change = msgspec.convert({"identifier": identifier, "birth_date": f"19{rng.randint(10, 99)}"}, SubjectChange)
    await application.save_subject(clinic.desk, clinic.caller, change, if_match=None)


async def test_two_thousand_exported_resources_are_valid(sqlite_url: str, rulebook: Rulebook) -> None:
    store = open_store(sqlite_url)
    clinic = await open_clinic(store, rulebook)
    await receive_some(clinic, 13, 260)
    _, resources = await export(clinic)
    found = [one for kind in resources.values() for one in kind]
    assert len(found) > 2_000
    faults = [f"{one['resourceType']}/{one['id']}: {fault}" for one in found for fault in faults_of(one)]
    assert faults[:20] == []
    there = set(by_id(resources))
    pointed = {reference for one in found for reference in references(one) if not reference.startswith("#")}
    assert pointed - there == set()
    await store.close()


def references(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        if isinstance(value.get("reference"), str):
            yield value["reference"]
        value = list(value.values())
    if isinstance(value, list):
        for item in value:
            yield from references(item)


async def test_people_may_be_chosen_by_the_sittings_they_had(clinic: Clinic) -> None:
    stored = await receive_some(clinic, 14, 60)
    chosen = SittingFilter(since=datetime(2026, 5, 10, tzinfo=UTC), until=datetime(2026, 5, 20, tzinfo=UTC), setting="home")
    _, resources = await export(clinic, members=Members(sittings=chosen))
    expected = {
        envelope["subject_id"]
        for envelope in stored
        if envelope["reading_set"]["setting"] == "home" and "2026-05-10" <= first_taken(envelope) < "2026-05-20"
    }
    assert {one["id"] for one in resources["Patient"]} == expected != set()
    subjects = {one["subject"]["reference"] for one in resources["Observation"]}
    assert subjects == {f"Patient/{person}" for person in expected}
    there = set(by_id(resources))
    assert {one for kind in resources.values() for x in kind for one in references(x) if not one.startswith("#")} <= there
    one = UUID(sorted(expected)[0])
    _, his = await export(clinic, members=Members(subject_ids=frozenset((one,))))
    assert [patient["id"] for patient in his["Patient"]] == [str(one)]


def first_taken(envelope: dict[str, Any]) -> str:
    taken = [
        datetime.fromisoformat(reading["taken_at"]) for reading in envelope["reading_set"]["readings"] if not reading["voided"]
    ]
    return min(taken).astimezone(UTC).isoformat()


@contextmanager
def open_write(database_url: str, clinic: Clinic, rulebook: Rulebook, seconds: float) -> Iterator[None]:
    """A sitting that is being stored by another process: stamped, and not committed for some time yet."""
    stamped = threading.Event()

    def slow_id(subject: UUID, at: datetime) -> UUID:
        stamped.set()
        time.sleep(seconds)
        return new_set_id(subject, at)

    async def write() -> None:
        store = open_store(database_url)
        desk = application.open_desk(store, rulebook, clock=clinic.desk.clock, new_id=slow_id)
        other = Clinic(store, rulebook, clinic.tenant)
        other.desk = desk
        await other.receive({**OPENED_SET, "identifier": None, "closed": True})
        await store.close()

    thread = threading.Thread(target=lambda: asyncio.run(write()))
    thread.start()
    assert stamped.wait(10)
    try:
        yield
    finally:
        thread.join()


async def test_a_write_that_is_open_when_an_export_begins_is_not_lost(
    clinic: Clinic, database_url: str, rulebook: Rulebook
) -> None:
    await receive_some(clinic, 15, 3)
    with open_write(database_url, clinic, rulebook, 0.4):
        moment, first = await export(clinic)
    _, second = await export(clinic, since=moment)
    assert (by_id(first) | by_id(second)) == by_id((await export(clinic))[1])
    assert len(by_id(first).keys() & by_id(second).keys()) == 0


async def test_without_waiting_for_writers_it_would_be_lost(
    postgresql_url: str, rulebook: Rulebook, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = open_store(postgresql_url)
    clinic = await open_clinic(store, rulebook)
    monkeypatch.setattr(bulk_worker, "wait_for_writers", lambda connection, tenant_id: None)
    with open_write(postgresql_url, clinic, rulebook, 0.4):
        moment, first = await export(clinic)
    _, second = await export(clinic, since=moment)
    assert len(by_id(first) | by_id(second)) < len(by_id((await export(clinic))[1]))
    await store.close()


async def test_a_stuck_writer_holds_an_export_up_and_nobody_else(
    postgresql_url: str, rulebook: Rulebook, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("quietcuff.storage.bulk.jobs.PATIENCE_SECONDS", "0.1")
    store = open_store(postgresql_url)
    clinic = await open_clinic(store, rulebook)
    clinic.desk = application.open_desk(store, rulebook)
    job_id = await start_export(clinic.desk, clinic.caller, plan_of(), LIMITS)
    with open_write(postgresql_url, clinic, rulebook, 1):
        await ExportWorker(clinic.desk, "https://bp.example.org", LIMITS).work()
        with pytest.raises(NotFound):
            await read_export(clinic.desk, clinic.caller, job_id)
    await asyncio.sleep(0)
    job = await store.read(
        clinic.tenant.tenant_id, lambda snapshot: EXPORTS.find(snapshot, clinic.tenant.tenant_id, UUID(job_id))
    )
    assert job is not None and (job.state, job.attempts) == ("running", 0)
    await store.close()


@contextmanager
def worker_process(database_url: str, sets_a_page: int) -> Iterator[subprocess.Popen[bytes]]:
    """A worker of its own, killed at the end if it was not before."""
    command = [sys.executable, str(PROCESS), database_url, str(sets_a_page)]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
        try:
            assert process.stdout is not None and process.stdout.readline() == b"ready\n"
            yield process
        finally:
            process.kill()


async def job_of(clinic: Clinic, job_id: str) -> Any:
    tenant_id = clinic.tenant.tenant_id
    return await clinic.store.read(tenant_id, lambda snapshot: EXPORTS.find(snapshot, tenant_id, UUID(job_id)))


async def until(condition: Any, seconds: float = 40) -> None:
    end = time.monotonic() + seconds
    while not await condition():
        assert time.monotonic() < end, "it takes too long"
        await asyncio.sleep(0.01)


async def test_another_goes_on_where_a_killed_worker_was(clinic: Clinic, database_url: str) -> None:
    await receive_some(clinic, 16, 50)
    clinic.desk = application.open_desk(clinic.store, clinic.desk.rulebook)
    job_id = await start_export(clinic.desk, clinic.caller, plan_of(), LIMITS)

    async def is_halfway() -> bool:
        return bulk_worker.PROGRESS.decode((await job_of(clinic, job_id)).progress).resources > 60

    async def is_done() -> bool:
        return bool((await job_of(clinic, job_id)).state == "done")

    with worker_process(database_url, 1) as first:
        await until(is_halfway)
        first.kill()
        first.wait()
    killed = await job_of(clinic, job_id)
    assert killed.state == "running"
    with worker_process(database_url, 20):
        await until(is_done)
    finished = await job_of(clinic, job_id)
    assert finished.worker != killed.worker
    assert finished.transaction_time == killed.transaction_time
    _, resumed = await outcome(clinic, job_id)
    assert by_id(resumed) == by_id((await export(clinic))[1])


async def test_a_worker_that_is_stopped_leaves_its_job_to_the_next_at_once(
    clinic: Clinic, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pages, "SETS_A_PAGE", 1)
    await receive_some(clinic, 20, 20)
    clinic.desk = application.open_desk(clinic.store, clinic.desk.rulebook)
    job_id = await start_export(clinic.desk, clinic.caller, plan_of(), LIMITS)
    task = asyncio.create_task(ExportWorker(clinic.desk, "https://bp.example.org", LIMITS).work())

    async def is_begun() -> bool:
        return bulk_worker.PROGRESS.decode((await job_of(clinic, job_id)).progress).resources > 20

    await until(is_begun)
    task.cancel()
    await asyncio.wait([task])
    stopped = await job_of(clinic, job_id)
    assert stopped.state == "running" and stopped.lease_until <= datetime.now(UTC)
    await ExportWorker(clinic.desk, "https://bp.example.org", LIMITS).work()
    _, resumed = await outcome(clinic, job_id)
    assert by_id(resumed) == by_id((await export(clinic))[1])


async def test_two_processes_share_the_jobs(postgresql_url: str, rulebook: Rulebook) -> None:
    store = open_store(postgresql_url)
    clinic = await open_clinic(store, rulebook)
    await receive_some(clinic, 17, 20)
    clinic.desk = application.open_desk(store, rulebook)
    jobs: list[str] = []

    async def all_done() -> bool:
        return all([(await job_of(clinic, job_id)).state == "done" for job_id in jobs])

    with worker_process(postgresql_url, 1), worker_process(postgresql_url, 1):
        jobs += [await start_export(clinic.desk, clinic.caller, plan_of(), LIMITS) for _ in range(4)]
        await until(all_done)
    assert len({(await job_of(clinic, job_id)).worker for job_id in jobs}) == 2
    exports = [by_id((await outcome(clinic, job_id))[1]) for job_id in jobs]
    assert all(one == exports[0] for one in exports)
    await store.close()


async def test_what_fails_every_time_is_told_in_the_end(clinic: Clinic, monkeypatch: pytest.MonkeyPatch) -> None:
    await receive_some(clinic, 18, 2)
    limits = ExportLimits(lease_seconds=0)
    job_id = await start_export(clinic.desk, clinic.caller, plan_of(), limits)

    def fail(*given: object) -> None:
        raise RuntimeError("a defect")

    monkeypatch.setattr(bulk_worker, "produce", fail)
    worker = ExportWorker(clinic.desk, "https://bp.example.org", limits)
    for _ in range(5):
        with pytest.raises(RuntimeError):
            await worker.work()
    await worker.work()
    assert (await read_export(clinic.desk, clinic.caller, job_id)).state == "failed"


async def test_files_are_swept_away_when_their_time_is_over(clinic: Clinic, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pages, "SETS_A_PAGE", 1)
    await receive_some(clinic, 19, 30)
    limits = ExportLimits(hours_kept=1)
    kept = await start_export(clinic.desk, clinic.caller, plan_of(), limits)
    ended = await start_export(clinic.desk, clinic.caller, plan_of(), limits)
    worker = ExportWorker(clinic.desk, "https://bp.example.org", limits)
    await worker.work()
    await end_export(clinic.desk, clinic.caller, ended)
    await worker.work()
    assert await job_of(clinic, ended) is None
    assert (await read_export(clinic.desk, clinic.caller, kept)).state == "done"
    clock = clinic.desk.clock
    later = application.open_desk(clinic.store, clinic.desk.rulebook, clock=lambda: clock().replace(year=2027))
    with pytest.raises(NotFound):
        await read_export(later, clinic.caller, kept)
    await ExportWorker(later, "https://bp.example.org", limits).work()
    rows = await clinic.store.read(
        clinic.tenant.tenant_id, lambda snapshot: snapshot.exec_driver_sql("SELECT count(*) FROM export_chunk").scalar_one()
    )
    assert (rows, await job_of(clinic, kept)) == (0, None)
    with pytest.raises(NotFound):
        await end_export(clinic.desk, clinic.caller, str(uuid4()))


@pytest.mark.parametrize("page", [1, 1_000])
async def test_what_was_deleted_is_told_to_the_groups_that_had_it(
    clinic: Clinic, page: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Pages of any length tell all of it once; a group by people tells of its people, one by sittings of everybody."""
    monkeypatch.setattr(bulk_walk, "DELETIONS_A_PAGE", page)
    stored = await receive_some(clinic, 5, 6)
    since, before = await export(clinic)
    people = list(dict.fromkeys(one["subject_id"] for one in stored))[:3]
    for subject_id in people:
        await retention.erase(clinic.desk, clinic.caller, subject_id)
    had = {name for name, one in by_id(before).items() if owner_of(one) in people or name.removeprefix("Patient/") in people}
    of_them = {f"Provenance/{one['id']}-v1" for one in stored if one["subject_id"] in people}
    for members, told in (
        (Members(), set(people)),
        (Members(sittings=SittingFilter(setting="office")), set(people)),
        (Members(subject_ids=frozenset([UUID(people[0])])), {people[0]}),
    ):
        _, found = await export(clinic, since=since, members=members)
        requests = [entry["request"]["url"] for bundle in found.get("Bundle", []) for entry in bundle["entry"]]
        assert len(set(requests)) == len(requests)
        assert {name.removeprefix("Patient/") for name in requests if name.startswith("Patient/")} == told
        if len(told) > 1:
            assert set(requests) == had | of_them


def owner_of(resource: dict[str, Any]) -> str:
    """Whose an Observation is."""
    reference: str = resource.get("subject", {}).get("reference", "")
    return reference.removeprefix("Patient/")
