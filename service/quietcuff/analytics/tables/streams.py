"""A tenant's tables as rows, page by page, in constant memory; each page is one short read of the database."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Collection
from datetime import datetime
from functools import partial

import msgspec

from quietcuff.analytics.follow_ups.follow_ups import FollowUp, follow_ups
from quietcuff.analytics.tables.detail_rows import device_row, finding_rows, label_rows, reading_rows
from quietcuff.analytics.tables.disguise import Disguise
from quietcuff.analytics.tables.set_rows import DecodedSet, Row, decode, set_row
from quietcuff.application.context import AppContext, HowFar, untold
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.storage.engine.ids import NOBODY
from quietcuff.storage.rows.analysis_pages import START, AnalysedSet, analysed_devices, analysed_sets, part_before

SETS_A_PAGE = 500
DEVICES_A_PAGE = 1_000
SET_TABLES = ("sets", "readings", "labels", "findings")
Rows = dict[str, list[Row]]
DETAILS: dict[str, Callable[[DecodedSet, Disguise], list[Row]]] = {
    "readings": reading_rows,
    "labels": label_rows,
    "findings": finding_rows,
}


class TablesWanted(msgspec.Struct, frozen=True, kw_only=True):
    """The tables asked for: by ``disguise`` pseudonymous or not; of sets only those that changed after ``since``."""

    tenant_id: int
    names: Collection[str]
    disguise: Disguise
    since: datetime | None = None


async def set_pages(
    desk: AppContext, tenant_id: int, since: datetime | None = None, told: HowFar = untold
) -> AsyncIterator[list[AnalysedSet]]:
    """Every set of a tenant that is not voided, by person, a page at a time."""
    after, count = START, 0
    while page := await desk.store.read(
        tenant_id, partial(analysed_sets, tenant_id=tenant_id, after=after, most=SETS_A_PAGE, since=since)
    ):
        yield page
        after, count = page[-1].key, count + len(page)
        told(part_before(after), count)


async def table_rows(desk: AppContext, wanted: TablesWanted, told: HowFar = untold) -> AsyncIterator[Rows]:
    """The rows of the tables wanted, some at a time."""
    names = [name for name in SET_TABLES if name in wanted.names]
    if names:
        async for page in set_pages(desk, wanted.tenant_id, wanted.since, told):
            yield await asyncio.to_thread(rows_of_page, page, names, wanted.disguise, desk.rulebook)
    if "follow_ups" in wanted.names:
        async for part in follow_ups(desk, wanted.tenant_id):
            yield {"follow_ups": [follow_up_row(line, wanted.disguise) for line in part.lines]}
    if "devices" in wanted.names:
        async for rows in device_rows(desk, wanted):
            yield {"devices": rows}


def rows_of_page(page: list[AnalysedSet], names: list[str], disguise: Disguise, book: Rulebook) -> Rows:
    """The rows of some sets in each of the tables named."""
    rows: Rows = {name: [] for name in names}
    for stored in page:
        sitting = decode(stored)
        for name in names:
            if name == "sets":
                rows[name].append(set_row(sitting, disguise, book))
            else:
                rows[name] += DETAILS[name](sitting, disguise)
    return rows


async def device_rows(desk: AppContext, wanted: TablesWanted) -> AsyncIterator[list[Row]]:
    """The rows of ``devices``."""
    after = NOBODY
    while page := await desk.store.read(
        wanted.tenant_id, partial(analysed_devices, tenant_id=wanted.tenant_id, after=after, most=DEVICES_A_PAGE)
    ):
        yield [device_row(row, wanted.disguise) for row in page]
        after = page[-1].device_id


def follow_up_row(one: FollowUp, disguise: Disguise) -> Row:
    """The row of a person in ``follow_ups``."""
    shift = disguise.shift(one.subject_id)
    return {
        "person_key": disguise.name("person", str(one.subject_id)),
        "person_identifier": one.identifier.text,
        "why": one.why,
        "also": " ".join(one.also) or None,
        "since": one.since + shift,
        "by": None if one.by is None else one.by + shift,
        "set_id": disguise.name("set", str(one.set_id)),
        "last_taken_at": one.last_taken_at + shift,
        "last_systolic_mmhg": one.last_systolic_mmhg,
        "last_diastolic_mmhg": one.last_diastolic_mmhg,
        "next_action": one.next_step.action,
    }
