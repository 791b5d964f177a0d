"""A what-if over all that a tenant has stored, person by person, in constant memory."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import aclosing
from datetime import date
from uuid import UUID

import msgspec

from quietcuff.analytics.follow_ups.people import Person, whole_people
from quietcuff.analytics.what_if.by_columns import columns_for
from quietcuff.analytics.what_if.report import WhatIfReport, WhatIfTally, report_of
from quietcuff.analytics.what_if.what_if import ManyAtOnce, WhatIf, other_rules, outcomes_of
from quietcuff.application.context import AppContext, now
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.storage.engine.ids import NOBODY


class Reached(msgspec.Struct, kw_only=True):
    """The place that a walk has reached: everybody up to a person is counted."""

    up_to: UUID = NOBODY
    tally: WhatIfTally


async def walk(desk: AppContext, tenant_id: int, asked: WhatIf, reached: Reached) -> AsyncIterator[Reached]:
    """Go on from where an earlier walk has come, telling how far it is now after some people each."""
    book = desk.rulebook
    rules, today = other_rules(asked, book), await today_of(desk, tenant_id)
    columns = await asyncio.to_thread(columns_for, rules, book)
    async with aclosing(whole_people(desk, tenant_id, reached.up_to)) as pages:
        async for people in pages:
            # Page by page, so that the sums are added in the same order wherever they are made.
            page = WhatIfTally()
            await asyncio.to_thread(count, people, asked, (book, rules), columns, today, page)
            reached.tally.add(page)
            reached.up_to = people[-1][0].subject_id
            yield reached


def count(
    people: list[Person],
    asked: WhatIf,
    books: tuple[Rulebook, Rulebook],
    columns: ManyAtOnce | None,
    today: date,
    tally: WhatIfTally,
) -> None:
    """Add some people to what was counted."""
    for outcomes in outcomes_of(people, asked, *books, columns):
        tally.add_person(outcomes, books[0], today, listed=asked.people)


async def today_of(desk: AppContext, tenant_id: int) -> date:
    """The day by the tenant's clock."""
    tenant = await desk.tenants.get(tenant_id)
    return desk.clock().astimezone(tenant.zone).date()


async def whole_report(desk: AppContext, tenant_id: int, asked: WhatIf) -> WhatIfReport:
    """The report over everybody, in one go."""
    reached = Reached(tally=WhatIfTally())
    async for _ in walk(desk, tenant_id, asked, reached):
        pass
    return report_of(reached.tally, asked, now(desk), desk.rulebook.digest)
