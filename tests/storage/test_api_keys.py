"""Keys as rows: found by prefix, revoked once, noted when used."""

from __future__ import annotations

from datetime import timedelta
from uuid import uuid4

import msgspec
import pytest
from sqlalchemy.exc import IntegrityError

from quietcuff.storage.engine.store import NO_TENANT, Store
from quietcuff.storage.rows.api_keys import KeyRow, find_key, insert_key, keys_of_tenant, revoke_key, touch_key
from storage.rows import NOON

KEY = KeyRow(uuid4(), "ab12cd34", 1, b"h" * 32, "gateway", "system/*.cruds", NOON)


async def test_a_key_is_found_by_its_prefix(store: Store) -> None:
    await store.write(NO_TENANT, lambda transaction: insert_key(transaction, KEY))
    assert await store.read(NO_TENANT, lambda transaction: find_key(transaction, "ab12cd34")) == KEY
    assert await store.read(NO_TENANT, lambda transaction: find_key(transaction, "zz99zz99")) is None
    assert await store.read(NO_TENANT, lambda transaction: keys_of_tenant(transaction, 1)) == [KEY]
    assert await store.read(NO_TENANT, lambda transaction: keys_of_tenant(transaction, 2)) == []


async def test_a_key_is_revoked_once_and_stays_revoked(store: Store) -> None:
    later = NOON + timedelta(hours=1)
    await store.write(NO_TENANT, lambda transaction: insert_key(transaction, KEY))
    assert await store.write(NO_TENANT, lambda transaction: revoke_key(transaction, KEY.prefix, NOON))
    assert not await store.write(NO_TENANT, lambda transaction: revoke_key(transaction, KEY.prefix, later))
    found = await store.read(NO_TENANT, lambda transaction: find_key(transaction, KEY.prefix))
    assert found is not None
    assert found.revoked_at == NOON


async def test_use_is_noted(store: Store) -> None:
    await store.write(NO_TENANT, lambda transaction: insert_key(transaction, KEY))
    await store.write(NO_TENANT, lambda transaction: touch_key(transaction, KEY.key_id, NOON))
    found = await store.read(NO_TENANT, lambda transaction: find_key(transaction, KEY.prefix))
    assert found == msgspec.structs.replace(KEY, last_used_at=NOON)


async def test_two_keys_never_share_a_prefix(store: Store) -> None:
    twin = msgspec.structs.replace(KEY, key_id=uuid4())
    await store.write(NO_TENANT, lambda transaction: insert_key(transaction, KEY))
    with pytest.raises(IntegrityError):
        await store.write(NO_TENANT, lambda transaction: insert_key(transaction, twin))
