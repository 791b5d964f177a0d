"""A new set before its transaction: what was read of it, the order to a worker process, and the version that came back."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

import msgspec

from quietcuff.storage.rows.ready_rows import ReadyRows
from quietcuff.storage.rows.tenants import Tenant


class SeenBefore(msgspec.Struct, frozen=True, kw_only=True, array_like=True, gc=False):
    """Everything stored that a new set is evaluated with: the person's facts (None of somebody new), the registered documents
    of its devices, and the earlier sittings. Where it is the same, the version that follows is the same."""

    facts: bytes | None
    devices: list[bytes | None]
    earlier: list[bytes]


class SetOrder(msgspec.Struct, frozen=True, kw_only=True, array_like=True, gc=False):
    """A new set that is for another process to evaluate: the set as it came, what is stored of it, and the id that it gets."""

    subject_id: UUID
    set_id: UUID
    reading_set: bytes
    seen: SeenBefore
    received_at: datetime
    actor: str


class Orders(msgspec.Struct, frozen=True, kw_only=True, array_like=True):
    """New sets of one tenant, and the driver that their rows are for."""

    tenant: Tenant
    driver: str
    sets: list[SetOrder]


class FirstVersion(msgspec.Struct, frozen=True, kw_only=True, array_like=True, gc=False):
    """The first version of a set as rows, and the facts that the registry learns of the person, None where they stay."""

    rows: ReadyRows
    learnt: bytes | None


# Between processes everything goes as bytes: to pickle structs costs more than to evaluate some of them.
ENCODER = msgspec.msgpack.Encoder()
ORDERS = msgspec.msgpack.Decoder(list[Orders])
MADE = msgspec.msgpack.Decoder(list[FirstVersion | None])


class Foreseen(msgspec.Struct, frozen=True, kw_only=True):
    """What was read of a new set before its transaction, and the version that follows from it; None where the rules refuse it,
    or nobody evaluated it."""

    set_id: UUID
    received_at: datetime
    seen: SeenBefore
    made: FirstVersion | None
