"""Who asks, what is answered, and what the flow works with."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Literal
from uuid import UUID

import msgspec

from quietcuff.core.rules import Rulebook
from quietcuff.storage.store import Store

IfMatch = Literal["*"] | frozenset[int] | None


class Caller(msgspec.Struct, frozen=True, kw_only=True):
    """Who asks: ``actor`` such as ``key:ab12cd34``; ``request_id`` is a UUID as text."""

    tenant_id: int
    actor: str
    request_id: str


class Answer(msgspec.Struct, frozen=True, kw_only=True):
    """A set as answered: ``body`` is the envelope as JSON, the same bytes each time the same version is asked for."""

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


class Desk(msgspec.Struct, frozen=True, kw_only=True):
    """Everything the flow needs, made once by the application. ``clock`` tells UTC; ``random_bits`` as many as asked."""

    store: Store
    rulebook: Rulebook
    clock: Callable[[], datetime]
    random_bits: Callable[[int], int]
