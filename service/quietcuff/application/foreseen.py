"""A new set before its transaction: what was read of it, and the version that follows from that."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

import msgspec

from quietcuff.storage.rows.ready_rows import ReadyRows


class SeenBefore(msgspec.Struct, frozen=True, kw_only=True, array_like=True, gc=False):
    """Everything stored that a new set is evaluated with: the person's facts (None of somebody new), the registered documents
    of its devices, and the earlier sittings. Where it is the same, the version that follows is the same."""

    facts: bytes | None
    devices: list[bytes | None]
    earlier: list[bytes]


class FirstVersion(msgspec.Struct, frozen=True, kw_only=True, array_like=True, gc=False):
    """The first version of a set as rows, and the facts that the registry learns of the person, None where they stay."""

    rows: ReadyRows
    learnt: bytes | None


class Foreseen(msgspec.Struct, frozen=True, kw_only=True, array_like=True, gc=False):
    """What was read of a new set before its transaction, and the version that follows from that; None where the rules refuse
    it."""

    set_id: UUID
    received_at: datetime
    seen: SeenBefore
    made: FirstVersion | None


# Between processes everything goes as bytes: to pickle structs costs more than to evaluate some of them.
ENCODER = msgspec.msgpack.Encoder()
FORESEEN = msgspec.msgpack.Decoder(list[Foreseen | None])
