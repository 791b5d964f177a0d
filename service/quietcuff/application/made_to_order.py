"""First versions of new sets, made by a worker process from what it reads in a snapshot, in the steps of
``store_sitting.store_new``."""

from __future__ import annotations

import asyncio
from datetime import datetime
from uuid import UUID

import msgspec

from quietcuff.application.context import AppContext, Caller, UnitOfWork
from quietcuff.application.evaluate_and_keep import completed
from quietcuff.application.foreseen import ENCODER, FirstVersion, Foreseen, SeenBefore
from quietcuff.application.parties import look_up_stored, meet, own_device_id, registry_of, with_known_devices
from quietcuff.application.store_sitting import seen_of
from quietcuff.application.version_rows import Version, first_draft, rows_of_version
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.record.resource_states import ResourceStates, next_stands
from quietcuff.core.record.sitting_version import SittingVersion
from quietcuff.decode.own_json import read_known
from quietcuff.storage.engine.ids import device_ids
from quietcuff.storage.engine.read_ahead import forget_ahead
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows.claims import find_claim
from quietcuff.storage.rows.ready_rows import ready_rows
from quietcuff.storage.rows.sitting_lookups import SittingKeys, look_ahead
from quietcuff.storage.rows.subjects import find_subject
from quietcuff.storage.rows.tenants import Tenant

LONGEST_READ_SECONDS = 10.0


class SetOrder(msgspec.Struct, frozen=True, kw_only=True, array_like=True, gc=False):
    """A new set that is for another process to foresee: the JSON that it was read from, the keys of what is stored of it, and
    the id that it gets."""

    set_id: UUID
    reading_set: bytes
    keys: SittingKeys
    received_at: datetime
    caller: Caller


class Orders(msgspec.Struct, frozen=True, kw_only=True, array_like=True):
    """New sets of one tenant."""

    tenant: Tenant
    sets: list[SetOrder]


ORDERS = msgspec.msgpack.Decoder(list[Orders])


async def all_to_order(raw: bytes, desk: AppContext) -> bytes:
    """Foresee each set that is asked for, in their order; null for one that came before.

    Raises:
        Busy: the database cannot be reached now.
        TimeoutError: it does not answer.
    """
    return ENCODER.encode([one for part in ORDERS.decode(raw) for one in await part_to_order(part, desk)])


async def part_to_order(part: Orders, desk: AppContext) -> list[Foreseen | None]:
    """Foresee the sets of one tenant."""
    said = [read_known(order.reading_set, ReadingSet) for order in part.sets]

    def read(snapshot: Transaction) -> list[SeenBefore | None]:
        try:
            look_ahead(snapshot, part.tenant.tenant_id, [order.keys for order in part.sets])
            turns = [turn_at(desk, part.tenant, order, snapshot) for order in part.sets]
            return [read_one(turn, order, one) for turn, order, one in zip(turns, part.sets, said, strict=True)]
        finally:
            forget_ahead(snapshot)

    # A connection can be lost without a word, and whoever ends this process would wait with it.
    async with asyncio.timeout(LONGEST_READ_SECONDS):
        seen = await desk.store.read(part.tenant.tenant_id, read)
    return [
        None if stored is None else foreseen(order, one, stored, part.tenant, desk)
        for order, one, stored in zip(part.sets, said, seen, strict=True)
    ]


def turn_at(desk: AppContext, tenant: Tenant, order: SetOrder, snapshot: Transaction) -> UnitOfWork:
    at = order.received_at
    return UnitOfWork(transaction=snapshot, desk=desk, tenant=tenant, caller=order.caller, now=at, received_at=at)


def read_one(turn: UnitOfWork, order: SetOrder, said: ReadingSet) -> SeenBefore | None:
    """What a set is evaluated with; None of one that came before."""
    tenant_id, person = turn.tenant.tenant_id, order.keys.subject_id
    if any(find_claim(turn.transaction, tenant_id, digest, turn.now) is not None for digest in order.keys.claims):
        return None
    known = find_subject(turn.transaction, tenant_id, person)
    return seen_of(turn, person, said, known, look_up_stored(turn, said))


def foreseen(order: SetOrder, said: ReadingSet, seen: SeenBefore, tenant: Tenant, desk: AppContext) -> Foreseen:
    made = first_version(order, said, seen, tenant, desk)
    return Foreseen(set_id=order.set_id, received_at=order.received_at, seen=seen, made=made)


def first_version(order: SetOrder, said: ReadingSet, seen: SeenBefore, tenant: Tenant, desk: AppContext) -> FirstVersion | None:
    """The first version of a new set; None where the rules refuse it."""
    subject_id, at = order.keys.subject_id, order.received_at
    met = meet(said.subject, seen.facts)
    draft = first_draft(said, met.said, met.differ, is_of_new_person=seen.facts is None)
    registry = registry_of(said, seen.devices)
    known = with_known_devices(draft.reading_set, registry)
    reading_set = completed(known, draft, None, registry, seen.earlier, at, at, tenant.settings)
    try:
        evaluation = evaluate(reading_set, reading_set.history, desk.rulebook)
    except NotAcceptable:
        return None
    sitting = SittingVersion(
        set_id=str(order.set_id),
        subject_id=str(subject_id),
        reading_set=reading_set,
        evaluation=evaluation,
        device_ids=device_ids(tenant.secret, reading_set),
    )
    stands = next_stands(ResourceStates(), None, None, sitting, version=1, at=at)
    version = Version(number=1, at=at, sitting=sitting, stands=stands)
    key = {"tenant_id": tenant.tenant_id, "subject_id": subject_id, "set_id": order.set_id}
    own_device = own_device_id(tenant.secret, reading_set)
    made = rows_of_version(key, draft, version, None, own_device, desk.rulebook, order.caller.actor)
    return FirstVersion(rows=ready_rows(desk.store.driver, made.row, made.readings, made.version), learnt=met.learnt)
