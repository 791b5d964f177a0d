"""The trail: one row for each act on somebody's data, written in the same transaction as the act.

Rows are chained: each holds a digest of itself and of the row before. Where there is a key, the digest is made with it, and
nobody without the key can alter or remove a row unseen. Without a key, a chain that was made anew is not noticed. The end of a
lane is protected by its seals (``seals.py``); ``checking.py`` checks all of it.

Each lane has its own chain, and a lane belongs to one connection, so that writers never wait for each other. A transaction that
is undone ends its lane, and the next row begins a new one.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import threading
from collections.abc import Iterable
from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import Connection, Engine, event

from quietcuff.storage.engine.statements import Insert, when_undone
from quietcuff.storage.schema.base import microseconds
from quietcuff.storage.schema.codes import ACTION, OUTCOME
from quietcuff.storage.schema.trail import trail
from quietcuff.storage.trail.keys import TrailKey

LANE = "quietcuff lane"
BOOK = "quietcuff trail book"
FIRST_LINK = bytes(32)
ENCODER = msgspec.json.Encoder()
INSERT = Insert(trail)
# A lane of a tenant, by both their numbers; and how many rows it has, with the link of the last.
Place = tuple[int, int]
Heads = dict[Place, tuple[int, bytes]]


class TrailEntry(msgspec.Struct, frozen=True, kw_only=True):
    """One act. ``what`` names an operation, the parameters of a search, a setting or a command, never a value."""

    tenant_id: int
    at: datetime
    actor: str
    action: str
    request_id: UUID
    outcome: str = "done"
    subject_id: UUID | None = None
    set_id: UUID | None = None
    version: int | None = None
    what: str | None = None
    found: int | None = None
    origin: str | None = None


class TrailLane:
    """A writer's own chains, one for each tenant."""

    def __init__(self, key: TrailKey | None = None) -> None:
        # Random, so that connections and processes pick their lanes without asking each other; 63 bits fit a signed BIGINT.
        self.number = secrets.randbits(63)
        self._key = key
        self._heads: dict[int, tuple[int, bytes]] = {}
        self._moved: set[int] = set()

    def next_link(self, entry: TrailEntry) -> tuple[int, bytes]:
        """The position and the link of one more row."""
        position, link = self._heads.get(entry.tenant_id, (0, FIRST_LINK))
        self._heads[entry.tenant_id] = position + 1, link_after(link, self.number, position + 1, entry, self._key)
        self._moved.add(entry.tenant_id)
        return self._heads[entry.tenant_id]

    def take_moved(self) -> Heads:
        """The heads of the chains that have grown since the last call."""
        moved = {(tenant_id, self.number): self._heads[tenant_id] for tenant_id in self._moved}
        self._moved.clear()
        return moved


class Book:
    """A process's record of its lanes: the key in use, and the heads that are stored but not sealed yet.

    ``unsure`` are lanes of which something was undone: their stored heads must be looked up.
    """

    def __init__(self, keys: tuple[TrailKey, ...] = ()) -> None:
        self.key = keys[-1] if keys else None
        # SQLite's writer thread adds heads while the event loop takes them.
        self._lock = threading.Lock()
        self._heads: Heads = {}
        self._unsure: set[Place] = set()

    def add(self, heads: Heads, unsure: Iterable[Place] = ()) -> None:
        """Remember heads, and lanes whose stored head is unsure."""
        with self._lock:
            self._heads.update(heads)
            self._unsure.update(unsure)

    def take(self) -> tuple[Heads, set[Place]]:
        """All heads and unsure lanes, which are then forgotten here."""
        with self._lock:
            heads, unsure, self._heads, self._unsure = self._heads, self._unsure, {}, set()
        return heads, unsure

    def put_back(self, heads: Heads, unsure: set[Place]) -> None:
        """Remember again what was taken, except heads that have moved on since."""
        with self._lock:
            self._heads = {**heads, **self._heads}
            self._unsure |= unsure


def record(connection: Connection, entry: TrailEntry) -> None:
    """Add one row to the trail, in the transaction that is under way."""
    lane = connection.info.get(LANE)
    if lane is None:
        book = connection.info.get(BOOK)
        lane = connection.info[LANE] = TrailLane(None if book is None else book.key)
    position, link = lane.next_link(entry)
    # With the group, because no work reads the trail it writes: many rows then cost one statement.
    INSERT.add(connection, [trail_row(entry, lane.number, position, link)])


def trail_row(entry: TrailEntry, lane: int, position: int, link: bytes) -> tuple[Any, ...]:
    """A row in the order of the table's columns."""
    return (
        entry.tenant_id,
        lane,
        position,
        entry.at,
        entry.actor,
        ACTION.number(entry.action),
        OUTCOME.number(entry.outcome),
        entry.subject_id,
        entry.set_id,
        entry.version,
        entry.request_id,
        link,
        entry.what,
        entry.found,
        entry.origin,
    )


def link_after(link: bytes, lane: int, position: int, entry: TrailEntry, key: TrailKey | None = None) -> bytes:
    """The digest that ties a row to the row before it, made with the key where there is one."""
    said = ENCODER.encode([*_said_at_first(lane, position, entry), entry.what, entry.found, entry.origin])
    return hashlib.sha256(link + said).digest() if key is None else hmac.digest(key.secret, link + said, "sha256")


def first_form_link_after(link: bytes, lane: int, position: int, entry: TrailEntry) -> bytes:
    """The same digest for a row from before schema 0010, which covered fewer fields and knew no keys."""
    return hashlib.sha256(link + ENCODER.encode(_said_at_first(lane, position, entry))).digest()


def _said_at_first(lane: int, position: int, entry: TrailEntry) -> list[Any]:
    return [
        lane,
        position,
        entry.tenant_id,
        microseconds(entry.at),
        entry.actor,
        entry.action,
        entry.outcome,
        entry.request_id,
        entry.subject_id,
        entry.set_id,
        entry.version,
    ]


def note_stored(connection: Connection) -> None:
    """Remember the heads of the connection's lane, once the transaction that wrote them is on disk."""
    lane, book = connection.info.get(LANE), connection.info.get(BOOK)
    if lane is not None and book is not None:
        book.add(lane.take_moved())


def keep_book(engine: Engine, book: Book) -> None:
    """Make an engine's connections write with the book's key, and end a lane with any undone transaction or savepoint.

    The last rows of such a lane were never stored.
    """

    @event.listens_for(engine, "connect")
    def give_book(connection: Any, pooled: Any) -> None:
        pooled.info[BOOK] = book

    def forget(connection: Connection) -> None:
        lane = connection.info.pop(LANE, None)
        if lane is not None:
            book.add({}, lane.take_moved())

    when_undone(engine, forget)
