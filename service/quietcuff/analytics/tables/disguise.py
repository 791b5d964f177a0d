"""Pseudonyms: keyed digests of whatever names somebody or something, and each person's own shift of all dates.

The key is made from the tenant's secret, which never leaves the database: whoever has the tables alone can undo neither. The
shift is a whole number of weeks, so that weekdays, times of day and the days between a person's sittings stay as they are.
"""

from __future__ import annotations

import hmac
from datetime import timedelta
from uuid import UUID

import msgspec

from quietcuff.analytics.tables.schema import Hidden

WEEKS_AT_MOST = 52
DIGEST_HEX = 20


class Disguise(msgspec.Struct, frozen=True, kw_only=True):
    """How a tenant's tables name people and things: as they are where ``identified``, else by pseudonyms."""

    secret: bytes
    identified: bool

    def name(self, kind: Hidden, value: str | None) -> str | None:
        """The name that leaves in place of one."""
        if value is None or self.identified:
            return value
        return f"{kind[0]}-{self._digest(kind, value).hex()[:DIGEST_HEX]}"

    def shift(self, person: UUID) -> timedelta:
        """By how much all dates of a person are moved: 1 to 52 weeks, earlier or later; nothing where identified."""
        if self.identified:
            return timedelta()
        drawn = int.from_bytes(self._digest("weeks", str(person))[:8], "big") % (2 * WEEKS_AT_MOST)
        return timedelta(weeks=drawn - WEEKS_AT_MOST if drawn < WEEKS_AT_MOST else drawn - WEEKS_AT_MOST + 1)

    def _digest(self, kind: str, value: str) -> bytes:
        return hmac.digest(self.secret, f"tables\0{kind}\0{value}".encode(), "sha256")
