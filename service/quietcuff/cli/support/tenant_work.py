"""Tenants by name for commands, and the trail rows of commands."""

from __future__ import annotations

import asyncio
import getpass
from contextlib import suppress
from datetime import UTC, datetime
from functools import partial
from typing import Any
from uuid import uuid4

from quietcuff.cli.support.complaints import sentence_of
from quietcuff.cli.support.opening import opened, require_trail_key
from quietcuff.cli.support.words import CALLED, say
from quietcuff.core.model.errors import Busy, NotFound, StoreNotUsable
from quietcuff.settings import Settings
from quietcuff.storage.engine.database import enter_tenant
from quietcuff.storage.engine.store import NO_TENANT, Store
from quietcuff.storage.rows.tenants import Tenant, all_tenant_ids, find_tenant
from quietcuff.storage.trail.keys import TrailFiles
from quietcuff.storage.trail.trail import TrailEntry, record

ACTOR = "command"
LONGEST_ORIGIN = 64
NO_SUCH_TENANT = (
    "There is no tenant of that name: quietcuff tenants list shows those there are; one is made with its first key."
)


def named(connection: Any, name: str) -> Tenant:
    """The tenant of a name.

    Raises:
        NotFound: there is none.
    """
    found = find_tenant(connection, name)
    if found is None:
        raise NotFound(NO_SUCH_TENANT)
    return found


def record_command(connection: Any, tenant_id: int, action: str, what: str | None = None) -> None:
    """Record in the trail of a tenant what a command does, in the same transaction."""
    # PostgreSQL's row security lets a row in only for the tenant that the transaction has entered.
    enter_tenant(connection, tenant_id)
    entry = TrailEntry(
        tenant_id=tenant_id,
        at=datetime.now(UTC),
        actor=ACTOR,
        action=action,
        request_id=uuid4(),
        what=what or CALLED.get(),
        origin=machine_user(),
    )
    record(connection, entry)


async def record_in_every_trail(store: Store, files: TrailFiles, action: str = "run-command", what: str | None = None) -> None:
    """Put what a command does into the trail of every tenant, for it is about all of them. Where that cannot be, it is said,
    and the command goes on: to look at a database that takes no writes must be possible."""
    # Here, for the writers of a store do not know which command is run.
    told = what or CALLED.get()

    try:
        await require_trail_key(store, files)
        for tenant_id in await store.read(NO_TENANT, all_tenant_ids):
            await store.write(tenant_id, partial(record_command, tenant_id=tenant_id, action=action, what=told))
    except (Busy, StoreNotUsable) as error:
        say(f"The trail is not told of this. {sentence_of(error)}")


def tell_if_there(settings: Settings, what: str | None = None) -> None:
    """Record a command that needs no database, or changes its schema, if there is a trail to record it in."""

    async def tell() -> None:
        async with opened(settings, needs_trail_key=False) as store:
            await record_in_every_trail(store, settings.trail, what=what)

    with suppress(StoreNotUsable, Busy):
        asyncio.run(tell())


def machine_user() -> str:
    """The user account of this machine."""
    try:
        return f"user:{getpass.getuser()}"[:LONGEST_ORIGIN]
    # A container may run under a number that no account has.
    except (OSError, KeyError):
        return "user:unknown"
