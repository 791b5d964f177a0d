"""What can be asked of the store, as plain values."""

from __future__ import annotations

from datetime import date, datetime

import msgspec

LONGEST_PAGE = 200


class SetQuery(msgspec.Struct, frozen=True, kw_only=True):
    """Which sets to list: of one subject or all, taken in ``[since, until)``, newest first.

    A plain day means its first moment in the tenant's time zone. ``cursor`` is where an earlier page ended.
    """

    subject_id: str | None = None
    since: datetime | date | None = None
    until: datetime | date | None = None
    limit: int = 50
    cursor: str | None = None
