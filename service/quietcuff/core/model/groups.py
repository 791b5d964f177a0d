"""A group of people as a stored query: who belongs to it is found again each time it is used."""

from __future__ import annotations

from datetime import date
from typing import Annotated

import msgspec
from msgspec import Meta

from quietcuff.core.model.readings import Identifier, Setting, Text, check_day


class GroupFilter(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Who belongs to a group: those named, or those who had such a sitting, or both at once.

    Days are of the tenant's zone: a sitting was begun on ``taken_from`` or later, and before ``taken_until``.
    """

    identifiers: Annotated[list[Identifier], Meta(min_length=1, max_length=1_000)] | None = None
    taken_from: date | None = None
    taken_until: date | None = None
    location: Identifier | None = None
    protocol: Text | None = None
    setting: Setting | None = None

    def __post_init__(self) -> None:
        check_day(self.taken_from)
        check_day(self.taken_until)


class NewGroup(GroupFilter, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A group with the name that people know it by."""

    name: Text
