"""Claims: a key is kept thirty days, an identifier for ever; who comes second is told to look again."""

from __future__ import annotations

from datetime import timedelta
from uuid import uuid4

import msgspec
import pytest
from sqlalchemy.exc import IntegrityError

from quietcuff.storage.engine.store import Store
from quietcuff.storage.engine.transactions import RunAgain
from quietcuff.storage.rows.claims import KEY_KEPT, Claim, find_claim, insert_claim
from quietcuff.storage.schema.codes import CLAIM_KIND
from storage.rows import NOON

CLINIC = 1
DIGEST = b"k" * 16
LATER = NOON + KEY_KEPT + timedelta(milliseconds=1)


def claim(kind: str, version: int = 1) -> Claim:
    return Claim(CLINIC, DIGEST, CLAIM_KIND.number(kind), uuid4(), uuid4(), version, b"b" * 16, NOON)


@pytest.mark.parametrize(("kind", "is_kept"), [("key", False), ("identifier", True)])
async def test_how_long_a_claim_stands(store: Store, kind: str, is_kept: bool) -> None:
    first = claim(kind)
    await store.write(CLINIC, lambda transaction: insert_claim(transaction, first))
    at = [NOON + KEY_KEPT, LATER]
    found = [await store.read(CLINIC, lambda tx, now=now: find_claim(tx, CLINIC, DIGEST, now)) for now in at]
    assert found == [first, first if is_kept else None]


@pytest.mark.parametrize(("kind", "told"), [("key", RunAgain), ("identifier", IntegrityError)])
async def test_a_claim_that_stands_is_not_taken(store: Store, kind: str, told: type[Exception]) -> None:
    first = claim(kind)
    await store.write(CLINIC, lambda transaction: insert_claim(transaction, first))
    with pytest.raises(told):
        await store.write(CLINIC, lambda transaction: insert_claim(transaction, claim(kind, version=2)))
    assert await store.read(CLINIC, lambda tx: find_claim(tx, CLINIC, DIGEST, NOON)) == first


async def test_a_key_that_is_over_may_be_used_anew(store: Store) -> None:
    await store.write(CLINIC, lambda transaction: insert_claim(transaction, claim("key")))
    second = msgspec.structs.replace(claim("key", version=3), created_at=LATER)
    await store.write(CLINIC, lambda transaction: insert_claim(transaction, second))
    assert await store.read(CLINIC, lambda tx: find_claim(tx, CLINIC, DIGEST, LATER)) == second


async def test_the_same_key_of_another_tenant_is_another_claim(store: Store) -> None:
    await store.write(CLINIC, lambda transaction: insert_claim(transaction, claim("key")))
    assert await store.read(2, lambda tx: find_claim(tx, 2, DIGEST, NOON)) is None
