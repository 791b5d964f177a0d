"""What can be asked of the store, as plain values."""

from __future__ import annotations

import base64
import binascii
from datetime import date, datetime
from uuid import UUID

import msgspec

from quietcuff.core.model.errors import Fault, NotAcceptable
from quietcuff.storage.schema.column_types import EPOCH, MICROSECOND, microseconds

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


class PageEnd(msgspec.Struct, frozen=True):
    """The last set of a page; the next page starts after it."""

    taken_from: datetime
    set_id: UUID


def cursor_of(end: PageEnd) -> str:
    """A page's end as text that fits a URL."""
    raw = microseconds(end.taken_from).to_bytes(8, "big", signed=True) + end.set_id.bytes
    return base64.urlsafe_b64encode(raw).decode().rstrip("=")


def read_cursor(cursor: str) -> PageEnd:
    """The page's end that a cursor says.

    Raises:
        NotAcceptable: it is none of ours.
    """
    try:
        raw = base64.b64decode(cursor + "=" * (-len(cursor) % 4), altchars=b"-_", validate=True)
        taken_from = EPOCH + int.from_bytes(raw[:8], "big", signed=True) * MICROSECOND
        return PageEnd(taken_from, UUID(bytes=raw[8:]))
    except (binascii.Error, ValueError, OverflowError) as error:
        fault = Fault(parameter="cursor", code="not-a-cursor", detail="The cursor of an earlier page's next link.")
        raise NotAcceptable([fault]) from error


def check_limit(limit: int) -> None:
    """Refuse a page that is too long or empty.

    Raises:
        NotAcceptable: outside 1 to 200.
    """
    if not 1 <= limit <= LONGEST_PAGE:
        detail = f"A whole number from 1 to {LONGEST_PAGE}."
        raise NotAcceptable([Fault(parameter="limit", code="out-of-range", detail=detail)])
