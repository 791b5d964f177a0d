"""The list of who is to be seen, as it leaves: pages of lines, and CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from contextlib import aclosing
from uuid import UUID

import msgspec

from quietcuff.analytics.follow_ups.follow_ups import FollowUp, follow_ups
from quietcuff.analytics.tables.writing import disarmed
from quietcuff.application.context import AppContext
from quietcuff.core.model.errors import Conflict
from quietcuff.storage.engine.ids import NOBODY
from quietcuff.storage.rows.paging import check_limit, cursor_text, read_cursor

# So much is looked through for one page; a page that ends there may be short while others follow.
PARTS_A_PAGE = 8
# So many people are given in one answer that has no pages.
MOST_AT_ONCE = 10_000
HEADER = (
    *("person_identifier", "subject_id", "why", "also", "since", "by"),
    *("last_taken_at", "last_systolic_mmhg", "last_diastolic_mmhg", "next_action", "next_step", "set_id"),
)


class FollowUpPage(msgspec.Struct, frozen=True):
    """Some lines; ``cursor`` leads to the next page, None on the last."""

    lines: list[FollowUp]
    cursor: str | None


async def follow_up_page(
    desk: AppContext, tenant_id: int, *, cursor: str | None, limit: int, why: Sequence[str] | None
) -> FollowUpPage:
    """A page of the list, in the order of people's ids.

    Raises:
        NotAcceptable: an invalid limit or cursor.
    """
    check_limit(limit)
    after = NOBODY if cursor is None else read_cursor(cursor, lambda key: UUID(bytes=key))
    found: list[FollowUp] = []
    reached = after
    async with aclosing(follow_ups(desk, tenant_id, after)) as parts:
        number = 0
        async for part in parts:
            found += [line for line in part.lines if is_for(line, why)]
            number, reached = number + 1, part.up_to
            if len(found) > limit:
                return FollowUpPage(found[:limit], cursor_text(found[limit - 1].subject_id.bytes))
            if number == PARTS_A_PAGE:
                return FollowUpPage(found, cursor_text(reached.bytes))
    return FollowUpPage(found, None)


async def whole_list(desk: AppContext, tenant_id: int, *, why: Sequence[str] | None) -> list[FollowUp]:
    """Everybody on the list, in the order of people's ids.

    Raises:
        Conflict: more people than are given at once; nobody is left out in silence.
    """
    found: list[FollowUp] = []
    async with aclosing(follow_ups(desk, tenant_id)) as parts:
        async for part in parts:
            found += [line for line in part.lines if is_for(line, why)]
            if len(found) > MOST_AT_ONCE:
                raise Conflict("too-many-people", f"At most {MOST_AT_ONCE:,} at once; GET /v1/follow-ups gives them in pages.")
    return found


def is_for(line: FollowUp, why: Sequence[str] | None) -> bool:
    """True where a line has one of the reasons asked for; every line where none is."""
    return why is None or line.why in why or any(reason in why for reason in line.also)


def csv_of(lines: Sequence[FollowUp], *, named: bool) -> str:
    """The lines with a header; no cell of text begins as a formula. Without names where not ``named``."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(HEADER)
    for line in lines:
        identifier = disarmed(line.identifier.text) if named else None
        also, reason = " ".join(line.also), disarmed(line.next_step.reason)
        last = (line.last_taken_at.isoformat(), line.last_systolic_mmhg, line.last_diastolic_mmhg)
        step = (line.next_step.action, reason, line.set_id)
        writer.writerow([identifier, line.subject_id, line.why, also, line.since, line.by, *last, *step])
    return stream.getvalue()
