"""The trail: every row is tied to the one before, and what was undone leaves no gap."""

from __future__ import annotations

import asyncio
from collections import defaultdict
from typing import Any
from uuid import UUID, uuid4

import pytest
from sqlalchemy import select

from quietcuff.storage.engine.store import Store
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.schema import sittings
from quietcuff.storage.schema.codes import ACTION, OUTCOME
from quietcuff.storage.trail.trail import FIRST_LINK, TrailEntry, link_after, record
from storage.rows import NOON

CLINIC, OTHER_CLINIC = 1, 2


def entry(tenant_id: int = CLINIC, set_id: UUID | None = None) -> TrailEntry:
    return TrailEntry(
        tenant_id=tenant_id, at=NOON, actor="key:ab12cd34", action="create-set", request_id=uuid4(), set_id=set_id
    )


def note(tenant_id: int = CLINIC) -> Any:
    return lambda transaction: record(transaction, entry(tenant_id))


def all_rows(transaction: Transaction) -> list[Any]:
    found = select(sittings.trail).order_by(sittings.trail.c.lane, sittings.trail.c.position)
    return list(transaction.execute(found))


def as_entry(row: Any) -> TrailEntry:
    words = {"action": ACTION.word(row.action), "outcome": OUTCOME.word(row.outcome)}
    values = {name: getattr(row, name) for name in TrailEntry.__struct_fields__}
    return TrailEntry(**{**values, **words})


def assert_whole(rows: list[Any]) -> None:
    """Each lane counts from one without a gap, and each link is the digest of its row and of the link before."""
    lanes: dict[int, list[Any]] = defaultdict(list)
    for row in rows:
        lanes[row.lane].append(row)
    for lane, chain in lanes.items():
        link = FIRST_LINK
        for position, row in enumerate(chain, start=1):
            assert row.position == position
            link = link_after(link, lane, position, as_entry(row))
            assert row.chain == link


async def test_rows_are_chained(store: Store) -> None:
    for _ in range(3):
        await asyncio.gather(*(store.write(CLINIC, note()) for _ in range(5)))
    rows = await store.read(CLINIC, all_rows)
    assert len(rows) == 15
    assert_whole(rows)


async def test_each_tenant_has_chains_of_its_own(store: Store) -> None:
    await asyncio.gather(*(store.write(tenant, note(tenant)) for tenant in (CLINIC, OTHER_CLINIC) for _ in range(4)))
    rows = await store.read(CLINIC, all_rows)
    mine = [row for row in rows if row.tenant_id == CLINIC]
    assert len(mine) == 4
    assert_whole(mine)


async def test_what_was_undone_leaves_no_gap(store: Store) -> None:
    def fail(transaction: Transaction) -> None:
        record(transaction, entry())
        raise RuntimeError("a defect")

    for _ in range(3):
        works = [note(), fail, note()]
        await asyncio.gather(*(store.write(CLINIC, work) for work in works), return_exceptions=True)
    with pytest.raises(RuntimeError):
        await store.write(CLINIC, fail)
    await store.write(CLINIC, note())
    rows = await store.read(CLINIC, all_rows)
    assert len(rows) == 7
    assert_whole(rows)


async def test_a_row_that_was_altered_does_not_fit(store: Store) -> None:
    for _ in range(3):
        await store.write(CLINIC, note())
    rows = await store.read(CLINIC, all_rows)
    with pytest.raises(AssertionError):
        assert_whole([rows[0], rows[2]])
    altered = as_entry(rows[0])
    assert link_after(FIRST_LINK, rows[0].lane, 1, altered) == rows[0].chain
    moved = TrailEntry(**{name: getattr(altered, name) for name in TrailEntry.__struct_fields__} | {"actor": "key:zz99zz99"})
    assert link_after(FIRST_LINK, rows[0].lane, 1, moved) != rows[0].chain
