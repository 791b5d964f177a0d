"""What is over is deleted whole, what is held or newer stays whole, and nothing that is said of a person is left anywhere."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import zlib
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import msgspec
import pytest
from sqlalchemy import select

from application.clinic import Clinic, first_visit, on_day, reading, sitting, told
from quietcuff import application
from quietcuff.application import read_set, read_subject, retention
from quietcuff.application.payloads import device_payloads
from quietcuff.core.model.changes import SubjectChange
from quietcuff.core.model.errors import Conflict, Deleted, Fault, NotFound
from quietcuff.core.model.readings import Identifier, Reading, Subject
from quietcuff.decode.payload import IncomingReading, Intended, IntendedSitting
from quietcuff.storage.engine.store import NO_TENANT
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows.tenants import TenantSettings, save_settings
from quietcuff.storage.rows.verify import SLICES, look_through
from quietcuff.storage.schema.codes import ACTION
from quietcuff.storage.schema.sittings import metadata

pytestmark = pytest.mark.partitions

CUT = datetime(2026, 5, 1, tzinfo=UTC)
KEPT_IDS = {"deleted_set", "deleted_subject", "trail"}


async def visit(clinic: Clinic, person: str, day: str, **more: Any) -> str:
    """A closed sitting that came in on its day; its id."""
    now, clinic.clock.now = clinic.clock.now, datetime.fromisoformat(f"{day}T12:00:00+00:00")
    try:
        return (await clinic.receive(sitting(on_day(first_visit(), day), person, **more))).set_id
    finally:
        clinic.clock.now = now


async def subject_of(clinic: Clinic, set_id: str) -> str:
    found: str = told(await read_set(clinic.desk, clinic.caller, set_id))["subject_id"]
    return found


async def is_there(clinic: Clinic, set_id: str) -> bool:
    try:
        await read_set(clinic.desk, clinic.caller, set_id)
    except Deleted:
        return False
    return True


async def flaws(clinic: Clinic) -> list[Any]:
    """All that does not hold together."""
    tenant_id = clinic.tenant.tenant_id

    def look(transaction: Transaction) -> list[Any]:
        slices = (look_through(transaction, tenant_id, number)[1] for number in range(SLICES))
        return list(itertools.chain.from_iterable(slices))

    return await clinic.read(look)


async def everything(clinic: Clinic) -> dict[str, bytes]:
    """By table, all that its rows hold, payloads unpacked."""

    def read(transaction: Transaction) -> dict[str, bytes]:
        found = {}
        for table in metadata.sorted_tables:
            rows = transaction.execute(select(table)).all()
            found[table.name] = b"\n".join(plain(value) for row in rows for value in row)
        return found

    return await clinic.read(read)


async def send(clinic: Clinic, body: bytes, *people: str) -> None:
    """Take a payload in that holds a reading of each of these people."""
    sittings = [
        IntendedSitting(
            subject=Subject(identifier=Identifier(system="urn:example:mrn", value=person)),
            readings=[IncomingReading(place="", source_key=f"{person}-1", reading=msgspec.convert(reading(90), Reading))],
        )
        for person in people
    ]
    payload = device_payloads.ReceivedPayload(kind="fhir", media_type="application/fhir+json", body=body)
    found = await device_payloads.store(
        clinic.desk, clinic.caller, clinic.tenant, payload, Intended(sittings=sittings, refused=[])
    )
    assert found.changed == len(people)


def plain(value: Any) -> bytes:
    if not isinstance(value, bytes):
        return str(value).encode()
    try:
        return zlib.decompress(value)
    except zlib.error:
        return value


async def test_what_is_over_goes_whole_and_what_is_newer_stays_whole(clinic: Clinic) -> None:
    old = await visit(clinic, "p-old", "2026-03-02", observer={"system": "urn:example:staff", "value": "n-leaving"})
    both = [await visit(clinic, "p-both", day) for day in ("2026-04-30", "2026-05-02")]
    subjects = [await subject_of(clinic, set_id) for set_id in (old, *both)]
    assert await retention.count_old(clinic.desk, clinic.caller, CUT) == 2
    how_far: list[tuple[float, int]] = []
    done = await retention.delete_old(clinic.desk, clinic.caller, CUT, told=lambda *told: how_far.append(told))
    assert (done.sets, done.subjects, done.payloads) == (2, 1, 0) and how_far == [(1.0, 2)]
    assert [await is_there(clinic, set_id) for set_id in (old, *both)] == [False, False, True]
    assert len({*subjects}) == 2 and not await flaws(clinic)
    rows = await everything(clinic)
    assert b"n-leaving" not in b"".join(rows.values())
    for name, found in rows.items():
        assert (old.encode() in found) == (name in {"deleted_set", "trail"}), name
    assert (await retention.delete_old(clinic.desk, clinic.caller, CUT)).sets == 0


async def test_what_came_in_lately_stays_however_long_ago_its_clock_says(clinic: Clinic) -> None:
    """A device whose clock fell back measures years ago; what it sends today is of today's keeping."""
    set_id = (await clinic.receive(sitting(on_day(first_visit(), "2000-01-01"), "p-clock"))).set_id
    assert await retention.count_old(clinic.desk, clinic.caller, CUT) == 0
    assert (await retention.delete_old(clinic.desk, clinic.caller, CUT)).sets == 0 and await is_there(clinic, set_id)
    later = clinic.clock.now + timedelta(days=1)
    assert await retention.count_old(clinic.desk, clinic.caller, later) == 1
    assert (await retention.delete_old(clinic.desk, clinic.caller, later)).sets == 1


async def test_a_person_goes_with_the_last_of_their_sets(clinic: Clinic) -> None:
    set_id = await visit(clinic, "p-once", "2026-05-04")
    subject_id = await subject_of(clinic, set_id)
    done = await retention.delete_old(clinic.desk, clinic.caller, datetime(2026, 6, 1, tzinfo=UTC))
    assert (done.sets, done.subjects) == (1, 1)
    with pytest.raises(Deleted):
        await read_subject(clinic.desk, clinic.caller, subject_id)
    for name, found in (await everything(clinic)).items():
        assert b"p-once" not in found, name
        assert (subject_id.encode() in found) == (name in KEPT_IDS), name
    assert not await flaws(clinic)


async def test_who_comes_again_goes_on_counting_versions(clinic: Clinic) -> None:
    first = await visit(clinic, "p-again", "2026-05-04")
    subject_id = await subject_of(clinic, first)
    before = msgspec.json.decode((await read_subject(clinic.desk, clinic.caller, subject_id)).body)["version"]
    await retention.erase(clinic.desk, clinic.caller, subject_id)
    second = await visit(clinic, "p-again", "2026-05-05")
    assert await subject_of(clinic, second) == subject_id and second != first
    after = msgspec.json.decode((await read_subject(clinic.desk, clinic.caller, subject_id)).body)
    assert after["version"] == before + 2, "the deletion is a version too"
    assert not await is_there(clinic, first) and await is_there(clinic, second)


async def test_nothing_that_was_said_of_an_erased_person_is_left(clinic: Clinic) -> None:
    """Open sets, corrected ones, keys, payloads with other people's readings in them, and what was said of others stays."""
    opened = sitting(
        first_visit()[:1], "p-marked-7731", closed=False, location={"system": "urn:example:room", "value": "room-7731"}
    )
    await clinic.receive(opened, key="key-7731")
    closed = await clinic.receive(sitting(person="p-marked-7731"))
    await clinic.correct(closed, {"change": "amend-reading", "index": 1, "set": {"systolic_mmhg": 151}}, reason="reason-7731")
    other = await visit(clinic, "p-other", "2026-05-04")
    body = b"what a system sent of p-marked-7731 and p-other"
    subject_id = await subject_of(clinic, closed.set_id)
    await send(clinic, body, "p-marked-7731", "p-other")
    # Each mark with its word: ids and digests may have the digits in them.
    marks = (b"marked-7731", b"room-7731", b"key-7731", b"reason-7731")
    marked = {name for name, found in (await everything(clinic)).items() if any(mark in found for mark in marks)}
    assert marked == {"subject", "reading_set", "set_version", "payload"}
    done = await retention.erase(clinic.desk, clinic.caller, subject_id)
    assert (done.sets, done.subjects, done.payloads) == (3, 1, 1)
    for name, found in (await everything(clinic)).items():
        assert not any(mark in found for mark in marks), name
        assert (subject_id.encode() in found) == (name in KEPT_IDS), name
    assert await is_there(clinic, other) and not await flaws(clinic)
    with pytest.raises(Deleted):
        await retention.erase(clinic.desk, clinic.caller, subject_id)
    with pytest.raises(NotFound):
        await retention.erase(clinic.desk, clinic.caller, "0f8c2a34-6f0e-4c0b-9a53-2a4c7c1b9d11")


async def test_what_is_held_stays_until_it_is_released(clinic: Clinic) -> None:
    set_id = await visit(clinic, "p-held", "2026-03-02")
    subject_id = await subject_of(clinic, set_id)
    assert await retention.hold(clinic.desk, clinic.caller, subject_id, "an inquiry")
    assert not await retention.hold(clinic.desk, clinic.caller, subject_id, "once more")
    assert [hold.reason for hold in await retention.list_holds(clinic.desk, clinic.caller)] == ["an inquiry"]
    assert (await retention.delete_old(clinic.desk, clinic.caller, CUT)).sets == 0
    with pytest.raises(Conflict) as refused:
        await retention.erase(clinic.desk, clinic.caller, subject_id)
    assert refused.value.code == "on-hold"
    assert await retention.release(clinic.desk, clinic.caller, subject_id)
    assert not await retention.release(clinic.desk, clinic.caller, subject_id)
    assert (await retention.delete_old(clinic.desk, clinic.caller, CUT)).sets == 1
    actions = {action for (action,) in await clinic.rows("SELECT action FROM trail")}
    assert {ACTION.number(word) for word in ("hold-subject", "release-subject", "delete-set", "delete-subject")} <= actions


async def test_an_open_set_is_not_over(clinic: Clinic) -> None:
    clinic.clock.move(days=-63)
    answer = await clinic.receive(sitting(on_day(first_visit()[:1], "2026-03-02"), "p-open", closed=False))
    assert (await retention.delete_old(clinic.desk, clinic.caller, CUT)).sets == 0
    await clinic.append(answer, {"readings": [], "closed": True})
    assert (await retention.delete_old(clinic.desk, clinic.caller, CUT)).sets == 1


async def test_who_was_registered_since_stays_registered(clinic: Clinic) -> None:
    set_id = await visit(clinic, "p-known", "2026-03-02")
    subject_id = await subject_of(clinic, set_id)
    change = msgspec.convert({"identifier": {"system": "urn:example:mrn", "value": "p-known"}, "sex": "female"}, SubjectChange)
    await application.save_subject(clinic.desk, clinic.caller, change, if_match=None)
    done = await retention.delete_old(clinic.desk, clinic.caller, CUT)
    assert (done.sets, done.subjects) == (1, 0)
    assert b'"sex":"female"' in (await read_subject(clinic.desk, clinic.caller, subject_id)).body
    later = clinic.clock.now.replace(year=2027)
    clinic.clock.now = later.replace(year=2028)
    done = await retention.delete_old(clinic.desk, clinic.caller, later)
    assert (done.sets, done.subjects) == (0, 1), "once what the registry was told is as old"


async def test_payloads_go_with_the_last_set_that_they_made(clinic: Clinic) -> None:
    await send(clinic, b"of two people", "p-one", "p-two")
    await send(clinic, b"of one", "p-three")
    await device_payloads.keep_refused(
        clinic.desk,
        clinic.caller,
        clinic.tenant,
        device_payloads.ReceivedPayload(kind="hl7v2", media_type="application/hl7-v2", body=b"not readable"),
        [Fault(pointer="", code="not-readable", detail="One message.")],
    )
    clinic.clock.move(minutes=90)
    assert await application.close_idle_sets(clinic.desk) == 3
    ((two,),) = await clinic.rows("SELECT subject_id FROM subject WHERE value = 'p-two'")
    two = str(UUID(bytes=two) if isinstance(two, bytes) else two)
    await retention.hold(clinic.desk, clinic.caller, two, "an inquiry")
    before = clinic.clock.now
    done = await retention.delete_old(clinic.desk, clinic.caller, datetime(2026, 6, 1, tzinfo=UTC))
    assert (done.sets, done.subjects) == (2, 2)
    kept = (await everything(clinic))["payload"]
    assert b"of two people" in kept and b"of one" not in kept and done.payloads == 2
    assert await clinic.count("refused_payload") == 0 and before == clinic.clock.now
    await retention.release(clinic.desk, clinic.caller, two)
    assert (await retention.delete_old(clinic.desk, clinic.caller, datetime(2026, 6, 1, tzinfo=UTC))).payloads == 1
    assert await clinic.count("payload") == 0


async def test_the_service_deletes_what_a_tenant_does_not_keep(clinic: Clinic) -> None:
    ids = [await visit(clinic, f"p-{year}", f"{year}-05-03") for year in (2014, 2016, 2020)]
    assert (await retention.delete_what_is_over(clinic.desk)).sets == 0, "nothing is deleted unless a tenant says so"
    keeping = TenantSettings(keep_years=10)
    tenant_id = clinic.tenant.tenant_id
    await clinic.desk.store.write(NO_TENANT, lambda transaction: save_settings(transaction, tenant_id, keeping))
    clinic.desk.tenants.forget(tenant_id)
    done = await retention.delete_what_is_over(clinic.desk)
    assert (done.sets, done.subjects) == (2, 2)
    assert [await is_there(clinic, set_id) for set_id in ids] == [False, False, True]


def test_years_are_those_of_the_calendar() -> None:
    day = datetime(2028, 2, 29, 12, tzinfo=UTC)
    assert retention.years_before(day, 4) == day.replace(year=2024)
    assert retention.years_before(day, 1) == datetime(2027, 2, 28, 12, tzinfo=UTC)


async def test_who_measures_meanwhile_loses_nothing(clinic: Clinic) -> None:
    """Sittings come in, are corrected and deleted at once: each is whole or gone, and what is new is there."""
    old = [await visit(clinic, f"p-{number % 4}", "2026-03-02") for number in range(24)]

    async def measure(number: int) -> str:
        return await visit(clinic, f"p-{number % 4}", "2026-05-04")

    async def correct(set_id: str) -> None:
        change = {"change": "amend-set", "set": {"context": {"rest_minutes": 7}}}
        with contextlib.suppress(NotFound):
            await clinic.correct(await read_set(clinic.desk, clinic.caller, set_id), change)

    work = [retention.delete_old(clinic.desk, clinic.caller, CUT) for _ in range(2)]
    done, again, *rest = await asyncio.gather(*work, *map(measure, range(24)), *map(correct, old))
    assert done.sets + again.sets == 24
    assert [await is_there(clinic, set_id) for set_id in old] == [False] * 24
    assert all([await is_there(clinic, set_id) for set_id in rest[:24] if isinstance(set_id, str)])
    assert not await flaws(clinic)
