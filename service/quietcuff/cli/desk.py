"""One piece of work at the desk of the database that the environment names, for commands that need no server."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Awaitable, Callable
from typing import TypeVar
from uuid import uuid4

from quietcuff.core.errors import NotFound
from quietcuff.ingest import Caller, Desk, open_desk
from quietcuff.rules.catalog import load_rulebook
from quietcuff.settings import read_settings
from quietcuff.storage.migrate import require_newest_schema
from quietcuff.storage.store import NO_TENANT, open_store
from quietcuff.storage.tenants import find_tenant

T = TypeVar("T")


def on_desk(tenant_name: str, actor: str, work: Callable[[Desk, Caller], Awaitable[T]]) -> T:
    """Do the work for a tenant; ``actor`` is the name under which the trail keeps it.

    Raises:
        NotFound: no tenant of that name, or what the work does not find.
    """

    async def do() -> T:
        store = open_store(read_settings(os.environ).database_url)
        try:
            await store.read(NO_TENANT, require_newest_schema)
            tenant = await store.read(NO_TENANT, lambda transaction: find_tenant(transaction, tenant_name))
            if tenant is None:
                raise NotFound("There is no tenant of that name.")
            caller = Caller(tenant_id=tenant.tenant_id, actor=actor, request_id=str(uuid4()))
            return await work(open_desk(store, load_rulebook()), caller)
        finally:
            await store.close()

    return asyncio.run(do())
