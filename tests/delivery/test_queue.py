"""Looking for work stays quick however much waits: the index is entered with every bound, and a lane asked by its key."""

from __future__ import annotations

from datetime import timedelta
from uuid import UUID

import pytest
from sqlalchemy import make_url

from databases import PostgresqlServer
from quietcuff.storage.delivery import outbox
from quietcuff.storage.engine.statements import Command
from quietcuff.storage.engine.store import Store
from quietcuff.storage.schema.delivery import outbox as table
from storage.rows import NOON
from storage.test_plans import CLINIC, plan_of_query

TARGETS = [UUID(int=number) for number in (1, 2)]
PEOPLE, EACH = 400, 5


@pytest.fixture
async def filled(store: Store, database_url: str, request: pytest.FixtureRequest) -> Store:
    """4,000 entries of two targets, a quarter given up, in a database that knows what it holds."""
    rows = [
        {
            "tenant_id": CLINIC,
            "subject_id": UUID(int=person << 100),
            "target_id": target_id,
            "position": position,
            "set_id": UUID(int=person << 90 | position),
            "version": 1,
            "queued_at": NOON,
            "due_at": NOON + timedelta(seconds=person),
            "attempts": 0,
            "tried_at": None,
            "reason": None,
            "status": None,
            "lease": None,
            "leased_until": None,
            "given_up_at": NOON if person % 4 == 0 else None,
        }
        for person in range(PEOPLE)
        for target_id in TARGETS
        for position in range(1, EACH + 1)
    ]
    insert = Command(table.insert())
    await store.write(CLINIC, lambda transaction: insert.run_each(transaction, rows))
    if not database_url.startswith("sqlite"):
        server: PostgresqlServer = request.getfixturevalue("postgresql_server")
        server.analyze(str(make_url(database_url).database))
    return store


async def test_what_is_due_is_found_by_its_index_and_its_lane_by_its_key(filled: Store) -> None:
    now = NOON + timedelta(seconds=9)
    plan = await filled.read(CLINIC, plan_of_query(outbox.HEADS, target_id=TARGETS[0], now=now, most=8))
    assert "ix_outbox_due" in plan and "due_at" in plan[plan.index("ix_outbox_due") :]
    assert "Seq Scan" not in plan and "SCAN outbox" not in plan


async def test_what_was_given_up_is_found_by_its_index(filled: Store) -> None:
    plan = await filled.read(CLINIC, plan_of_query(outbox.GIVEN_UP, target_id=TARGETS[0], most=50))
    assert "ix_outbox_given_up" in plan


async def test_only_the_first_of_a_lane_is_claimed_and_the_longest_due_first(filled: Store) -> None:
    now, lease = NOON + timedelta(seconds=9), UUID(int=7)

    async def claim() -> list[tuple[int, int]]:
        until = now + timedelta(minutes=2)
        claims = await filled.write(
            CLINIC,
            lambda transaction: outbox.claim_due(transaction, CLINIC, TARGETS[0], now=now, until=until, lease=lease, most=5),
        )
        return [(claim.entry.subject_id.int >> 100, claim.entry.position) for claim in claims]

    assert await claim() == [(person, 1) for person in (1, 2, 3, 5, 6)]
    assert await claim() == [(person, 1) for person in (7, 9)]
    assert await claim() == []
