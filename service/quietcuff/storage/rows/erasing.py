"""The stored data of one person, table by table, and the search for rows that still name them."""

from __future__ import annotations

import json
import re
import zlib
from collections.abc import Iterable
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import Connection, Table, and_, bindparam, delete, exists, func, or_, select, tuple_

from quietcuff.storage.engine.statements import Command, Query, single
from quietcuff.storage.schema.base import Id
from quietcuff.storage.schema.bulk import export_chunk, export_file, export_job
from quietcuff.storage.schema.payloads import payload, payload_person, refused_payload
from quietcuff.storage.schema.sittings import EVERY_TABLE
from quietcuff.storage.schema.what_if import what_if_job

PAGE = 200
SHORT = 4
# Tables that keep a deleted person's ids: readers must be told of the deletion, and the trail stays whole.
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
    """A person's identifier, searched for in bytes: plain, as JSON writes it, and in the two usual encodings.

    A value of one to three characters is found everywhere. It counts only where its system, or a sender's name for that system,
    is found too.
    """

    def __init__(self, system: str, value: str, authorities: Iterable[str] = ()) -> None:
        self.value = value
        self._value = _pattern([value])
        self._with = _pattern([system, *authorities]) if len(value) < SHORT else None
        self._parts = re.compile(b"|".join(map(re.escape, sorted(_forms([value])))))

    def stand_in(self, data: bytes) -> bool:
        """True where the data names the person."""
        return bool(self._value.search(data)) and (self._with is None or bool(self._with.search(data)))

    def may_stand_in(self, data: bytes) -> bool:
        """True where the value is found, even inside a longer one: in a file, columns follow each other without a gap."""
        return bool(self._parts.search(data))


def _forms(texts: Iterable[str]) -> set[bytes]:
    ways = ((text.encode(), text.encode("latin-1", "replace"), json.dumps(text)[1:-1].encode()) for text in texts)
    return {form for forms in ways for form in forms}


def _pattern(texts: Iterable[str]) -> re.Pattern[bytes]:
    # A whole word: p-1 does not stand in p-12, nor 12 in 120.
    forms = b"|".join(map(re.escape, sorted(_forms(texts))))
    return re.compile(rb"(?<![0-9A-Za-z])(?:" + forms + rb")(?![0-9A-Za-z])")


def tables_of_people() -> list[Table]:
    """The tables whose rows belong to a person, except those that keep only ids."""
    return [table for table in EVERY_TABLE if "subject_id" in table.c and table.name not in KEEPS_IDS]


def rows_of_subject(connection: Connection, tenant_id: int, subject_id: UUID) -> dict[str, int]:
    """The number of a person's rows in each table; tables without any are left out."""
    counts = {}
    for table in tables_of_people():
        of_person = and_(table.c.tenant_id == tenant_id, table.c.subject_id == subject_id)
        counts[table.name] = connection.execute(select(func.count()).select_from(table).where(of_person)).scalar_one()
    return {name: count for name, count in counts.items() if count}


def payloads_of_subject(connection: Connection, tenant_id: int, subject_id: UUID) -> list[UUID]:
    """The payloads that are known to be about a person, whether or not anything was made from them."""
    return OF_PERSON.all(connection, {"tenant_id": tenant_id, "subject_id": subject_id})


def unsure_payloads(connection: Connection, tenant_id: int, after: UUID) -> list[tuple[UUID, bytes]]:
    """A page of payloads that may be about people who are not noted.

    Nothing was made from them, or not from every part.
    """
    return UNSURE.all(connection, {"tenant_id": tenant_id, "after": after})


def delete_exports(connection: Connection, tenant_id: int) -> int:
    """Delete every export of a tenant with its files, and every what-if; the number of exports.

    A worker that is busy with one finds it gone.
    """
    counts = [command.run(connection, {"tenant_id": tenant_id}) for command in DELETE_EXPORTS]
    return counts[-1]


def searched_tables() -> list[Table]:
    """Every table that has rows of a tenant."""
    return [table for table in EVERY_TABLE if "tenant_id" in table.c]


class PageSeen(msgspec.Struct, frozen=True, kw_only=True):
    """A page of a table: its rows, those that name a person, and its end."""

    rows: int
    naming: int
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
        end=tuple(getattr(rows[-1], column.name) for column in key) if rows else None,
    )


def plain_bytes(value: Any) -> bytes:
    """A value as bytes, decompressed where it is compressed."""
    if not isinstance(value, bytes):
        return str(value).encode()
    # Payloads are packed with zlib's header, chunks of exports without.
    for bits in (zlib.MAX_WBITS, -zlib.MAX_WBITS):
        try:
            return zlib.decompressobj(bits).decompress(value)
        except zlib.error:
            continue
    return value
