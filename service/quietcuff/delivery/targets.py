"""Delivery targets: create, show, change and remove them, and replay what was given up."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import timedelta
from typing import TypeVar
from uuid import UUID, uuid4

import msgspec

from quietcuff.application import AppContext, Caller
from quietcuff.application.context import note
from quietcuff.application.context import now as now_of
from quietcuff.core.model.errors import Fault, NotAcceptable, NotFound
from quietcuff.core.model.fields import utc_text
from quietcuff.delivery.changes import OPTIONS, TargetOptions, message_id
from quietcuff.delivery.documents import (
    NewTarget,
    Replayed,
    SecretMade,
    SendAgain,
    TargetChange,
    TargetList,
    TargetMade,
    TargetRecord,
    Undelivered,
    UndeliveredList,
)
from quietcuff.delivery.signing import make_secret, secret_text
from quietcuff.security.allowed_addresses import URL_ACCEPTED, Allowances, is_url_allowed
from quietcuff.storage.delivery import outbox
from quietcuff.storage.delivery.outbox import Backlog, OutboxEntry
from quietcuff.storage.delivery.targets import (
    TargetRow,
    change_target,
    delete_target,
    find_target,
    insert_target,
    lock_target,
    targets_of_tenant,
)
from quietcuff.storage.engine.ids import read_id
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows.paging import check_limit

T = TypeVar("T")
EARLIER_SECRET_SIGNS = timedelta(hours=24)
MOST_TARGETS = 20
ENTRY_ID = re.compile(r"([0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12})-v([1-9][0-9]{0,8})", re.ASCII)
ENCODER = msgspec.json.Encoder()


async def make_target(desk: AppContext, caller: Caller, new: NewTarget, allowed: Allowances) -> TargetMade:
    """Create a target. Everything that is stored from now on is sent to it too.

    Raises:
        NotAcceptable: a URL that nothing may be sent to, a token for a webhook, or too many targets.
    """
    faults = url_faults(new.url, allowed)
    if new.kind == "webhook" and new.bearer_token is not None:
        faults.append(Fault(pointer="/bearer_token", code="not-for-this-kind", detail="Only for kind fhir."))
    if faults:
        raise NotAcceptable(faults)
    now, secret = now_of(desk), make_secret() if new.kind == "webhook" else None
    row = TargetRow(
        tenant_id=caller.tenant_id,
        target_id=uuid4(),
        kind=new.kind,
        url=new.url,
        options=ENCODER.encode(TargetOptions(new.implausible, new.preliminary, new.without_result)),
        secret=secret if new.bearer_token is None else new.bearer_token.encode(),
        created_at=now,
        updated_at=now,
    )

    def store(transaction: Transaction) -> None:
        # Every version costs one entry of the outbox for each target.
        if len(targets_of_tenant(transaction, caller.tenant_id)) >= MOST_TARGETS:
            raise NotAcceptable.of(pointer="", code="too-many", detail=f"At most {MOST_TARGETS} targets.")
        insert_target(transaction, row)
        note(transaction, caller, "create-target", now_of(desk))

    await desk.store.write(caller.tenant_id, store)
    # The remembered tenant says that it has no targets, so new versions would not be queued for some seconds.
    desk.tenants.forget(caller.tenant_id)
    shown = msgspec.structs.asdict(record_of(row, None, None))
    return TargetMade(**shown, secret=None if secret is None else secret_text(secret))


async def list_targets(desk: AppContext, caller: Caller) -> TargetList:
    """Every target of the tenant."""

    def read(transaction: Transaction) -> TargetList:
        backlogs = outbox.backlogs(transaction, caller.tenant_id)
        rows = targets_of_tenant(transaction, caller.tenant_id)
        return TargetList(items=[shown_with(transaction, row, backlogs.get(row.target_id)) for row in rows])

    return await desk.store.read(caller.tenant_id, read)


async def read_target(desk: AppContext, caller: Caller, target_id: str) -> TargetRecord:
    """One target.

    Raises:
        NotFound: this tenant has none of that id.
    """
    wanted = read_id(target_id)
    return await desk.store.read(caller.tenant_id, lambda transaction: target_with_backlog(transaction, caller, wanted))


async def change(desk: AppContext, caller: Caller, target_id: str, wanted: TargetChange, allowed: Allowances) -> TargetRecord:
    """Change a target's address or options, pause it, or make it active again: then put-off entries are tried at once.

    Raises:
        NotFound: this tenant has none of that id.
        NotAcceptable: a URL that nothing may be sent to, a token for a webhook, or nothing at all to change.
    """
    # Both faults are told at once, so that a client need not find them one by one.
    faults = [] if wanted.url is None else url_faults(wanted.url, allowed)
    if wanted == TargetChange():
        faults.append(Fault(pointer="", code="nothing-to-change", detail="At least one field of the target."))
    if faults:
        raise NotAcceptable(faults)

    def store(transaction: Transaction, row: TargetRow) -> TargetRecord:
        if row.kind == "webhook" and wanted.bearer_token is not None:
            raise NotAcceptable.of(pointer="/bearer_token", code="not-for-this-kind", detail="Only for kind fhir.")
        now = now_of(desk)
        change_target(transaction, msgspec.structs.replace(changed(row, wanted), updated_at=now))
        if wanted.state == "active":
            outbox.due_now(transaction, row.tenant_id, row.target_id, now)
        note(transaction, caller, "change-target", now_of(desk))
        return target_with_backlog(transaction, caller, row.target_id)

    return await on_target(desk, caller, target_id, store)


def changed(row: TargetRow, wanted: TargetChange) -> TargetRow:
    """A target with the wanted changes."""
    options = OPTIONS.decode(row.options)
    asked = {name: value for name in TargetOptions.__struct_fields__ if (value := getattr(wanted, name)) is not None}
    return msgspec.structs.replace(
        row,
        url=wanted.url or row.url,
        options=ENCODER.encode(msgspec.structs.replace(options, **asked)),
        secret=row.secret if wanted.bearer_token is None else wanted.bearer_token.encode(),
        state=wanted.state or row.state,
        reason=row.reason if wanted.state is None else {"active": None, "paused": "asked"}[wanted.state],
    )


async def rotate_secret(desk: AppContext, caller: Caller, target_id: str) -> SecretMade:
    """Make a new key for a webhook. The key before also signs for one more day.

    Raises:
        NotFound: this tenant has none of that id.
        NotAcceptable: it is no webhook.
    """
    secret, now = make_secret(), now_of(desk)

    def store(transaction: Transaction, row: TargetRow) -> SecretMade:
        if row.kind != "webhook":
            detail = "Only a webhook's key is made here; a record's token is changed by PATCH."
            raise NotAcceptable.of(pointer="", code="not-for-this-kind", detail=detail)
        until = now + EARLIER_SECRET_SIGNS
        rotated = msgspec.structs.replace(
            row, secret=secret, earlier_secret=row.secret, earlier_secret_until=until, updated_at=now
        )
        change_target(transaction, rotated)
        note(transaction, caller, "change-target", now_of(desk))
        return SecretMade(secret=secret_text(secret), earlier_signs_until=utc_text(until))

    return await on_target(desk, caller, target_id, store)


async def remove_target(desk: AppContext, caller: Caller, target_id: str) -> None:
    """Remove a target and all entries that were still to be sent to it.

    Raises:
        NotFound: this tenant has none of that id.
    """

    def store(transaction: Transaction, row: TargetRow) -> None:
        delete_target(transaction, row.tenant_id, row.target_id)
        note(transaction, caller, "delete-target", now_of(desk))

    await on_target(desk, caller, target_id, store)
    desk.tenants.forget(caller.tenant_id)


async def list_undelivered(desk: AppContext, caller: Caller, target_id: str, limit: int) -> UndeliveredList:
    """The entries that were given up on the way to a target.

    Raises:
        NotAcceptable: an invalid limit.
        NotFound: this tenant has none of that id.
    """
    check_limit(limit)
    wanted = read_id(target_id)

    def read(transaction: Transaction) -> UndeliveredList:
        total = target_with_backlog(transaction, caller, wanted).undelivered
        entries = outbox.undelivered(transaction, caller.tenant_id, wanted, limit)
        return UndeliveredList(items=[target_record(entry) for entry in entries], total=total)

    return await desk.store.read(caller.tenant_id, read)


async def replay(desk: AppContext, caller: Caller, target_id: str, wanted: SendAgain) -> Replayed:
    """Queue given-up entries again.

    Raises:
        NotFound: this tenant has none of that id.
        NotAcceptable: an id that is none of an entry; all of them are named.
    """
    versions = versions_of(wanted.ids)

    def store(transaction: Transaction, row: TargetRow) -> Replayed:
        now = now_of(desk)
        if versions is None:
            count = outbox.replay_all(transaction, row.tenant_id, row.target_id, now)
        else:
            count = outbox.replay(transaction, row.tenant_id, row.target_id, versions, now)
        note(transaction, caller, "replay-deliveries", now_of(desk))
        return Replayed(replayed=count)

    return await on_target(desk, caller, target_id, store)


def versions_of(ids: list[str] | None) -> list[tuple[UUID, int]] | None:
    """The sets and versions that the ids of entries name; None where no ids are given."""
    if ids is None:
        return None
    found = [ENTRY_ID.fullmatch(text) for text in ids]
    accepted = "The id of an entry, as the list of what was not delivered gives it."
    faults = [
        Fault(pointer=f"/ids/{place}", code="not-an-id", detail=accepted) for place, match in enumerate(found) if match is None
    ]
    if faults:
        raise NotAcceptable(faults)
    return [(UUID(match[1]), int(match[2])) for match in found if match is not None]


async def on_target(desk: AppContext, caller: Caller, target_id: str, work: Callable[[Transaction, TargetRow], T]) -> T:
    """Do work on a target while its row is locked.

    Raises:
        NotFound: this tenant has none of that id.
    """
    wanted = read_id(target_id)

    def do(transaction: Transaction) -> T:
        row = lock_target(transaction, caller.tenant_id, wanted)
        if row is None:
            raise NotFound("target")
        return work(transaction, row)

    return await desk.store.write(caller.tenant_id, do)


def target_with_backlog(transaction: Transaction, caller: Caller, target_id: UUID) -> TargetRecord:
    """A target as it is in this transaction."""
    row = find_target(transaction, caller.tenant_id, target_id)
    if row is None:
        raise NotFound("target")
    return shown_with(transaction, row, outbox.backlogs(transaction, caller.tenant_id).get(target_id))


def shown_with(transaction: Transaction, row: TargetRow, backlog: Backlog | None) -> TargetRecord:
    """A target with its waiting entries and the outcome of the last failed attempt."""
    has_failed = backlog is not None and backlog.failed > 0
    return record_of(row, backlog, outbox.last_failed(transaction, row.tenant_id, row.target_id) if has_failed else None)


def record_of(row: TargetRow, backlog: Backlog | None, last: OutboxEntry | None) -> TargetRecord:
    options = OPTIONS.decode(row.options)
    oldest = None if backlog is None else backlog.oldest_queued_at
    due = None if backlog is None or row.state != "active" else backlog.next_due_at
    tried_at = None if last is None else last.tried_at
    return TargetRecord(
        id=str(row.target_id),
        kind=row.kind,
        url=row.url,
        implausible=options.implausible,
        preliminary=options.preliminary,
        without_result=options.without_result,
        state=row.state,
        reason=row.reason,
        created_at=utc_text(row.created_at),
        updated_at=utc_text(row.updated_at),
        waiting=0 if backlog is None else backlog.waiting,
        oldest_waiting_at=None if oldest is None else utc_text(oldest),
        undelivered=0 if backlog is None else backlog.undelivered,
        last_error=None if last is None else last.reason,
        last_status=None if last is None else last.status,
        last_attempt_at=None if tried_at is None else utc_text(tried_at),
        next_attempt_at=None if due is None else utc_text(due),
    )


def target_record(entry: OutboxEntry) -> Undelivered:
    given_up_at = entry.given_up_at or entry.queued_at
    return Undelivered(
        id=message_id(entry.set_id, entry.version),
        reading_set_id=str(entry.set_id),
        version=entry.version,
        reason=entry.reason or "",
        status=entry.status,
        attempts=entry.attempts,
        queued_at=utc_text(entry.queued_at),
        given_up_at=utc_text(given_up_at),
    )


def url_faults(url: str, allowed: Allowances) -> list[Fault]:
    return [] if is_url_allowed(url, allowed) else [Fault(pointer="/url", code="unfit-url", detail=URL_ACCEPTED)]
