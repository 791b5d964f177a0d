"""Erasure erases: words planted of one person in every place are in no row, file or page afterwards, on both databases."""

from __future__ import annotations

import asyncio
import json
import random
import re
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any
from uuid import UUID

import asyncpg
import msgspec
import pytest
from sqlalchemy import make_url

from application.clinic import Clinic, first_visit, open_clinic, sitting, told
from application.test_retention import everything
from databases import PostgresqlServer
from quietcuff.application import groups, registries, retention
from quietcuff.application.erasure import look_for
from quietcuff.application.payloads import device_payloads, refused
from quietcuff.application.payloads.readers import READERS
from quietcuff.core.model.changes import SubjectChange
from quietcuff.core.model.errors import NotReadable
from quietcuff.core.model.readings import Identifier
from quietcuff.core.model.registry import DeviceUser, NewGroup, RegisteredDevice
from quietcuff.decode.payload import Intended
from quietcuff.storage.engine.database import lock_for_serving
from quietcuff.storage.engine.ids import device_id
from quietcuff.storage.rows.devices import find_device
from quietcuff.storage.rows.erased_file import FileSeen, clean_file, compact, find_in_file, find_in_free_room
from quietcuff.storage.rows.erasing import Words
from quietcuff.storage.rows.former_parties import devices_before

WORD = b"Wolkenbruch"
MRN = "urn:example:mrn"
PERSON = "Wolkenbruch-7731"
KEEPS_IDS = {"deleted_set", "deleted_subject", "group_former", "trail"}


def payload(body: bytes, kind: Any = "gatt") -> device_payloads.ReceivedPayload:
    return device_payloads.ReceivedPayload(kind=kind, media_type="application/json", body=body)


def gatt(person: str, value_hex: str) -> bytes:
    """A reading of one person, as a gateway sends it."""
    said = {
        "subject": {"identifier": {"system": MRN, "value": person}},
        "device": {"identifier": {"system": "urn:example:device", "value": "SN-0007"}},
        "site": "left-upper-arm",
        "position": "sitting",
        "received_at": "2026-03-14T07:05:20+01:00",
        "payloads": [{"characteristic": "2A35", "value_hex": value_hex, "sequence": 1}],
    }
    return json.dumps(said).encode()


GOOD = "1e8e005b006c00ea07030e0705094d00020000"


def cuff(number: int) -> Identifier:
    return Identifier(system="urn:example:device", value=f"SN-10{number}")


async def plant(clinic: Clinic) -> UUID:
    """Words of one person in every place that there is, and of others beside them; the person's id."""
    desk, caller, tenant = clinic.desk, clinic.caller, clinic.tenant
    closed = await clinic.receive(sitting(person=PERSON, location={"system": "urn:example:room", "value": "Wolkenbruch-room"}))
    await clinic.correct(
        closed, {"change": "amend-reading", "index": 1, "set": {"systolic_mmhg": 151}}, reason="Wolkenbruch-reason"
    )
    await clinic.receive(sitting(first_visit()[:1], PERSON, closed=False), key="Wolkenbruch-key")
    await clinic.receive(sitting(person="p-other"))
    change = msgspec.convert({"identifier": {"system": MRN, "value": PERSON}, "sex": "female"}, SubjectChange)
    await registries.save_subject(desk, caller, change, if_match=None)
    # Made something; known already; empty; refused; refused and repaired.
    await device_payloads.receive(desk, caller, payload(gatt(PERSON, GOOD)), READERS["gatt"])
    await device_payloads.receive(desk, caller, payload(gatt(PERSON, GOOD) + b"\n"), READERS["gatt"])
    await device_payloads.store(
        desk, caller, tenant, payload(b"nothing in it of Wolkenbruch-7731"), Intended(sittings=[], refused=[])
    )
    for body in (b"no JSON: Wolkenbruch-7731", b"no JSON either: Wolkenbruch-7731, to be repaired"):
        with pytest.raises(NotReadable):
            await device_payloads.receive(desk, caller, payload(body), READERS["gatt"])
        clinic.clock.move(seconds=1)
    with pytest.raises(NotReadable):
        await device_payloads.receive(desk, caller, payload(b"no JSON of p-other, who stays"), READERS["gatt"])
    waiting = json.loads((await refused.list_refused(desk, caller, limit=10, cursor=None)).items)
    await refused.replay(desk, caller, waiting[1]["id"], gatt(PERSON, GOOD) + b" ")
    names = [Identifier(system=MRN, value=value) for value in (PERSON, "p-other")]
    for number in (1, 2):
        await groups.save_group(desk, caller, NewGroup(name=f"cohort {number}", identifiers=names[:number]))
    # A user of three cuffs: of one now and before, of one once, of one that nobody else uses.
    for number, used in ((1, [0, 1]), (1, [1, 0]), (2, [0]), (2, [1]), (3, [0])):
        users = [DeviceUser(user_id=place, subject=names[which]) for place, which in enumerate(used)]
        await registries.save_device(desk, caller, RegisteredDevice(identifier=cuff(number), users=users), if_match=None)
    return UUID(told(closed)["subject_id"])


async def test_words_planted_everywhere_are_nowhere(clinic: Clinic, database_url: str) -> None:
    subject_id = await plant(clinic)
    marked = {name for name, found in (await everything(clinic)).items() if WORD in found}
    assert marked >= {"subject", "subject_past", "reading_set", "set_version", "payload", "patient_group"}
    assert marked >= {"device", "device_past"}
    done = await retention.erase(clinic.desk, clinic.caller, str(subject_id))
    assert (done.subjects, done.groups, done.devices) == (1, 2, 3) and done.payloads >= 5 and done.rows["set_version"] >= 3
    for name, found in (await everything(clinic)).items():
        assert WORD not in found, name
        assert (str(subject_id).encode() in found) == (name in KEEPS_IDS), name
    left = await look_for(clinic.desk, clinic.tenant, subject_id, done.words)
    assert not left.of_person and not left.naming and left.rows > 10
    kept = (await everything(clinic))["payload"]
    assert b"p-other, who stays" in kept, "what names somebody else stays"
    (only,) = await groups.list_all_groups(clinic.desk, clinic.caller)
    assert only.identifiers == [Identifier(system=MRN, value="p-other")]
    assert [await users_of(clinic, number) for number in (1, 2, 3)] == [(3, ["p-other"]), (2, ["p-other"]), (2, [])]


async def users_of(clinic: Clinic, number: int) -> tuple[int, list[str]]:
    """The version of a device, and who its users are now and were before, each once."""
    tenant_id, device = clinic.tenant.tenant_id, device_id(clinic.tenant.secret, cuff(number))
    row, past = await clinic.desk.store.read(
        tenant_id,
        lambda snapshot: (find_device(snapshot, tenant_id, device), devices_before(snapshot, tenant_id, device)),
    )
    assert row is not None and [early.version for early in past] == list(range(1, row.version))
    documents = [json.loads(one.document) for one in (*past, row)]
    return row.version, sorted({user["subject"]["value"] for document in documents for user in document["users"]})


async def test_no_file_keeps_a_byte_of_them(clinic: Clinic, database_url: str, request: pytest.FixtureRequest) -> None:
    """SQLite's none at once, PostgreSQL's once they are written anew."""
    if not database_url.startswith("sqlite"):
        await postgresql_keeps_none_once_rewritten(clinic, database_url, request.getfixturevalue("postgresql_server"))
        return
    path = Path(database_url.removeprefix("sqlite:///"))
    subject_id = await plant(clinic)
    await clinic.desk.store.empty_log()
    assert WORD in path.read_bytes()
    done = await retention.erase(clinic.desk, clinic.caller, str(subject_id))
    for file in path.parent.glob(f"{path.name}*"):
        assert WORD not in file.read_bytes(), file.name
    assert find_in_file(make_url(database_url), done.words) is False


async def postgresql_keeps_none_once_rewritten(clinic: Clinic, url: str, server: PostgresqlServer) -> None:
    """Deleted rows stay in PostgreSQL's files; VACUUM FULL writes the tables anew. Source: its documentation of VACUUM."""
    subject_id = await plant(clinic)
    await retention.erase(clinic.desk, clinic.caller, str(subject_id))
    connection = await asyncpg.connect(server.as_owner(str(make_url(url).database)))
    try:
        await connection.execute("CHECKPOINT")
        before = await files_holding(connection)
        tables = await connection.fetch(
            "SELECT relname FROM pg_class WHERE relkind = 'r' AND relnamespace = 'public'::regnamespace"
        )
        for (name,) in tables:
            await connection.execute(f'VACUUM FULL "{name}"')
        await connection.execute("CHECKPOINT")
        assert before and not await files_holding(connection)
    finally:
        await connection.close()


async def files_holding(connection: Any) -> list[str]:
    """The relations of whose files one holds the planted word."""
    rows = await connection.fetch(
        "SELECT relname, pg_read_binary_file(pg_relation_filepath(oid)) AS bytes FROM pg_class"
        " WHERE relkind IN ('r', 'i', 't') AND pg_relation_filepath(oid) IS NOT NULL AND relisshared = false"
    )
    return [row["relname"] for row in rows if WORD in row["bytes"]]


async def test_what_was_left_in_free_room_is_found_and_goes_with_compacting(tmp_path: Path) -> None:
    path = tmp_path / "old.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA secure_delete=OFF").close()
        connection.execute("CREATE TABLE t (x)")
        connection.executemany("INSERT INTO t VALUES (?)", [(f"Wolkenbruch-7731 {number}",) for number in range(500)])
        connection.execute("DELETE FROM t")
    url, words = make_url(f"sqlite:///{path}"), Words(MRN, PERSON)
    assert find_in_file(url, words) is True
    await asyncio.to_thread(compact, url)
    assert find_in_file(url, words) is False


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
async def test_the_same_name_at_another_tenant_is_nothing_left(clinic: Clinic, database_url: str) -> None:
    """Both are called the same; one is erased, and what the file holds is the other's."""
    other = await open_clinic(clinic.desk.store, clinic.desk.rulebook, "another clinic")
    answers = [await one.receive(sitting(person=PERSON)) for one in (clinic, other)]
    done = await retention.erase(clinic.desk, clinic.caller, told(answers[0])["subject_id"])
    await look_for(clinic.desk, clinic.tenant, UUID(told(answers[0])["subject_id"]), done.words)
    assert clean_file(make_url(database_url), done.words) is FileSeen.OF_OTHERS
    done = await retention.erase(other.desk, other.caller, told(answers[1])["subject_id"])
    await look_for(other.desk, other.tenant, UUID(told(answers[1])["subject_id"]), done.words)
    assert clean_file(make_url(database_url), done.words) is FileSeen.CLEAN


def moved_rows(path: Path, word: str) -> None:
    """Rows that were moved between pages and deleted, with ``secure_delete``, and others that stay.

    SQLite's documentation of ``secure_delete`` promises zeros where a row is deleted; copies in the gaps of pages from which it
    moved were found by looking.
    """
    chance = random.Random(1)
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA secure_delete=ON").close()
        connection.execute("CREATE TABLE t (name TEXT, number INTEGER, PRIMARY KEY (name, number)) WITHOUT ROWID")
        connection.execute("BEGIN")
        for number in range(4000):
            name = f"{word if number % 2 else 'somebody else'} {'x' * chance.randrange(99)}"
            connection.execute("INSERT INTO t VALUES (?, ?)", (f"{chance.randrange(999)} {name}", number))
        connection.execute("COMMIT")
        connection.execute("DELETE FROM t WHERE number % 2")


@pytest.mark.parametrize("is_served", [False, True])
@pytest.mark.parametrize("is_others", [False, True])
def test_copies_of_rows_that_moved_are_found_and_go_unless_it_is_served(
    tmp_path: Path, is_served: bool, is_others: bool
) -> None:
    path = tmp_path / "moved.db"
    moved_rows(path, PERSON)
    if is_others:
        with closing(sqlite3.connect(path)) as connection, connection:
            connection.execute("INSERT INTO t VALUES (?, 0)", (PERSON,))
    url, words = make_url(f"sqlite:///{path}"), Words(MRN, PERSON)
    assert find_in_free_room(url, words)
    lock = lock_for_serving(url) if is_served else None
    try:
        seen = clean_file(url, words)
    finally:
        if lock is not None:
            lock.release()
    served = FileSeen.UNSURE if is_others else FileSeen.LEFT
    written = FileSeen.REWRITTEN_BUT_OF_OTHERS if is_others else FileSeen.REWRITTEN
    assert seen is (served if is_served else written)
    assert find_in_free_room(url, words) == is_served
    assert find_in_file(url, words) == (is_served or is_others)


def test_words_are_whole_ones() -> None:
    long, short = Words(MRN, "p-0417"), Words(MRN, "12", ["HOSP"])
    assert long.stand_in(b'{"value":"p-0417"}') and long.stand_in(b"PID|||p-0417^^^HOSP")
    assert not long.stand_in(b"p-04171") and not long.stand_in(b"xp-0417")
    assert short.stand_in(b"PID|||12^^^HOSP") and short.stand_in(b'{"system":"urn:example:mrn","value":"12"}')
    assert not short.stand_in(b"systolic 12 mmHg") and not short.stand_in(b"PID|||120^^^HOSP")
    accents = Words(MRN, "M\u00fcller-1")
    assert accents.stand_in("M\u00fcller-1".encode("latin-1")) and accents.stand_in(json.dumps("M\u00fcller-1").encode())
    assert not re.search("secret", repr(accents))
