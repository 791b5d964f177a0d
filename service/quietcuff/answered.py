"""The bodies that both ends of the service know: what it answers, and what its client reads."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

import msgspec

from quietcuff.core.model.errors import Fault
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import ReadingSet
from quietcuff.words.said import InWords


class Envelope(msgspec.Struct, frozen=True, kw_only=True):
    """A stored set: what was said, completed by what the service knew, and its evaluation; ``words`` where a language was asked
    for."""

    id: str
    version: int
    status: Literal["active", "voided"]
    closed: bool
    closes_at: datetime | None
    subject_id: str
    created_at: datetime
    updated_at: datetime
    reading_set: ReadingSet
    evaluation: Evaluation
    words: InWords | msgspec.UnsetType = msgspec.UNSET


class RefusedPayload(msgspec.Struct, frozen=True, kw_only=True):
    """A refused part as it is answered."""

    place: str
    code: str
    detail: str
    refused_payload_id: str


class PayloadAnswer(msgspec.Struct, frozen=True, kw_only=True):
    """Outcome of a payload: the sets that it changed, then those that held its readings already; how many readings were known;
    what could not be read, with its place in the list of refused payloads."""

    payload_id: str
    reading_sets: list[Envelope]
    replayed: int
    refused: list[RefusedPayload]


class Problem(msgspec.Struct, frozen=True, kw_only=True):
    """RFC 9457: what went wrong, of which kind, in which request, and every fault with its place."""

    type: str
    title: str
    status: int
    detail: str
    instance: str
    errors: list[Fault]
    more: int | msgspec.UnsetType = msgspec.UNSET
