"""The query of an Observation search and the entries that it finds.

Each reading, its pulse, its device flags and each mean is one entry.
"""

from __future__ import annotations

from datetime import datetime
from typing import Literal
from uuid import UUID

import msgspec

from quietcuff.core.record.sitting_version import ObservationStatus
from quietcuff.storage.engine.ids import id_text

Kind = Literal["reading", "pulse", "flags", "mean"]
Prefix = Literal["eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap"]
Order = Literal["date", "-date", "updated", "-updated"]
Operator = Literal["always", "present", "absent", "within", "outside", "bit", "no-bit"]
# What of other systems an Observation points to by an identifier.
Pointer = Literal["based_on", "encounter", "performer", "location", "protocol", "setting", "state", "label", "finding"]

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
    """The key of an Observation: its set, its kind, and the place of its reading (0 for the mean)."""

    set_id: str
    kind: Kind
    index: int


class ValueTest(msgspec.Struct, frozen=True, kw_only=True):
    """A test of one kind of entry.

    ``column`` names the value. It must lie in ``[low, high)``, or share a bit with ``low``.
    """

    kind: Kind
    column: str | None = None
    operator: Operator = "always"
    low: int = 0
    high: int = 0


class PointerTest(msgspec.Struct, frozen=True, kw_only=True):
    """A test of an entry's pointer: it must point to any of these identifiers.

    They are given whole (``system|value``, as stored), as a value in any system, or as a system alone. Codes of sets are asked
    for by their number, or as a part of the text that holds several. With ``is_missing`` the test only asks whether the pointer
    is missing.
    """

    pointer: Pointer
    pairs: frozenset[str] = frozenset()
    values: frozenset[str] = frozenset()
    systems: frozenset[str] = frozenset()
    numbers: frozenset[int] = frozenset()
    words: frozenset[str] = frozenset()
    is_missing: bool | None = None

    @property
    def forms(self) -> tuple[str, ...]:
        """The forms of the test that have conditions; empty where nothing can satisfy it."""
        if self.is_missing is not None:
            return ("missing" if self.is_missing else "present",)
        whole = tuple(form for form in ("pairs", "values", "systems", "numbers") if getattr(self, form))
        return (*whole, f"words{len(self.words)}") if self.words else whole


class EntryPageEnd(msgspec.Struct, frozen=True, array_like=True):
    """The key of the last entry of a page; the next page starts after it.

    ``began`` is a moment up to which the first page saw every change. ``recent`` marks the later changes that it saw: its order
    is the order of all pages.
    """

    ordered_by: datetime
    set_id: UUID
    place: int
    began: datetime | None = None
    recent: bytes = b""


class ObservationQuery(msgspec.Struct, frozen=True, kw_only=True):
    """The conditions of a search. Every condition that is not None must hold; of the alternatives in a group, one."""

    kinds: frozenset[Kind] = frozenset(KINDS)
    subject_ids: frozenset[str] | None = None
    set_id: str | None = None
    keys: frozenset[ObservationKey] | None = None
    statuses: frozenset[str] | None = None
    taken: tuple[tuple[DateRange, ...], ...] = ()
    updated: tuple[tuple[DateRange, ...], ...] = ()
    device_ids: frozenset[str] | None = None
    pointers: tuple[PointerTest, ...] = ()
    values: tuple[tuple[ValueTest, ...], ...] = ()
    order: Order = "-date"
    limit: int = 50
    after: EntryPageEnd | None = None

    @property
    def as_of(self) -> datetime | None:
        """The moment up to which the first page saw every change; None for the first page itself."""
        return None if self.after is None else self.after.began


class ObservationEntry(msgspec.Struct, frozen=True, gc=False):
    """One Observation that was found, with its place in the order of the search, its version, status and last change.

    It is flat, in the order of the columns that it is read from: a page makes one for each of its entries.
    """

    ordered_by: datetime
    set_id: UUID
    place: int
    subject_id: UUID
    kind: Kind
    index: int
    version: int
    status: ObservationStatus
    updated_at: datetime
    began: datetime | None = None
    recent: bytes = b""

    @property
    def key(self) -> ObservationKey:
        """The key of the Observation."""
        return ObservationKey(id_text(self.set_id), self.kind, self.index)

    @property
    def page_end(self) -> EntryPageEnd:
        """The end of a page whose last entry it is."""
        return EntryPageEnd(self.ordered_by, self.set_id, self.place, self.began, self.recent)
