"""The seals of the trail: the length and head of each lane at one moment after another.

Nothing protects the end of a chain: rows cut off there would not be missed. A seal records how many rows there were. The seals
of a tenant are chained too, with the trail's key where there is one, and can also be written to a file outside the database.

A process seals the heads that it knows to be on disk; for other lanes it seals the heads that are stored.
"""

from __future__ import annotations

import hashlib
import hmac
import os
from collections.abc import Awaitable, Callable, Iterable
from datetime import UTC, datetime
from functools import partial
from typing import Any

import msgspec
from sqlalchemy import BigInteger, Connection, bindparam, insert, select

from quietcuff.core.model.errors import StoreNotUsable
from quietcuff.storage.engine.statements import Command, Query
from quietcuff.storage.engine.transactions import Job, JobOutcome
from quietcuff.storage.schema.base import microseconds
from quietcuff.storage.schema.trail import trail, trail_seal
from quietcuff.storage.trail.keys import TrailKey
from quietcuff.storage.trail.trail import FIRST_LINK, Book

SEALS_LOCK = 0x5153

_t, _s = trail.c, trail_seal.c


class Seal(msgspec.Struct, frozen=True, kw_only=True):
    """One lane of one tenant at one moment: the number of its rows, and the link of the last."""

    tenant_id: int
    number: int
    lane: int
    position: int
    head: bytes
    sealed_at: datetime
    key_name: str | None
    chain: bytes


class SealLine(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A seal as one line of a file, with the lane as in the ids of AuditEvents, and digests in hexadecimal."""

    tenant: int
    number: int
    lane: str
    rows: int
    head: str
    sealed_at: datetime
    key: str | None
    chain: str


def _seal(*columns: Any) -> Seal:
    return Seal(**dict(zip(Seal.__struct_fields__, columns, strict=True)))


_OF_TENANT = _s.tenant_id == bindparam("tenant_id")
_LANE = bindparam("lane", type_=BigInteger())
_ALL = select(*(_s[name] for name in Seal.__struct_fields__)).where(_OF_TENANT)
INSERT = Command(insert(trail_seal))
ALL_SEALS = Query(_seal, _ALL.order_by(_s.number))
NEWEST = Query(_seal, _ALL.order_by(_s.number.desc()).limit(1))
NEWEST_OF_LANE = Query(_seal, _ALL.where(_s.lane == _LANE).order_by(_s.position.desc()).limit(1))
_IN_LANE = (_t.tenant_id == bindparam("tenant_id"), _t.lane == _LANE)
HEAD: Query[tuple[int, bytes]] = Query(
    lambda position, chain: (position, chain),
    select(_t.position, _t.chain).where(*_IN_LANE).order_by(_t.position.desc()).limit(1),
)
NEXT_LANE: Query[int] = Query(
    int, select(_t.lane).where(_t.tenant_id == bindparam("tenant_id"), _t.lane > _LANE).order_by(_t.lane).limit(1)
)


def seal_link(link: bytes, seal: Seal, key: TrailKey | None) -> bytes:
    """The digest that ties a seal to the one before it."""
    moment = microseconds(seal.sealed_at)
    said = msgspec.json.encode([seal.tenant_id, seal.number, seal.lane, seal.position, seal.head.hex(), moment])
    return hashlib.sha256(link + said).digest() if key is None else hmac.digest(key.secret, link + said, "sha256")


def seal_heads(
    connection: Connection, tenant_id: int, heads: dict[int, tuple[int, bytes]], at: datetime, key: TrailKey | None
) -> list[Seal]:
    """Seal the lanes that have grown since their last seal; the new seals."""
    if connection.dialect.name == "postgresql":
        # Seals are numbered without a gap, so two processes must not seal the same tenant at once. SQLite has one writer
        # anyway.
        connection.exec_driver_sql("SELECT pg_advisory_xact_lock($1::int, $2::int)", (SEALS_LOCK, tenant_id))
    newest = NEWEST.first(connection, {"tenant_id": tenant_id})
    number, link = (0, FIRST_LINK) if newest is None else (newest.number, newest.chain)
    made = []
    for lane, (position, head) in sorted(heads.items()):
        before = NEWEST_OF_LANE.first(connection, {"tenant_id": tenant_id, "lane": lane})
        # Another process may have sealed this lane further already.
        if before is not None and before.position >= position:
            continue
        number += 1
        values: dict[str, Any] = {"tenant_id": tenant_id, "number": number, "lane": lane, "position": position, "head": head}
        bare = Seal(**values, sealed_at=at, key_name=None if key is None else key.name, chain=b"")
        link = seal_link(link, bare, key)
        made.append(msgspec.structs.replace(bare, chain=link))
    INSERT.run_each(connection, [msgspec.structs.asdict(seal) for seal in made])
    return made


def head_of_lane(connection: Connection, tenant_id: int, lane: int) -> tuple[int, bytes] | None:
    """The position and link of the last stored row of a lane."""
    return HEAD.first(connection, {"tenant_id": tenant_id, "lane": lane})


def all_heads(connection: Connection, tenant_id: int) -> dict[int, tuple[int, bytes]]:
    """The stored heads of all lanes of a tenant, with two index look-ups for each lane, however long it is."""
    heads: dict[int, tuple[int, bytes]] = {}
    lane = NEXT_LANE.first(connection, {"tenant_id": tenant_id, "lane": -1})
    while lane is not None:
        head = head_of_lane(connection, tenant_id, lane)
        if head is not None:
            heads[lane] = head
        lane = NEXT_LANE.first(connection, {"tenant_id": tenant_id, "lane": lane})
    return heads


def all_seals(connection: Connection, tenant_id: int) -> list[Seal]:
    """Every seal of a tenant, in the order in which they were made."""
    return ALL_SEALS.all(connection, {"tenant_id": tenant_id})


def newest_seal(connection: Connection, tenant_id: int) -> Seal | None:
    return NEWEST.first(connection, {"tenant_id": tenant_id})


def write_seals(path: str, seals: Iterable[Seal]) -> None:
    """Write seals to the end of a file that only its owner can read. They are on disk when this returns."""
    lines = b"".join(msgspec.json.encode(line_of(seal)) + b"\n" for seal in seals)
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600), "ab", buffering=0) as file:
        file.write(lines)
        os.fsync(file.fileno())


def line_of(seal: Seal) -> SealLine:
    return SealLine(
        tenant=seal.tenant_id,
        number=seal.number,
        lane=f"{seal.lane:x}",
        rows=seal.position,
        head=seal.head.hex(),
        sealed_at=seal.sealed_at,
        key=seal.key_name,
        chain=seal.chain.hex(),
    )


def read_seals(path: str) -> list[Seal]:
    """The seals of a file, each once.

    Raises:
        StoreNotUsable: it cannot be read, or holds a line that is no seal.
    """
    try:
        with open(path, "rb") as file:
            lines = [msgspec.json.decode(line, type=SealLine) for line in file if line.strip()]
        # A write that failed half-way is done again from its start, so a seal may stand in the file twice.
        return list(dict.fromkeys(_seal_of(line) for line in lines))
    except (OSError, ValueError) as error:
        raise StoreNotUsable("The file of seals cannot be read, or holds a line that is no seal.") from error


def _seal_of(line: SealLine) -> Seal:
    return Seal(
        tenant_id=line.tenant,
        number=line.number,
        lane=int(line.lane, 16),
        position=line.rows,
        head=bytes.fromhex(line.head),
        sealed_at=line.sealed_at.astimezone(UTC),
        key_name=line.key,
        chain=bytes.fromhex(line.chain),
    )


LaneHeads = dict[int, tuple[int, bytes]]


class Sealer:
    """Seals lanes, one transaction for each tenant, and writes the seals to a file where there is one.

    For this process's own lanes it seals the heads that were written, not the heads that are found, so that rows cut off since
    then are missed. ``run`` runs one job in a transaction of its own.
    """

    def __init__(self, book: Book, run: Callable[[Job], Awaitable[JobOutcome]], path: str | None) -> None:
        self._book = book
        self._run = run
        self._path = path
        self._unwritten: list[Seal] = []

    async def seal(self, tenant_ids: Iterable[int]) -> int:
        """Seal what this process wrote, and all stored lanes of these tenants; the number of seals.

        Raises:
            Exception: what the database or the file failed with; what was not sealed is sealed the next time.
        """
        heads, unsure = self._book.take()
        wanted = set(tenant_ids)
        made = 0
        for tenant_id in sorted({place[0] for place in (*heads, *unsure)} | wanted):
            own = {lane: head for (tenant, lane), head in heads.items() if tenant == tenant_id}
            lanes = {lane for tenant, lane in unsure if tenant == tenant_id}
            work = partial(self._work, tenant_id=tenant_id, own=own, unsure=lanes, every_lane=tenant_id in wanted)
            outcome = await self._run(Job(tenant_id=tenant_id, order=b"", work=work))
            if outcome.error is not None:
                self._book.put_back(heads, unsure)
                raise outcome.error
            self._unwritten += outcome.value
            made += len(outcome.value)
        self._write()
        return made

    def _work(
        self, connection: Connection, *, tenant_id: int, own: LaneHeads, unsure: set[int], every_lane: bool
    ) -> list[Seal]:
        found = all_heads(connection, tenant_id) if every_lane else {}
        for lane in unsure - set(found):
            head = head_of_lane(connection, tenant_id, lane)
            if head is not None:
                found[lane] = head
        return seal_heads(connection, tenant_id, found | own, datetime.now(UTC), self._book.key)

    def _write(self) -> None:
        if self._path is not None and self._unwritten:
            write_seals(self._path, self._unwritten)
        self._unwritten = []
