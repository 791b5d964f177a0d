"""A database grown by SQL: copies of the rows that the flow stored, in the order of time, with ids and times of their own.

Copied are ``subject``, ``reading_set``, ``set_version``, ``reading``, ``claim`` and ``trail``, with every index there. Each
copy has people, sets, claims, visits, orders and sender's names of its own; devices, places and observers are the same few. Not
made anew are times and ids inside of documents and of the summaries for later sittings, and the links of the trail's chain:
each copied row is in a lane of its own, where its link would not hold.
"""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Iterator
from datetime import timedelta
from typing import Any, NamedTuple
from uuid import UUID, uuid4

import asyncpg
from sqlalchemy import Table

from quietcuff.storage.engine.ids import new_set_id
from quietcuff.storage.schema.base import MICROSECOND, Instant, from_microseconds, id_of_bytes, id_to_bytes, microseconds
from quietcuff.storage.schema.sittings import claim, reading, reading_set, set_version, subject
from quietcuff.storage.schema.trail import trail

STEP = timedelta(minutes=5)
# Their values tell rows apart: an index over them must not have many rows of one value.
OWN_TEXTS = (subject.c.value, reading_set.c.encounter, reading_set.c.based_on, reading.c.identifier)
SETS = "SELECT subject_id, set_id, taken_from, created_at FROM reading_set WHERE tenant_id = {} ORDER BY taken_from, set_id"
OF_SET = "t.subject_id = c.old_subject AND t.set_id = c.old_set"
# A row of a person is copied with the first of the person's sets.
KEYS: list[tuple[Table, str]] = [
    (subject, "t.subject_id = c.old_subject AND c.is_first"),
    (reading_set, OF_SET),
    (set_version, OF_SET),
    (reading, OF_SET),
    (claim, "t.set_id = c.old_set"),
    (trail, OF_SET),
]


class Stored(NamedTuple):
    """A set that the flow stored, and its times in microseconds."""

    subject_id: UUID
    set_id: UUID
    taken: int
    made: int


class Copied(NamedTuple):
    """One set of a copy: old and new keys, its place, if its person is new with it, and how far its times move."""

    old_subject: UUID
    old_set: UUID
    subject_id: UUID
    set_id: UUID
    place: int
    is_first: bool
    taken: int
    made: int


def copies(stored: list[Stored], count: int, *, is_same_person: bool) -> Iterator[list[Copied]]:
    """So many copies of sets, the oldest first: one every five minutes, before the first that was stored. Those of the same
    person are one copy."""
    if is_same_person:
        yield [one for part in parts(stored, count, is_same_person=True) for one in part]
    else:
        yield from parts(stored, count, is_same_person=False)


def parts(stored: list[Stored], count: int, *, is_same_person: bool) -> Iterator[list[Copied]]:
    """Each copy by itself."""
    step, taken, made = STEP // MICROSECOND, min(one.taken for one in stored), min(one.made for one in stored)
    for number in range(count, 0, -1):
        people: dict[UUID, UUID] = {one.subject_id: one.subject_id for one in stored} if is_same_person else {}
        found = []
        for place, one in enumerate(stored):
            is_first, earlier = one.subject_id not in people, step * (number * len(stored) - place)
            person = people.setdefault(one.subject_id, uuid4())
            ids = one.subject_id, one.set_id, person, new_set_id(person, from_microseconds(made - earlier))
            found.append(
                Copied(
                    *ids,
                    (count - number) * len(stored) + place,
                    is_first,
                    taken - earlier - one.taken,
                    made - earlier - one.made,
                )
            )
        yield found


def statement(table: Table, key: str, *, tenant_id: int, number: int, is_sqlite: bool) -> str:
    """The copy of the rows that belong to what is in ``copied``, in the order of time."""
    own = {"subject_id": "c.subject_id", "set_id": "c.set_id", "lane": f"t.lane % {2**62} + c.place + 1"}
    own["key_digest"] = "randomblob(16)" if is_sqlite else "decode(replace(gen_random_uuid()::text, '-', ''), 'hex')"
    for column in table.columns:
        if isinstance(column.type, Instant):
            own[column.name] = f"t.{column.name} + c.{'taken' if 'taken' in column.name else 'made'}"
        elif column in OWN_TEXTS:
            own[column.name] = f"t.{column.name} || '-{number}-' || c.place"
    names = [column.name for column in table.columns]
    return (
        f"INSERT INTO {table.name} ({', '.join(names)}) SELECT {', '.join(own.get(name, f't.{name}') for name in names)} "
        # From the copied sets, so that the first rows are found by their keys among ever more.
        f"FROM copied c CROSS JOIN {table.name} t WHERE t.tenant_id = {tenant_id} AND {key} ORDER BY c.place"
    )


def grow_sqlite(path: str, tenant_id: int, size: int, only: UUID | None = None) -> None:
    """Copy all sets until there are so many; with ``only``, those of one person as more of the same person."""
    connection = sqlite3.connect(path, isolation_level=None)
    for setting in ("journal_mode = OFF", "synchronous = OFF", "cache_size = -2000000"):
        connection.execute(f"PRAGMA {setting}")
    connection.execute("CREATE TEMP TABLE copied (old_subject, old_set, subject_id, set_id, place, is_first, taken, made)")
    found = [Stored(id_of_bytes(row[0]), id_of_bytes(row[1]), *row[2:]) for row in connection.execute(SETS.format(tenant_id))]
    stored = [one for one in found if only in (None, one.subject_id)]
    for number, copied in enumerate(copies(stored, size // len(stored) - 1, is_same_person=only is not None), 1):
        connection.execute("BEGIN")
        connection.execute("DELETE FROM copied")
        rows = [(*map(id_to_bytes, one[:4]), *one[4:]) for one in copied]
        connection.executemany("INSERT INTO copied VALUES (?, ?, ?, ?, ?, ?, ?, ?)", rows)
        for table, key in KEYS:
            connection.execute(statement(table, key, tenant_id=tenant_id, number=number, is_sqlite=True))
        connection.execute("COMMIT")
    connection.execute("PRAGMA journal_mode = WAL")
    connection.close()


async def grow_postgresql(url: str, tenant_id: int, size: int, only: UUID | None = None) -> None:
    """The same by the owner of the tables; then vacuum and analyze, as the server does by itself."""
    connection: Any = await asyncpg.connect(url)
    await connection.execute(
        "CREATE TEMP TABLE copied (old_subject uuid, old_set uuid, subject_id uuid, set_id uuid, place int, is_first bool, "
        "taken interval, made interval)"
    )
    found = [
        Stored(row[0], row[1], microseconds(row[2]), microseconds(row[3]))
        for row in await connection.fetch(SETS.format(tenant_id))
    ]
    stored = [one for one in found if only in (None, one.subject_id)]
    for number, copied in enumerate(copies(stored, size // len(stored) - 1, is_same_person=only is not None), 1):
        async with connection.transaction():
            await connection.execute("TRUNCATE copied")
            rows = [(*one[:6], one.taken * MICROSECOND, one.made * MICROSECOND) for one in copied]
            await connection.copy_records_to_table("copied", records=rows)
            await connection.execute("ANALYZE copied")
            for table, key in KEYS:
                await connection.execute(statement(table, key, tenant_id=tenant_id, number=number, is_sqlite=False))
            await asyncio.sleep(0)
    await connection.execute("VACUUM ANALYZE")
    await connection.close()
