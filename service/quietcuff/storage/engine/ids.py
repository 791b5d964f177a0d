"""Ids and keyed digests. A person's and a device's id follow from what the caller calls them, and from nothing else.

Digests of what callers send are keyed with the tenant's secret: of bodies with few possible values a bare digest would
be a dictionary of patients.
"""

from __future__ import annotations

import hmac
import secrets
from datetime import datetime
from uuid import UUID

from quietcuff.core.model.errors import NotFound
from quietcuff.core.model.readings import Identifier
from quietcuff.storage.schema.base import microseconds

DIGEST_BYTES = 16
SUBJECT_BITS = 12
# An id that is nobody's, where one must be named.
NOBODY = UUID(int=0)


def subject_id(secret: bytes, identifier: Identifier) -> UUID:
    """The id of a person: the same for the same identifier, in this tenant only. A UUID of version 8."""
    return _named_id(secret, "subject", identifier)


def device_id(secret: bytes, identifier: Identifier) -> UUID:
    """The id of a device, made as a person's is."""
    return _named_id(secret, "device", identifier)


def new_set_id(subject: UUID, now: datetime) -> UUID:
    """A fresh id for a set: a UUID of version 7 whose bits after the version are the first 12 of the subject's id."""
    milliseconds = microseconds(now) // 1000
    high = milliseconds << 16 | 0x7 << 12 | first_bits(subject)
    low = 0b10 << 62 | secrets.randbits(62)
    return UUID(int=high << 64 | low)


def first_bits(subject: UUID) -> int:
    """The bits of a subject's id that its sets' ids carry."""
    return subject.int >> (128 - SUBJECT_BITS)


def order_of_subject(subject: UUID) -> bytes:
    """What work on a subject is ordered by. Work that knows only the set finds nearly the same place."""
    return first_bits(subject).to_bytes(2, "big") + subject.bytes


def order_of_set(set_id: UUID) -> bytes:
    return (set_id.int >> 64 & 0xFFF).to_bytes(2, "big")


def keyed_digest(secret: bytes, *parts: bytes) -> bytes:
    """A digest that only the holder of the tenant's secret can make. No part holds a NUL byte."""
    return hmac.digest(secret, b"\0".join(parts), "sha256")[:DIGEST_BYTES]


def _named_id(secret: bytes, kind: str, identifier: Identifier) -> UUID:
    text = f"{kind}\0{identifier.system}\0{identifier.value}".encode()
    number = int.from_bytes(hmac.digest(secret, text, "sha256")[:16], "big")
    number = number & ~(0xF << 76) | 0x8 << 76
    return UUID(int=number & ~(0b11 << 62) | 0b10 << 62)


def read_id(text: str) -> UUID:
    """An id as it stands in a URL: canonical, lower case.

    Raises:
        NotFound: text that cannot be an id of ours.
    """
    try:
        found = UUID(text)
    except ValueError as error:
        raise NotFound("id") from error
    if str(found) != text:
        raise NotFound("id")
    return found
