"""What can be asked of the store as FHIR sees it, and what is found: each reading, its pulse, its device flags and each
mean is one entry."""

from __future__ import annotations

from datetime import datetime
from typing import Literal
from uuid import UUID

import msgspec

Kind = Literal["reading", "pulse", "flags", "mean"]
Prefix = Literal["eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap"]
Order = Literal["newest-sitting", "date", "-date"]

KINDS: tuple[Kind, ...] = ("reading", "pulse", "flags", "mean")
# A reading's entries stand together, the mean after all of them.
ENTRIES_A_READING = 4
MEAN_PLACE = 32_767


class DateRange(msgspec.Struct, frozen=True):
    """A date as it was asked for: all instants from ``low`` up to, not including, ``high``."""

    prefix: Prefix
    low: datetime
    high: datetime


class ObservationKey(msgspec.Struct, frozen=True):
    """Which Observation: its set, what it is, and the place of its reading (0 for the mean)."""

    set_id: str
    kind: Kind
    index: int


class PageEnd(msgspec.Struct, frozen=True, array_like=True):
    """The key of the last entry of a page; the next page starts after it."""

    ordered_by: datetime
    set_id: UUID
    place: int


class ObservationQuery(msgspec.Struct, frozen=True, kw_only=True):
    """Which entries to find. Every condition that is not None must hold; of date alternatives, one."""

    kinds: frozenset[Kind] = frozenset(KINDS)
    subject_ids: frozenset[str] | None = None
    set_id: str | None = None
    keys: frozenset[ObservationKey] | None = None
    statuses: frozenset[str] | None = None
    taken: tuple[tuple[DateRange, ...], ...] = ()
    updated: tuple[tuple[DateRange, ...], ...] = ()
    order: Order = "newest-sitting"
    limit: int = 50
    after: PageEnd | None = None


class ObservationEntry(msgspec.Struct, frozen=True, kw_only=True):
    """One Observation that was found, and where it stands."""

    key: ObservationKey
    subject_id: str
    version: int
    status: str
    updated_at: datetime
    page_end: PageEnd
