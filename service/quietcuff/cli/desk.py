"""One piece of work at the desk of the database that the environment names, for commands that need no server; and what
the trail is told of commands."""

from __future__ import annotations

import asyncio
import getpass
import os
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from functools import partial
from typing import Any, TypeVar
from uuid import uuid4

from quietcuff.cli.words import CALLED
from quietcuff.core.errors import NotFound, StoreNotUsable
from quietcuff.ingest import Caller, Desk, open_desk
from quietcuff.ingest.desk import note, now
from quietcuff.rules.catalog import load_rulebook
from quietcuff.settings import read_settings
from quietcuff.storage.backends import enter_tenant
from quietcuff.storage.migrate import require_newest_schema
from quietcuff.storage.seals import newest_seal
from quietcuff.storage.store import NO_TENANT, Store, open_store
from quietcuff.storage.tenants import all_tenant_ids, find_tenant
from quietcuff.storage.trail import Entry, record
from quietcuff.storage.trail_keys import TrailFiles

T = TypeVar("T")
ACTOR = "command"
LONGEST_ORIGIN = 64


def on_desk(tenant_name: str, actor: str, work: Callable[[Desk, Caller], Awaitable[T]]) -> T:
    """Do the work for a tenant; ``actor`` is the name under which the trail keeps it.

    Raises:
        NotFound: no tenant of that name, or what the work does not find.
    """

    async def do() -> T:
        settings = read_settings(os.environ)
        store = open_store(settings.database_url, trail=settings.trail)
        try:
            await store.read(NO_TENANT, require_newest_schema)
            await require_trail_key(store, settings.trail)
            tenant = await store.read(NO_TENANT, lambda transaction: find_tenant(transaction, tenant_name))
            if tenant is None:
                raise NotFound("There is no tenant of that name.")
            caller = Caller(tenant_id=tenant.tenant_id, actor=actor, request_id=str(uuid4()))
            desk = open_desk(store, load_rulebook())
            await note_command(desk, caller)
            return await work(desk, caller)
        finally:
            await store.close()

    return asyncio.run(do())


async def require_trail_key(store: Store, files: TrailFiles) -> None:
    """Refuse to write to a trail without the key that it is kept with: what was written so would be taken for forged.

    Raises:
        StoreNotUsable: the newest seal of a tenant was made with a key that is not given.
    """
    given = {None, *(key.name for key in files.read_keys())}
    for tenant_id in await store.read(NO_TENANT, all_tenant_ids):
        seal = await store.read(tenant_id, partial(newest_seal, tenant_id=tenant_id))
        if seal is not None and seal.key_name not in given:
            raise StoreNotUsable(f"The trail is kept with the key {seal.key_name}: name its file in QUIETCUFF_TRAIL_KEY_FILE.")


async def note_command(desk: Desk, caller: Caller) -> None:
    """Put into the trail that a command is run on a tenant's data, and by whom; before it is, so that none goes unseen."""
    moment, what = now(desk), CALLED.get()
    await desk.store.write(
        caller.tenant_id,
        lambda transaction: note(transaction, caller, "run-command", moment, what=what, origin=machine_user()),
    )


def tell_trail(connection: Any, tenant_id: int, action: str, what: str | None = None) -> None:
    """Put into the trail of a tenant what a command does, in the transaction that does it."""
    enter_tenant(connection, tenant_id)
    entry = Entry(
        tenant_id=tenant_id,
        at=datetime.now(UTC),
        actor=ACTOR,
        action=action,
        request_id=uuid4(),
        what=what or CALLED.get(),
        origin=machine_user(),
    )
    record(connection, entry)


def machine_user() -> str:
    """Whose account of this machine it is."""
    try:
        return f"user:{getpass.getuser()}"[:LONGEST_ORIGIN]
    except (OSError, KeyError):
        return "user:unknown"
