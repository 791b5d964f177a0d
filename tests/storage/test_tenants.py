"""Tenants never see each other: by the filter in every statement, and on PostgreSQL without it too."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from uuid import uuid4

import pytest
from sqlalchemy.exc import DBAPIError

from quietcuff.application.context import Tenants
from quietcuff.core.model.errors import NotFound
from quietcuff.storage.engine.store import NO_TENANT, Store, open_store
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows.subjects import find_subject
from quietcuff.storage.rows.tenants import find_or_create_tenant
from storage.rows import NOON, insert, subject_row, subjects_of_each_tenant

THREE_TENANTS = (1, 2, 3)


async def test_a_group_of_three_tenants_without_any_filter(postgresql_url: str) -> None:
    store = open_store(postgresql_url)

    def work(tenant_id: int) -> Callable[[Transaction], dict[int, int]]:
        def insert_and_look(transaction: Transaction) -> dict[int, int]:
            insert(subject_row(tenant_id))(transaction)
            return subjects_of_each_tenant(transaction)

        return insert_and_look

    wanted = [tenant_id for _ in range(5) for tenant_id in THREE_TENANTS]
    seen = await asyncio.gather(*(store.write(tenant_id, work(tenant_id)) for tenant_id in wanted))
    assert all(set(rows) == {tenant_id} for tenant_id, rows in zip(wanted, seen, strict=True))
    for tenant_id in THREE_TENANTS:
        assert await store.read(tenant_id, subjects_of_each_tenant) == {tenant_id: 5}
    assert await store.read(NO_TENANT, subjects_of_each_tenant) == {}
    await store.close()


async def test_a_row_cannot_be_written_for_another_tenant(postgresql_url: str) -> None:
    store = open_store(postgresql_url)
    with pytest.raises(DBAPIError, match="row-level security"):
        await store.write(1, insert(subject_row(2)))
    assert await store.read(2, subjects_of_each_tenant) == {}
    await store.close()


async def test_the_tenant_holds_after_a_neighbour_failed(postgresql_url: str) -> None:
    store = open_store(postgresql_url)

    def fail(transaction: Transaction) -> None:
        insert(subject_row(2))(transaction)
        raise RuntimeError("a defect")

    answers = await asyncio.gather(
        store.write(1, insert(subject_row(1))),
        store.write(2, fail),
        store.write(2, subjects_of_each_tenant),
        store.write(3, subjects_of_each_tenant),
        return_exceptions=True,
    )
    assert [answers[0], answers[2], answers[3]] == [True, {}, {}]
    await store.close()


async def test_another_tenants_subject_is_not_found(store: Store) -> None:
    subject_id = uuid4()
    await store.write(1, insert(subject_row(1, subject_id)))
    assert await store.read(1, lambda transaction: find_subject(transaction, 1, subject_id)) is not None
    assert await store.read(2, lambda transaction: find_subject(transaction, 2, subject_id)) is None


async def test_a_tenant_is_made_once_and_has_a_secret_of_its_own(store: Store) -> None:
    first = await store.write(NO_TENANT, lambda transaction: find_or_create_tenant(transaction, "north", NOON))
    again = await store.write(NO_TENANT, lambda transaction: find_or_create_tenant(transaction, "north", NOON))
    other = await store.write(NO_TENANT, lambda transaction: find_or_create_tenant(transaction, "south", NOON))
    assert first == again
    assert first.tenant_id != other.tenant_id
    assert first.secret != other.secret
    assert len(first.secret) == 32


async def test_a_tenant_that_is_not_there_is_not_found(store: Store) -> None:
    with pytest.raises(NotFound):
        await Tenants(store, lambda: NOON).get(4711)


async def test_a_tenant_is_read_once_for_all_who_ask_at_once(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    made = await store.write(NO_TENANT, lambda transaction: find_or_create_tenant(transaction, "north", NOON))
    reads = []

    async def read(tenant_id: int, work: Callable[[Transaction], object]) -> object:
        reads.append(tenant_id)
        await asyncio.sleep(0)
        return made

    monkeypatch.setattr(store, "read", read)
    tenants = Tenants(store, lambda: NOON)
    found = await asyncio.gather(*(tenants.get(made.tenant_id) for _ in range(64)))
    assert found == [made] * 64 and reads == [made.tenant_id]
