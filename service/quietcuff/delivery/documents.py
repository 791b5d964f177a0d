"""Bodies of requests and answers about targets and undelivered entries. Secrets are shown once."""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from quietcuff.security.allowed_addresses import LONGEST_URL, URL_ACCEPTED
from quietcuff.storage.delivery.targets import TargetKind, TargetState

Url = Annotated[str, Meta(min_length=1, max_length=LONGEST_URL, description=URL_ACCEPTED)]
# The characters of a bearer token: RFC 6750, section 2.1.
Token = Annotated[str, Meta(min_length=1, max_length=4_096, pattern=r"^[A-Za-z0-9._~+/-]+=*(?![\s\S])")]
EntryId = Annotated[str, Meta(min_length=1, max_length=64)]


class NewTarget(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A target for results: the base of a FHIR record, or a webhook. ``bearer_token`` is for a record that requires one.

    Implausible readings, means of sittings that are still open, and word that a sitting has no result are only sent where they
    are asked for.
    """

    kind: TargetKind
    url: Url
    bearer_token: Token | None = None
    implausible: bool = False
    preliminary: bool = False
    without_result: bool = False


class TargetChange(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Changes to a target; fields that are left out stay as they are."""

    url: Url | None = None
    bearer_token: Token | None = None
    state: Literal["active", "paused"] | None = None
    implausible: bool | None = None
    preliminary: bool | None = None
    without_result: bool | None = None


class SendAgain(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Entries to send again, by id; all of them where no id is given."""

    ids: Annotated[list[EntryId], Meta(min_length=1, max_length=200)] | None = None


class TargetRecord(msgspec.Struct, frozen=True, kw_only=True):
    """A target as it stands, without its secrets. ``reason`` says why it is not active; ``last_error`` what came of the last
    attempt at what waits, null where nothing failed, ``last_status`` its HTTP status; ``next_attempt_at`` when the next is due.
    """

    id: str
    kind: TargetKind
    url: str
    implausible: bool
    preliminary: bool
    without_result: bool
    state: TargetState
    reason: str | None
    created_at: str
    updated_at: str
    waiting: int
    oldest_waiting_at: str | None
    undelivered: int
    last_error: str | None
    last_status: int | None
    last_attempt_at: str | None
    next_attempt_at: str | None


class TargetMade(TargetRecord, frozen=True, kw_only=True):
    """A new target. ``secret`` is shown this once: the key of the signatures of a webhook, null for a record."""

    secret: str | None


class TargetList(msgspec.Struct, frozen=True, kw_only=True):
    """Every target, the oldest first."""

    items: list[TargetRecord]


class SecretMade(msgspec.Struct, frozen=True, kw_only=True):
    """A new key, shown this once; until ``earlier_signs_until`` the one before signs as well."""

    secret: str
    earlier_signs_until: str


class Undelivered(msgspec.Struct, frozen=True, kw_only=True):
    """One version of a set that was given up: why, after how many attempts, and the last HTTP status if there was one."""

    id: str
    reading_set_id: str
    version: int
    reason: str
    status: int | None
    attempts: int
    queued_at: str
    given_up_at: str


class UndeliveredList(msgspec.Struct, frozen=True, kw_only=True):
    """Entries that were given up, the longest ago first, and their number in all."""

    items: list[Undelivered]
    total: int


class Replayed(msgspec.Struct, frozen=True, kw_only=True):
    """Number of entries that will be sent again."""

    replayed: int
