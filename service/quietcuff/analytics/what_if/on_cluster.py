"""A what-if on a Dask cluster: a page of people is one task, and the counts come back and are added up in the order of pages.

A page is counted from what is sent with it alone, so that a worker that dies costs time and changes nothing. The sittings
themselves go to the workers: they and the way to them must be as trusted as this machine.
"""

from __future__ import annotations

import asyncio
from collections import deque
from contextlib import aclosing
from datetime import date
from typing import Any

from quietcuff.analytics.cluster import TIMES_A_PART_MAY_FAIL, connect
from quietcuff.analytics.extras import require
from quietcuff.analytics.follow_ups.people import Person, whole_people
from quietcuff.analytics.what_if.by_columns import columns_for
from quietcuff.analytics.what_if.report import WhatIfReport, WhatIfTally, report_of
from quietcuff.analytics.what_if.walk import count, today_of
from quietcuff.analytics.what_if.what_if import WhatIf, other_rules
from quietcuff.application.context import AppContext, now
from quietcuff.core.rulebook.rulebook import Rulebook

MOST_PAGES_AWAY = 32


async def report_on_cluster(desk: AppContext, tenant_id: int, asked: WhatIf, address: str) -> WhatIfReport:
    """The report over everybody, counted by the cluster at an address such as ``tcp://127.0.0.1:8786``.

    Raises:
        NotInstalled: there is nothing to reach a cluster with.
        NotAcceptable: nobody answers at the address.
    """
    require("cluster")
    client = await asyncio.to_thread(connect, address)
    try:
        tally = await tally_on(client, desk, tenant_id, asked)
    finally:
        await asyncio.to_thread(client.close)
    return report_of(tally, asked, now(desk), desk.rulebook.digest)


async def tally_on(client: Any, desk: AppContext, tenant_id: int, asked: WhatIf) -> WhatIfTally:
    """The tally of all pages."""
    today, whole, away = await today_of(desk, tenant_id), WhatIfTally(), deque[Any]()
    async with aclosing(whole_people(desk, tenant_id)) as pages:
        async for people in pages:
            if len(away) == MOST_PAGES_AWAY:
                whole.add(await asyncio.to_thread(away.popleft().result))
            away.append(
                client.submit(tally_people, people, asked, desk.rulebook, today, pure=False, retries=TIMES_A_PART_MAY_FAIL)
            )
    while away:
        whole.add(await asyncio.to_thread(away.popleft().result))
    return whole


def tally_people(people: list[Person], asked: WhatIf, book: Rulebook, today: date) -> WhatIfTally:
    """The tally of one page; run by a worker."""
    rules, tally = other_rules(asked, book), WhatIfTally()
    count(people, asked, (book, rules), columns_for(rules, book), today, tally)
    return tally
