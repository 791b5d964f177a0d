"""The trail: who did what to whose data, one row for each change, written with the change itself.

Rows are chained: each holds a digest of itself and of the row before, so that none can be altered or taken out unseen.
There is a chain for each lane; a lane belongs to one connection, so that writers never wait for each other. A
transaction that is undone ends its lane, and the next row begins a new one.
"""

from __future__ import annotations

import hashlib
import secrets
from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import Connection, Engine, event, insert

from quietcuff.storage.codes import ACTION, OUTCOME
from quietcuff.storage.column_types import microseconds
from quietcuff.storage.sql import Command
from quietcuff.storage.tables import trail

LANE = "quietcuff lane"
FIRST_LINK = bytes(32)
INSERT = Command(insert(trail))


class Entry(msgspec.Struct, frozen=True, kw_only=True):
    """One thing that was done."""

    tenant_id: int
    at: datetime
    actor: str
    action: str
    request_id: UUID
    outcome: str = "done"
    subject_id: UUID | None = None
    set_id: UUID | None = None
    version: int | None = None


class Lane:
    """A writer's own chains, one for each tenant."""

    def __init__(self) -> None:
        self.number = secrets.randbits(63)
        self._heads: dict[int, tuple[int, bytes]] = {}

    def next_link(self, entry: Entry) -> tuple[int, bytes]:
        """The position and the link of one more row."""
        position, link = self._heads.get(entry.tenant_id, (0, FIRST_LINK))
        self._heads[entry.tenant_id] = position + 1, link_after(link, self.number, position + 1, entry)
        return self._heads[entry.tenant_id]


def record(connection: Connection, entry: Entry) -> None:
    """Add one row to the trail, in the transaction that is under way."""
    lane = connection.info.get(LANE)
    if lane is None:
        lane = connection.info[LANE] = Lane()
    position, link = lane.next_link(entry)
    INSERT.run_later(connection, [trail_row(entry, lane.number, position, link)])


def trail_row(entry: Entry, lane: int, position: int, link: bytes) -> dict[str, Any]:
    row = msgspec.structs.asdict(entry)
    numbers = {"action": ACTION.number(entry.action), "outcome": OUTCOME.number(entry.outcome)}
    return {**row, **numbers, "lane": lane, "position": position, "chain": link}


def link_after(link: bytes, lane: int, position: int, entry: Entry) -> bytes:
    """The digest that ties a row to the one before it."""
    said = [
        lane,
        position,
        entry.tenant_id,
        microseconds(entry.at),
        entry.actor,
        entry.action,
        entry.outcome,
        str(entry.request_id),
        None if entry.subject_id is None else str(entry.subject_id),
        None if entry.set_id is None else str(entry.set_id),
        entry.version,
    ]
    return hashlib.sha256(link + msgspec.json.encode(said)).digest()


def reset_lanes(engine: Engine) -> None:
    """Have a lane end with any transaction or savepoint that is undone: its last rows were never stored."""

    @event.listens_for(engine, "rollback")
    def forget(connection: Connection) -> None:
        connection.info.pop(LANE, None)

    @event.listens_for(engine, "rollback_savepoint")
    def forget_savepoint(connection: Connection, name: str, context: Any) -> None:
        connection.info.pop(LANE, None)
