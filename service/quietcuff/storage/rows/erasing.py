"""What is stored of one person, table by table, and whether anything that names them is left: in rows, and in SQLite's file."""

from __future__ import annotations

import json
import re
import sqlite3
import zlib
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import URL, Connection, Table, and_, bindparam, delete, exists, func, or_, select, tuple_

from quietcuff.storage.engine.database import is_sqlite
from quietcuff.storage.engine.statements import Command, Query, single
from quietcuff.storage.schema.base import Id, metadata
from quietcuff.storage.schema.bulk import export_chunk, export_file, export_job
from quietcuff.storage.schema.payloads import payload, payload_person, refused_payload
from quietcuff.storage.schema.what_if import what_if_job

PAGE = 200
SHORT = 4
# What stays of a person who is deleted: ids, so that readers are told, and the rows of the trail.
KEEPS_IDS = frozenset(("deleted_set", "deleted_subject", "group_former", "trail"))
_p, _w, _r = payload.c, payload_person.c, refused_payload.c
_OF_TENANT = _p.tenant_id == bindparam("tenant_id")
_TELLS_OF = exists().where(_w.tenant_id == _p.tenant_id, _w.payload_id == _p.payload_id)
_WAS_REFUSED = exists().where(_r.tenant_id == _p.tenant_id, _r.payload_id == _p.payload_id)
OF_PERSON: Query[UUID] = Query(
    single,
    select(_w.payload_id).where(_w.tenant_id == bindparam("tenant_id"), _w.subject_id == bindparam("subject_id", type_=Id())),
)
UNSURE: Query[tuple[UUID, bytes]] = Query(
    lambda payload_id, body: (payload_id, zlib.decompress(body)),
    select(_p.payload_id, _p.body)
    .where(_OF_TENANT, _p.payload_id > bindparam("after", type_=Id()), or_(~_TELLS_OF, _WAS_REFUSED))
    .order_by(_p.payload_id)
    .limit(PAGE),
)
DELETE_EXPORTS = tuple(
    Command(delete(table).where(table.c.tenant_id == bindparam("tenant_id")))
    for table in (what_if_job, export_chunk, export_file, export_job)
)


class Words:
    """What a person is called, to be looked for in bytes: as they are, as JSON writes them, in the two usual encodings.

    A value of one to three characters stands everywhere; it counts only where its system, or a sender's name of that, is too.
    """

    def __init__(self, system: str, value: str, authorities: Iterable[str] = ()) -> None:
        self.value = value
        self._value = _pattern([value])
        self._with = _pattern([system, *authorities]) if len(value) < SHORT else None
        self._parts = re.compile(b"|".join(map(re.escape, sorted(_forms([value])))))

    def stand_in(self, data: bytes) -> bool:
        """Whether the person is named there."""
        return bool(self._value.search(data)) and (self._with is None or bool(self._with.search(data)))

    def may_stand_in(self, data: bytes) -> bool:
        """Whether the value stands there, if only within a longer one: in a file, columns follow each other without a gap."""
        return bool(self._parts.search(data))


def _forms(texts: Iterable[str]) -> set[bytes]:
    ways = ((text.encode(), text.encode("latin-1", "replace"), json.dumps(text)[1:-1].encode()) for text in texts)
    return {form for forms in ways for form in forms}


def _pattern(texts: Iterable[str]) -> re.Pattern[bytes]:
    # A whole word: p-1 does not stand in p-12, nor 12 in 120.
    forms = b"|".join(map(re.escape, sorted(_forms(texts))))
    return re.compile(rb"(?<![0-9A-Za-z])(?:" + forms + rb")(?![0-9A-Za-z])")


def tables_of_people() -> list[Table]:
    """The tables whose rows say whose they are, but for those that keep ids alone."""
    return [table for table in metadata.sorted_tables if "subject_id" in table.c and table.name not in KEEPS_IDS]


def rows_of_subject(connection: Connection, tenant_id: int, subject_id: UUID) -> dict[str, int]:
    """How many rows of each table are of a person; tables without any are left out."""
    counts = {}
    for table in tables_of_people():
        of_person = and_(table.c.tenant_id == tenant_id, table.c.subject_id == subject_id)
        counts[table.name] = connection.execute(select(func.count()).select_from(table).where(of_person)).scalar_one()
    return {name: count for name, count in counts.items() if count}


def payloads_of_subject(connection: Connection, tenant_id: int, subject_id: UUID) -> list[UUID]:
    """The payloads that are known to tell of a person, whether anything was made of them or not."""
    return OF_PERSON.all(connection, {"tenant_id": tenant_id, "subject_id": subject_id})


def unsure_payloads(connection: Connection, tenant_id: int, after: UUID) -> list[tuple[UUID, bytes]]:
    """A page of payloads of which it is not known whom they all tell of: nothing was made of them, or not of every part."""
    return UNSURE.all(connection, {"tenant_id": tenant_id, "after": after})


def delete_exports(connection: Connection, tenant_id: int) -> int:
    """Delete every export of a tenant with its files, and every what-if; how many exports there were. A worker that is at one
    finds it gone."""
    counts = [command.run(connection, {"tenant_id": tenant_id}) for command in DELETE_EXPORTS]
    return counts[-1]


def searched_tables() -> list[Table]:
    """Every table that has rows of a tenant."""
    return [table for table in metadata.sorted_tables if "tenant_id" in table.c]


class PageSeen(msgspec.Struct, frozen=True, kw_only=True):
    """A page of a table: its rows, how many name a person, how many hold the name at least within a longer one, its end."""

    rows: int
    naming: int
    loosely: int
    end: Any


def look_at_page(connection: Connection, tenant_id: int, table: Table, words: Words, after: Any) -> PageSeen:
    """Look for a person in the next page of a table."""
    key = list(table.primary_key)
    statement = select(*table.c).where(table.c.tenant_id == tenant_id).order_by(*key).limit(PAGE)
    if after is not None:
        bounds = [bindparam(f"after_{column.name}", value, type_=column.type) for column, value in zip(key, after, strict=True)]
        statement = statement.where(tuple_(*key) > tuple_(*bounds))
    rows = connection.execute(statement).all()
    plain_rows = [b"\n".join(plain_bytes(value) for value in row) for row in rows]
    return PageSeen(
        rows=len(rows),
        naming=sum(map(words.stand_in, plain_rows)),
        loosely=sum(map(words.may_stand_in, plain_rows)),
        end=tuple(getattr(rows[-1], column.name) for column in key) if rows else None,
    )


def plain_bytes(value: Any) -> bytes:
    """A value as bytes, unpacked where it is packed."""
    if not isinstance(value, bytes):
        return str(value).encode()
    for bits in (zlib.MAX_WBITS, -zlib.MAX_WBITS):
        try:
            return zlib.decompressobj(bits).decompress(value)
        except zlib.error:
            continue
    return value


def find_in_file(url: URL, words: Words) -> bool | None:
    """Whether SQLite's file or its log hold the value anywhere, free pages too; None where there is no such file."""
    if not is_sqlite(url):
        return None
    return any(_holds(Path(f"{url.database}{ending}"), words) for ending in ("", "-wal"))


def _holds(path: Path, words: Words) -> bool:
    overlap, kept = 6 * len(words.value), b""
    if not path.exists():
        return False
    with path.open("rb") as file:
        while block := file.read(1 << 22):
            if words.may_stand_in(kept + block):
                return True
            kept = block[-overlap:]
    return False


def compact(url: URL) -> None:
    """Write SQLite's file anew without what was deleted, and empty its log. Nobody else may have it open meanwhile."""
    with closing(sqlite3.connect(str(url.database), timeout=5, isolation_level=None)) as connection:
        connection.execute("PRAGMA secure_delete=ON").close()
        connection.execute("VACUUM").close()
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").close()
