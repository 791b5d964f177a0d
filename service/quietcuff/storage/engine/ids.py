"""Ids and keyed digests. The id of a person or device follows from the caller's identifier alone.

Digests of what callers send are keyed with the tenant's secret. Some bodies have few possible values, and a plain digest of
those would be a dictionary of patients.
"""

from __future__ import annotations

import hmac
import secrets
from datetime import datetime
from functools import lru_cache
from uuid import UUID

import msgspec

from quietcuff.core.model.errors import NotFound
from quietcuff.core.model.readings import Device, Identifier, ReadingSet
from quietcuff.storage.schema.base import microseconds

ENCODER = msgspec.json.Encoder()
DIGEST_BYTES = 16
SUBJECT_BITS = 12
# An id that belongs to nobody, for places where an id is required.
NOBODY = UUID(int=0)


def subject_id(secret: bytes, identifier: Identifier) -> UUID:
    """The id of a person: the same for the same identifier, in this tenant only. A UUID of version 8."""
    return _named_id(secret, "subject", identifier)


# A few devices take nearly all readings, and each sitting names its own several times.
@lru_cache(maxsize=1024)
def device_id(secret: bytes, identifier: Identifier) -> UUID:
    """The id of a device, made in the same way as a person's."""
    return _named_id(secret, "device", identifier)


def new_set_id(subject: UUID, now: datetime) -> UUID:
    """A fresh id for a set: a UUID of version 7 whose bits after the version are the first 12 of the subject's id."""
    milliseconds = microseconds(now) // 1000
    # RFC 9562 leaves the 12 bits after the version free. With the subject's bits there, work that knows only the set's id is
    # ordered beside work on its subject.
    high = milliseconds << 16 | 0x7 << 12 | first_bits(subject)
    low = 0b10 << 62 | secrets.randbits(62)
    return UUID(int=high << 64 | low)


def first_bits(subject: UUID) -> int:
    """The 12 bits of a subject's id that the ids of its sets carry."""
    return subject.int >> (128 - SUBJECT_BITS)


def order_of_subject(subject: UUID) -> bytes:
    """The order key of work on a subject. Work that knows only the set gets a key with the same first two bytes."""
    return first_bits(subject).to_bytes(2, "big") + subject.bytes


def order_of_set(set_id: UUID) -> bytes:
    return (set_id.int >> 64 & 0xFFF).to_bytes(2, "big")


def keyed_digest(secret: bytes, *parts: bytes) -> bytes:
    """A digest that only the holder of the tenant's secret can make. No part holds a NUL byte."""
    return _digest(secret, b"\0".join(parts))[:DIGEST_BYTES]


def _digest(secret: bytes, text: bytes) -> bytes:
    # A copy of what the key alone gives. ``hmac.digest`` begins anew, and hands the interpreter to another thread each time.
    one = _begun(secret).copy()
    one.update(text)
    return one.digest()


@lru_cache(maxsize=64)
def _begun(secret: bytes) -> hmac.HMAC:
    return hmac.new(secret, digestmod="sha256")


def _named_id(secret: bytes, kind: str, identifier: Identifier) -> UUID:
    text = f"{kind}\0{identifier.system}\0{identifier.value}".encode()
    number = int.from_bytes(_digest(secret, text)[:16], "big")
    # Version and variant of RFC 9562: a UUID made by an own method must say version 8.
    number = number & ~(0xF << 76) | 0x8 << 76
    return UUID(int=number & ~(0b11 << 62) | 0b10 << 62)


def id_text(value: UUID) -> str:
    """An id in its canonical form. ``str`` takes three times as long, and an export writes thousands."""
    return ENCODER.encode(value)[1:-1].decode()


def read_id(text: str) -> UUID:
    """An id from a URL, in its canonical lower-case form.

    Raises:
        NotFound: text that cannot be an id of ours.
    """
    try:
        found = UUID(text)
    except ValueError as error:
        raise NotFound("id") from error
    # UUID() also takes braces, capitals and a urn: prefix, but a resource must have one address only.
    if str(found) != text:
        raise NotFound("id")
    return found


def device_ids(secret: bytes, reading_set: ReadingSet) -> list[str | None]:
    """Id of each reading's device, by place: its own device, or else the set's. None if that has no identifier."""
    of_set = _device_text(secret, reading_set.device)
    return [of_set if reading.device is None else _device_text(secret, reading.device) for reading in reading_set.readings]


def _device_text(secret: bytes, device: Device | None) -> str | None:
    return None if device is None or device.identifier is None else id_text(device_id(secret, device.identifier))
