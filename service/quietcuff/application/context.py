"""The application context, the caller, and the shapes of answers that all use cases share."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Literal, Protocol, TypeAlias
from uuid import UUID

import msgspec

from quietcuff.application.foreseen import Foreseen
from quietcuff.core.model.errors import NotFound
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.storage.engine.ids import new_set_id
from quietcuff.storage.engine.store import Store
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows.sitting_lookups import SittingKeys
from quietcuff.storage.rows.tenants import Tenant, find_tenant_by_id
from quietcuff.storage.trail.trail import TrailEntry, record

# A tenant whose settings are changed by another process is noticed after this.
TENANTS_KEPT = timedelta(seconds=5)
NO_TIME = timedelta()
IfMatch = Literal["*"] | frozenset[int] | None


# Told by long work: the part of it that is done (0 to 1), and how many things that is.
HowFar: TypeAlias = Callable[[float, int], None]


def untold(part: float, count: int) -> None:
    """Tell nobody how far the work is."""


class Caller(msgspec.Struct, frozen=True, kw_only=True):
    """The caller of a use case: ``actor`` such as ``key:ab12cd34``, ``request_id`` a UUID as text, ``origin`` the caller's
    address."""

    tenant_id: int
    actor: str
    request_id: str
    origin: str | None = None


class Answer(msgspec.Struct, frozen=True, kw_only=True):
    """A set as answered: ``body`` is the envelope as JSON, with the same bytes whenever the same version is read.

    ``created`` is True in the answer to the request that stored the set, also when that request is repeated.
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
        """Number of items on the page."""
        return len(msgspec.json.decode(self.items, type=list[msgspec.Raw]))


class Tenants:
    """The tenants as this process knows them, read again after a few seconds."""

    def __init__(self, store: Store, clock: Callable[[], datetime]) -> None:
        self._store = store
        self._clock = clock
        self._known: dict[int, tuple[datetime, Tenant]] = {}
        self._reading: dict[int, asyncio.Lock] = {}

    async def get(self, tenant_id: int) -> Tenant:
        """One tenant.

        Raises:
            NotFound: there is none of that number.
        """
        known = self._of_late(tenant_id)
        if known is None:
            # One reads for all who ask meanwhile: each by itself they would fill every reader of the database.
            async with self._reading.setdefault(tenant_id, asyncio.Lock()):
                known = self._of_late(tenant_id) or await self._read(tenant_id)
        return known

    def _of_late(self, tenant_id: int) -> Tenant | None:
        found = self._known.get(tenant_id)
        if found is None:
            return None
        read_at, known = found
        # The clock can be set back: an age below zero counts as too old.
        return known if NO_TIME <= self._clock() - read_at < TENANTS_KEPT else None

    async def _read(self, tenant_id: int) -> Tenant:
        now = self._clock()
        # Read as the tenant itself, because row security shows its targets to nobody else.
        known = await self._store.read(tenant_id, lambda snapshot: find_tenant_by_id(snapshot, tenant_id))
        if known is None:
            raise NotFound("tenant")
        self._known[tenant_id] = now, known
        return known

    def forget(self, tenant_id: int) -> None:
        """Read a tenant again at its next use, because something of it was changed here."""
        self._known.pop(tenant_id, None)


class Foresight(Protocol):
    """Those who evaluate a new sitting before its transaction."""

    async def foresee(
        self, tenant: Tenant, caller: Caller, reading_set: ReadingSet, keys: SittingKeys, sent: bytes | None = None
    ) -> Foreseen | None: ...


class AppContext(msgspec.Struct, frozen=True, kw_only=True):
    """Everything that the use cases need, made once by the application. ``new_id`` makes a set's id from its subject's id.
    ``deciders`` evaluate new sittings in other processes."""

    store: Store
    tenants: Tenants
    rulebook: Rulebook
    clock: Callable[[], datetime]
    new_id: Callable[[UUID, datetime], UUID]
    deciders: Foresight | None = None


class UnitOfWork(msgspec.Struct, frozen=True, kw_only=True):
    """The work of one request in the shared transaction; ``now`` is the server's clock, to the millisecond.

    ``received_at`` is when what it stores came in, which is earlier where that was looked at before the transaction.
    """

    transaction: Transaction
    desk: AppContext
    tenant: Tenant
    caller: Caller
    now: datetime
    received_at: datetime


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
    """Write one row of the audit trail: the action of the caller, and its object."""
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
    """The context of an application that serves from a store."""
    return AppContext(store=store, tenants=Tenants(store, clock), rulebook=rulebook, clock=clock, new_id=new_id)


def turn_of(
    desk: AppContext, tenant: Tenant, caller: Caller, transaction: Transaction, received_at: datetime | None = None
) -> UnitOfWork:
    moment = now(desk)
    return UnitOfWork(
        transaction=transaction, desk=desk, tenant=tenant, caller=caller, now=moment, received_at=received_at or moment
    )


def now(desk: AppContext) -> datetime:
    """The server's time, cut to the millisecond as answers show it."""
    # Cut before it is stored: a time with microseconds would come back from an answer a little earlier than the stored one.
    moment = desk.clock()
    return moment.replace(microsecond=moment.microsecond // 1000 * 1000)
