"""The read scope of a caller: the one place where reading and searching are restricted beyond the tenant."""

from __future__ import annotations

import msgspec

from quietcuff.storage.search.query import KINDS, Kind


class ReadScope(msgspec.Struct, frozen=True):
    """The types that a caller may read (None: all), and the kinds of Observations. Nothing else is ever shown."""

    types: frozenset[str] | None = None
    kinds: frozenset[Kind] = frozenset(KINDS)

    def may_see(self, type: str) -> bool:
        return self.types is None or type in self.types
