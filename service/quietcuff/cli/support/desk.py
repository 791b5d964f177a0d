"""Work on one tenant for commands without a server.

Beside ``tenant_work``, because the flow and the rules take long to load and commands about keys or the database need neither.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Awaitable, Callable
from typing import TypeVar
from uuid import uuid4

from quietcuff.application import AppContext, Caller, open_desk
from quietcuff.application.context import note, now
from quietcuff.cli.support.opening import opened
from quietcuff.cli.support.tenant_work import machine_user, named
from quietcuff.cli.support.words import CALLED
from quietcuff.rules.catalog import load_rulebook
from quietcuff.settings import read_settings
from quietcuff.storage.engine.store import NO_TENANT

T = TypeVar("T")


def on_desk(tenant_name: str, actor: str, work: Callable[[AppContext, Caller], Awaitable[T]]) -> T:
    """Do the work for a tenant; ``actor`` is the name in the trail.

    Raises:
        NotFound: no tenant of that name, or something that the work does not find.
    """

    async def do() -> T:
        async with opened(read_settings(os.environ)) as store:
            tenant = await store.read(NO_TENANT, lambda transaction: named(transaction, tenant_name))
            caller = Caller(tenant_id=tenant.tenant_id, actor=actor, request_id=str(uuid4()))
            desk = open_desk(store, load_rulebook())
            await note_command(desk, caller)
            return await work(desk, caller)

    return asyncio.run(do())


async def note_command(desk: AppContext, caller: Caller) -> None:
    """Record in the trail that a command is run on a tenant's data, and by whom. This is done first, so that no run is
    missing."""
    moment, what = now(desk), CALLED.get()
    await desk.store.write(
        caller.tenant_id,
        lambda transaction: note(transaction, caller, "run-command", moment, what=what, origin=machine_user()),
    )
