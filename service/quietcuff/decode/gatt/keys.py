"""Keys of Bluetooth values, so that it is one measurement however often and by however many gateways it is sent."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime, timedelta

import msgspec

from quietcuff.core.model.readings import Device


class SameValue(msgspec.Struct, frozen=True, kw_only=True):
    """The key of a value, and other keys under which it may be stored."""

    key: str
    alike: tuple[str, ...] = ()


class Sent(msgspec.Struct, frozen=True, kw_only=True):
    """A value as its gateway sent it: ``number`` counts the equal values of one payload that have counts of their own."""

    characteristic: str
    value_hex: str
    sequence: int | None
    number: int


def numbered(values: Sequence[tuple[str, str, int | None]]) -> list[Sent]:
    """The values of one payload. Equal bytes are several measurements only where the gateway counted them as several."""
    counts: dict[tuple[str, str], list[int | None]] = defaultdict(list)
    found = []
    for characteristic, value_hex, sequence in values:
        known = counts[characteristic, value_hex.lower()]
        if sequence not in known:
            known.append(sequence)
        number = known.index(sequence)
        found.append(Sent(characteristic=characteristic, value_hex=value_hex.lower(), sequence=sequence, number=number))
    return found


def same_value(sent: Sent, device: Device | None, received_at: datetime, within: timedelta, *, has_time: bool) -> SameValue:
    """The key of a value: device, the device's own time and the bytes; without such a time, the bytes and when they came.

    A gateway's count says nothing across payloads: it starts again with the gateway, and each gateway has its own. Equal bytes
    that came within a stated time are one measurement: the key is of a stretch of time, and the stretches beside it are alike.

    Source: [PHD], the duplicate guard; the time [DECISION].
    """
    identifier = None if device is None else device.identifier
    name = "" if identifier is None else identifier.text
    stem = f"{sent.characteristic} {name} {sent.value_hex}"
    if has_time:
        return SameValue(key=f"gatt {stem} ")
    stretch = int(received_at.timestamp() // within.total_seconds())
    number = f" {sent.number}" if sent.number else ""
    keys = [f"gatt-untimed {stem} {one}{number}" for one in (stretch, stretch - 1, stretch + 1)]
    # As earlier versions of this service knew it.
    former = [] if sent.number else [f"gatt {stem} {received_at.isoformat()}", f"gatt {stem} {sent.sequence}"]
    return SameValue(key=keys[0], alike=(*keys[1:], *former))
