"""``quietcuff database verify``: whether every version, reading and claim has its set, and every set all of its own."""

from __future__ import annotations

import sys
from functools import partial

from rich.console import Console
from rich.progress import track

from quietcuff.cli.support.opening import opened
from quietcuff.cli.support.words import say
from quietcuff.settings import Settings
from quietcuff.storage.engine.store import NO_TENANT, Store
from quietcuff.storage.rows.tenants import all_tenant_ids
from quietcuff.storage.rows.verify import SLICES, Flaw, look_through

MOST_SHOWN = 20


async def verify(settings: Settings) -> int:
    """Look through the database, and tell what was found; the exit code. A server may go on meanwhile.

    Raises:
        StoreNotUsable: the schema is not the newest.
    """
    # Nothing is written, so that no key of the trail is needed.
    async with opened(settings, needs_trail_key=False) as store:
        sets, flaws = 0, []
        for tenant_id in await store.read(NO_TENANT, all_tenant_ids):
            counted, found = await look_through_tenant(store, tenant_id)
            sets += counted
            flaws += [f"tenant {tenant_id}, set {flaw.set_id}: {flaw.what}" for flaw in found]
    for line in flaws[:MOST_SHOWN]:
        sys.stdout.write(line + "\n")
    say(f"{sets:,} sets looked through: {f'{len(flaws):,} flaws' if flaws else 'all holds together'}.")
    return 1 if flaws else 0


async def look_through_tenant(store: Store, tenant_id: int) -> tuple[int, list[Flaw]]:
    """How many sets a tenant has, and what does not hold together. Each slice is looked through as it is at one moment."""
    console = Console(stderr=True)
    sets, flaws = 0, []
    title = f"tenant {tenant_id}"
    for number in track(range(SLICES), title, console=console, disable=not console.is_terminal):
        counted, found = await store.read(tenant_id, partial(look_through, tenant_id=tenant_id, number=number))
        sets += counted
        flaws += found
    return sets, flaws
