"""The outbox: entries still to be sent, the worker that holds each, and entries that were given up.

The entries for one person and one target form a lane, and only the first entry of a lane can be claimed. A claim is a lease:
when a worker is killed, another takes up its entries once the lease has run out.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from functools import cache
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import Connection, and_, bindparam, case, cast, delete, exists, func, literal, null, or_, select, update
from sqlalchemy.sql import Select

from quietcuff.storage.engine.statements import Command, Query, insert_into
from quietcuff.storage.schema.base import Id, Instant
from quietcuff.storage.schema.codes import TARGET_STATE
from quietcuff.storage.schema.delivery import outbox, target

_c = outbox.c
_earlier = outbox.alias("earlier")


class OutboxEntry(msgspec.Struct, frozen=True):
    """One version of a set that is to be sent to one target."""

    tenant_id: int
    subject_id: UUID
    target_id: UUID
    position: int
    set_id: UUID
    version: int
    queued_at: datetime
    attempts: int
    tried_at: datetime | None
    reason: str | None
    status: int | None
    given_up_at: datetime | None


class Lease(msgspec.Struct, frozen=True, kw_only=True):
    """An entry that a worker holds, and the time until which no other worker takes it."""

    entry: OutboxEntry
    lease: UUID
    leased_until: datetime


class Backlog(msgspec.Struct, frozen=True):
    """The number of waiting and given-up entries of a target.

    Also the oldest waiting entry's time, the time of the next attempt, and how many waiting entries have failed before.
    """

    target_id: UUID
    waiting: int
    oldest_queued_at: datetime | None
    undelivered: int
    next_due_at: datetime | None
    failed: int


_COLUMNS = [_c[name] for name in OutboxEntry.__struct_fields__]
_KEY = ("tenant_id", "subject_id", "target_id", "position")
_LANE = ("tenant_id", "subject_id", "target_id")
_OF_TARGET = (_c.tenant_id == bindparam("tenant_id"), _c.target_id == bindparam("target_id"))
_NAMED = tuple(_c[name] == bindparam(f"of_{name}") for name in _KEY)
_OURS = (*_NAMED, _c.lease == bindparam("of_lease"))


def _queue(dialect: str) -> Any:
    tenant_id, subject_id = bindparam("tenant_id", type_=_c.tenant_id.type), bindparam("subject_id", type_=Id)
    of_lane = and_(
        _earlier.c.tenant_id == tenant_id, _earlier.c.subject_id == subject_id, _earlier.c.target_id == target.c.target_id
    )
    last = select(func.max(_earlier.c.position)).where(of_lane).scalar_subquery()
    now = cast(bindparam("now", type_=Instant), Instant)
    values: dict[str, Any] = {
        "tenant_id": target.c.tenant_id,
        "subject_id": cast(subject_id, Id),
        "target_id": target.c.target_id,
        "position": func.coalesce(last, 0) + 1,
        "set_id": cast(bindparam("set_id", type_=Id), Id),
        "version": cast(bindparam("version", type_=_c.version.type), _c.version.type),
        "queued_at": now,
        "due_at": now,
        "attempts": literal(0),
    }
    # A paused target keeps collecting entries for later; a disabled one has said that it wants no more.
    takes = target.c.state != TARGET_STATE.number("disabled")
    rows = select(*values.values()).where(target.c.tenant_id == tenant_id, takes)
    return insert_into(outbox, dialect).from_select(list(values), rows)


def _heads() -> Select[Any]:
    """The entries of a target that can be claimed: due, held by nobody, and first in their lane."""
    same_lane = and_(*(_earlier.c[name] == _c[name] for name in _LANE))
    waits_before = exists().where(same_lane, _earlier.c.given_up_at.is_(None), _earlier.c.position < _c.position)
    is_free = or_(_c.leased_until.is_(None), _c.leased_until <= bindparam("now", type_=Instant))
    return (
        select(*_COLUMNS)
        .where(*_OF_TARGET, _c.given_up_at.is_(None), _c.due_at <= bindparam("now", type_=Instant), is_free, ~waits_before)
        .order_by(_c.due_at, _c.position)
        .limit(bindparam("most"))
        # Workers that look at the same moment pass over each other's rows and do not wait.
        .with_for_update(skip_locked=True, of=outbox)
    )


QUEUE = Command(_queue)
HEADS = Query(OutboxEntry, _heads())
LEASE = Command(update(outbox).where(*_NAMED).values(lease=bindparam("to_lease"), leased_until=bindparam("to_leased_until")))
DELIVERED = Command(delete(outbox).where(*_OURS))
_FREE: dict[str, Any] = {"lease": null(), "leased_until": null()}
_TRIED: dict[str, Any] = {name: bindparam(f"to_{name}") for name in ("attempts", "tried_at", "reason", "status")}
LATER = Command(update(outbox).where(*_OURS).values(**_TRIED, due_at=bindparam("to_due_at"), **_FREE))
GIVE_UP = Command(update(outbox).where(*_OURS).values(**_TRIED, given_up_at=bindparam("to_given_up_at"), **_FREE))
RELEASE = Command(update(outbox).where(*_OURS).values(**_FREE))
# Entries behind a put-off one are put off too, or every search for work would have to pass over them.
HOLD_BACK = Command(
    update(outbox)
    .where(*_NAMED[:3], _c.given_up_at.is_(None), _c.due_at < bindparam("to_due_at"))
    .values(due_at=bindparam("to_due_at"))
)
GIVEN_UP = Query(
    OutboxEntry,
    select(*_COLUMNS)
    .where(*_OF_TARGET, _c.given_up_at.is_not(None))
    .order_by(_c.given_up_at, _c.subject_id, _c.position)
    .limit(bindparam("most")),
)
_AFRESH: dict[str, Any] = {"given_up_at": null(), "attempts": 0, "due_at": bindparam("now", type_=Instant)}
REPLAY_ALL = Command(update(outbox).where(*_OF_TARGET, _c.given_up_at.is_not(None)).values(**_AFRESH))
REPLAY_ONE = Command(
    update(outbox)
    .where(
        *_OF_TARGET,
        _c.given_up_at.is_not(None),
        _c.set_id == bindparam("of_set_id"),
        _c.version == bindparam("of_version"),
    )
    .values(**_AFRESH)
)
# Entries put off by a failure are tried at once where somebody says that the receiver works again.
DUE_NOW = Command(
    update(outbox)
    .where(*_OF_TARGET, _c.given_up_at.is_(None), _c.due_at > bindparam("now", type_=Instant))
    .values(due_at=bindparam("now", type_=Instant))
)
_is_waiting = _c.given_up_at.is_(None)


def _bring_forward(attempts: int) -> Command:
    """Make lanes due whose entries were all last tried before the bound for their number of attempts."""
    ahead = and_(*(_earlier.c[name] == _c[name] for name in _LANE), _earlier.c.position <= _c.position)
    bounds = {number: bindparam(f"tried_{number}", type_=Instant) for number in range(1, attempts + 1)}
    too_lately = _earlier.c.tried_at > case(bounds, value=_earlier.c.attempts, else_=bounds[attempts])
    # What stands behind an entry that goes on waiting could not be claimed, and would show a wrong time of the next attempt.
    goes_on_waiting = exists().where(ahead, _earlier.c.given_up_at.is_(None), _earlier.c.attempts > 0, too_lately)
    return Command(
        update(outbox)
        .where(*_OF_TARGET, _is_waiting, _c.due_at > bindparam("now", type_=Instant), ~goes_on_waiting)
        .values(due_at=bindparam("now", type_=Instant))
    )


BRING_FORWARD = cache(_bring_forward)
BACKLOGS = Query(
    Backlog,
    select(
        _c.target_id,
        func.count(case((_is_waiting, 1))),
        func.min(case((_is_waiting, _c.queued_at))).label("oldest"),
        func.count(_c.given_up_at),
        func.min(case((_is_waiting, _c.due_at))).label("next_due"),
        func.count(case((_is_waiting & (_c.attempts > 0), 1))),
    )
    .where(_c.tenant_id == bindparam("tenant_id"))
    .group_by(_c.target_id),
)
LAST_TRIED = Query(
    OutboxEntry,
    select(*_COLUMNS).where(*_OF_TARGET, _is_waiting, _c.tried_at.is_not(None)).order_by(_c.tried_at.desc()).limit(1),
)


def queue_version(connection: Connection, tenant_id: int, subject_id: UUID, set_id: UUID, version: int, now: datetime) -> None:
    """Queue a version for every target of its tenant; written with the group. The caller holds the lock on the person's row."""
    values = {"tenant_id": tenant_id, "subject_id": subject_id, "set_id": set_id, "version": version, "now": now}
    QUEUE.run_later(connection, [values])


def claim_due(
    connection: Connection, tenant_id: int, target_id: UUID, *, now: datetime, until: datetime, lease: UUID, most: int
) -> list[Lease]:
    """Claim the due entries of a target, the longest due first. Entries that another worker is claiming now are passed over."""
    values = {"tenant_id": tenant_id, "target_id": target_id, "now": now, "most": most}
    heads = HEADS.all(connection, values)
    LEASE.run_each(connection, [{**_key(head), "to_lease": lease, "to_leased_until": until} for head in heads])
    return [Lease(entry=head, lease=lease, leased_until=until) for head in heads]


def delivered(connection: Connection, claim: Lease) -> bool:
    """Remove an entry that has arrived; False where the lease ran out and another worker holds it."""
    return DELIVERED.run(connection, _held(claim)) == 1


def try_later(connection: Connection, claim: Lease, tried: Tried, due_at: datetime) -> None:
    """Put off an entry and the entries behind it."""
    # Nothing to hold back where the lease was lost: the lane then belongs to another worker.
    if LATER.run(connection, {**_held(claim), **_said(tried), "to_due_at": due_at}):
        lane = {name: value for name, value in _key(claim.entry).items() if name != "of_position"}
        HOLD_BACK.run(connection, {**lane, "to_due_at": due_at})


def give_up(connection: Connection, claim: Lease, tried: Tried) -> None:
    """Set an entry aside; the entries behind it go on."""
    GIVE_UP.run(connection, {**_held(claim), **_said(tried), "to_given_up_at": tried.at})


def release(connection: Connection, claim: Lease) -> None:
    """Release an entry unchanged."""
    RELEASE.run(connection, _held(claim))


def undelivered(connection: Connection, tenant_id: int, target_id: UUID, most: int) -> list[OutboxEntry]:
    """Entries that were given up, the longest ago first."""
    return GIVEN_UP.all(connection, {"tenant_id": tenant_id, "target_id": target_id, "most": most})


def replay_all(connection: Connection, tenant_id: int, target_id: UUID, now: datetime) -> int:
    """Queue all given-up entries again; their number."""
    return REPLAY_ALL.run(connection, {"tenant_id": tenant_id, "target_id": target_id, "now": now})


def replay(connection: Connection, tenant_id: int, target_id: UUID, versions: Sequence[tuple[UUID, int]], now: datetime) -> int:
    """Queue some given-up entries again, named by set and version; the number found."""
    key = {"tenant_id": tenant_id, "target_id": target_id, "now": now}
    return sum(REPLAY_ONE.run(connection, {**key, "of_set_id": of, "of_version": number}) for of, number in versions)


def due_now(connection: Connection, tenant_id: int, target_id: UUID, now: datetime) -> None:
    """Make all put-off entries due at once."""
    DUE_NOW.run(connection, {"tenant_id": tenant_id, "target_id": target_id, "now": now})


def bring_forward(
    connection: Connection, tenant_id: int, target_id: UUID, now: datetime, tried_before: Sequence[datetime]
) -> None:
    """Make put-off entries due, but for those last tried later than the bound for their number of attempts."""
    bounds = {f"tried_{number}": bound for number, bound in enumerate(tried_before, 1)}
    values = {"tenant_id": tenant_id, "target_id": target_id, "now": now, **bounds}
    BRING_FORWARD(len(tried_before)).run(connection, values)


def backlogs(connection: Connection, tenant_id: int) -> dict[UUID, Backlog]:
    """The backlog of each target that has any entries."""
    return {found.target_id: found for found in BACKLOGS.all(connection, {"tenant_id": tenant_id})}


def last_failed(connection: Connection, tenant_id: int, target_id: UUID) -> OutboxEntry | None:
    """The waiting entry of a target that failed most recently."""
    return LAST_TRIED.first(connection, {"tenant_id": tenant_id, "target_id": target_id})


class Tried(msgspec.Struct, frozen=True, kw_only=True):
    """The outcome of an attempt: its time and number, a reason, and the HTTP status where there was an answer."""

    at: datetime
    attempts: int
    reason: str
    status: int | None = None


def _key(entry: OutboxEntry) -> dict[str, Any]:
    return {f"of_{name}": getattr(entry, name) for name in _KEY}


def _held(claim: Lease) -> dict[str, Any]:
    return {**_key(claim.entry), "of_lease": claim.lease}


def _said(tried: Tried) -> dict[str, Any]:
    return {"to_attempts": tried.attempts, "to_tried_at": tried.at, "to_reason": tried.reason, "to_status": tried.status}
