"""Who asks, what is answered, and what the flow works with."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Literal
from uuid import UUID

import msgspec

from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.storage.engine.ids import new_set_id
from quietcuff.storage.engine.store import Store
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows.tenants import Tenant, Tenants
from quietcuff.storage.trail.trail import TrailEntry, record

IfMatch = Literal["*"] | frozenset[int] | None


class Caller(msgspec.Struct, frozen=True, kw_only=True):
    """Who asks: ``actor`` such as ``key:ab12cd34``; ``request_id`` is a UUID as text; ``origin`` is from where."""

    tenant_id: int
    actor: str
    request_id: str
    origin: str | None = None


class Answer(msgspec.Struct, frozen=True, kw_only=True):
    """A set as answered: ``body`` is the envelope as JSON, the same bytes each time the same version is asked for.

    ``created`` where the answer is that of the request which stored the set, repeated or not.
    """

    body: bytes
    set_id: str
    version: int
    created: bool = False
    replayed: bool = False


class Record(msgspec.Struct, frozen=True, kw_only=True):
    """A subject or a device as answered."""

    body: bytes
    id: str
    version: int
    created: bool = False


class Page(msgspec.Struct, frozen=True, kw_only=True):
    """One page of a list: ``items`` is a JSON array; ``cursor`` leads to the next page, null on the last."""

    items: bytes
    cursor: str | None

    @property
    def count(self) -> int:
        """How many items are on it."""
        return len(msgspec.json.decode(self.items, type=list[msgspec.Raw]))


class AppContext(msgspec.Struct, frozen=True, kw_only=True):
    """Everything the flow needs, made once by the application. ``new_id`` makes a set's id from its subject's."""

    store: Store
    tenants: Tenants
    rulebook: Rulebook
    clock: Callable[[], datetime]
    new_id: Callable[[UUID, datetime], UUID]


class UnitOfWork(msgspec.Struct, frozen=True, kw_only=True):
    """One request's turn in the shared transaction; ``now`` is the server's clock, to the millisecond."""

    transaction: Transaction
    desk: AppContext
    tenant: Tenant
    caller: Caller
    now: datetime


def note(
    transaction: Transaction,
    caller: Caller,
    action: str,
    at: datetime,
    *,
    subject_id: UUID | None = None,
    set_id: UUID | None = None,
    version: int | None = None,
    what: str | None = None,
    found: int | None = None,
    origin: str | None = None,
) -> None:
    """One row of the trail: what the caller did, and to what."""
    row = TrailEntry(
        tenant_id=caller.tenant_id,
        at=at,
        actor=caller.actor,
        action=action,
        request_id=UUID(caller.request_id),
        subject_id=subject_id,
        set_id=set_id,
        version=version,
        what=what,
        found=found,
        origin=origin or caller.origin,
    )
    record(transaction, row)


def utc_now() -> datetime:
    return datetime.now(UTC)


def open_desk(
    store: Store,
    rulebook: Rulebook,
    *,
    clock: Callable[[], datetime] = utc_now,
    new_id: Callable[[UUID, datetime], UUID] = new_set_id,
) -> AppContext:
    """The desk of an application that serves from a store."""
    return AppContext(store=store, tenants=Tenants(store, clock), rulebook=rulebook, clock=clock, new_id=new_id)


def turn_of(desk: AppContext, tenant: Tenant, caller: Caller, transaction: Transaction) -> UnitOfWork:
    return UnitOfWork(transaction=transaction, desk=desk, tenant=tenant, caller=caller, now=now(desk))


def now(desk: AppContext) -> datetime:
    """The time by the server's clock, to the millisecond, as it is answered."""
    moment = desk.clock()
    return moment.replace(microsecond=moment.microsecond // 1000 * 1000)
