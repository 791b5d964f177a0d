"""``quietcuff doctor``: is all well with an installation, and what to do where it is not. Nothing but the trail is written.

How full a disk, how old a backup and how long a delivery may wait are common practice, no published source.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import shutil
import stat
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Literal

import msgspec

from quietcuff.cli.operating.version import version_here
from quietcuff.cli.support.complaints import sentence_of
from quietcuff.cli.support.opening import opened
from quietcuff.cli.support.public_url import is_of_this_machine
from quietcuff.cli.support.tenant_work import record_in_every_trail
from quietcuff.core.model.errors import Busy, StoreNotUsable
from quietcuff.settings import Settings, read_settings
from quietcuff.storage.delivery.outbox import backlogs
from quietcuff.storage.engine.clock import database_time
from quietcuff.storage.engine.database import is_sqlite, parse_url
from quietcuff.storage.engine.installation import find_public_url
from quietcuff.storage.engine.migrate import NEWEST_REVISION, require_row_security
from quietcuff.storage.engine.store import NO_TENANT, Store
from quietcuff.storage.rows.tenants import all_tenant_ids
from quietcuff.storage.trail.checking import newest_row_of

State = Literal["well", "look", "fault"]
BACKUP = "database backup"
OLDEST_BACKUP = timedelta(hours=26)
LONGEST_WAITING = timedelta(hours=1)
LEAST_FREE_BYTES, LEAST_FREE_PART = 1_000_000_000, 0.1
CLOCK_LOOK, CLOCK_FAULT = timedelta(seconds=2), timedelta(seconds=60)


class Check(msgspec.Struct, frozen=True):
    """One thing looked at. ``look`` is for a person to judge; ``fault`` keeps the service from doing its work."""

    name: str
    state: State
    found: str


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("--json", action="store_true", help="a JSON array, an object for each check, to standard output")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print every check; 1 if any is a fault."""
    checks = asyncio.run(examine(read_settings(os.environ), lambda: datetime.now(UTC)))
    if arguments.json:
        sys.stdout.write(msgspec.json.format(msgspec.json.encode(checks)).decode() + "\n")
    else:
        for check in checks:
            sys.stdout.write(f"{check.state:6} {check.name:11} {check.found}\n")
    return 1 if any(check.state == "fault" for check in checks) else 0


async def examine(settings: Settings, clock: Callable[[], datetime]) -> list[Check]:
    """All checks; those that need a database only where it can be opened."""
    version = version_here()
    checks = [
        Check(
            "program", "well", f"{version.quietcuff} on Python {version.python}; extras: {' '.join(version.extras) or 'none'}"
        ),
        Check("rules", "well", version.rules),
    ]
    try:
        async with opened(settings) as store:
            checks.append(Check("database", "well", f"reached, schema {NEWEST_REVISION}"))
            checks += [*file_and_disk(settings), await role(store), await clocks(store, clock)]
            checks += [await public_url(store), *await of_tenants(store, settings, clock)]
            await record_in_every_trail(store, settings.trail)
    except (Busy, StoreNotUsable) as error:
        checks.append(Check("database", "fault", sentence_of(error)))
    return checks


def file_and_disk(settings: Settings) -> list[Check]:
    """A SQLite file's mode, and the free room beside it. A PostgreSQL server's disk is for its own tools."""
    url = parse_url(settings.database_url)
    if not is_sqlite(url):
        return []
    path = Path(str(url.database))
    mode = stat.S_IMODE(path.stat().st_mode)
    kept = Check("file", "well", f"{path}, for its owner alone")
    if mode & 0o077:
        kept = Check(
            "file", "fault", f"{path} can be read by others (mode {mode:o}): chmod 600, or start quietcuff serve once."
        )
    room = shutil.disk_usage(path.resolve().parent)
    # Writing the file anew, as compacting does, needs as much again as it holds.
    least = max(LEAST_FREE_BYTES, 2 * path.stat().st_size, int(LEAST_FREE_PART * room.total))
    told = f"{room.free / 1e9:,.1f} GB of {room.total / 1e9:,.1f} GB free; the file has {path.stat().st_size / 1e9:,.3f} GB"
    return [kept, Check("disk", "well" if room.free >= least else "look", told)]


async def role(store: Store) -> Check:
    """The database's own wall between tenants."""
    try:
        await store.read(NO_TENANT, require_row_security)
    except StoreNotUsable as error:
        return Check("role", "look", str(error))
    return Check("role", "well", "may serve")


async def clocks(store: Store, clock: Callable[[], datetime]) -> Check:
    """This machine's clock against the database's: its server's, or the newest moment that was written into the file."""
    theirs, is_running = await store.read(NO_TENANT, database_time)
    ours = clock()
    if theirs is None:
        return Check("clock", "well", f"{ours:%Y-%m-%d %H:%M:%S}Z; nothing to compare it with yet")
    # What was written earlier may be long ago; only a moment that is still to come shows a clock that is wrong.
    apart = abs(ours - theirs) if is_running else max(theirs - ours, timedelta(0))
    state: State = "fault" if apart > CLOCK_FAULT else "look" if apart > CLOCK_LOOK else "well"
    than = "the server's" if is_running else "the newest moment stored"
    return Check("clock", state, f"{ours:%Y-%m-%d %H:%M:%S}Z; {than} is {apart.total_seconds():.1f} s apart")


async def public_url(store: Store) -> Check:
    """The address that identifiers begin with."""
    url = await store.read(NO_TENANT, find_public_url)
    if url is None or is_of_this_machine(url):
        return Check("public URL", "look", "none that others reach: set QUIETCUFF_PUBLIC_URL before others keep identifiers")
    return Check("public URL", "well", url)


async def of_tenants(store: Store, settings: Settings, clock: Callable[[], datetime]) -> list[Check]:
    """Deliveries, the trail's key and the newest backup, over all tenants."""
    tenant_ids = await store.read(NO_TENANT, all_tenant_ids)
    waiting, given_up, oldest, backups = 0, 0, None, []
    for tenant_id in tenant_ids:
        for backlog in (await store.read(tenant_id, partial(backlogs, tenant_id=tenant_id))).values():
            waiting, given_up = waiting + backlog.waiting, given_up + backlog.undelivered
            oldest = min(filter(None, (oldest, backlog.oldest_queued_at)), default=None)
        newest = await store.read(tenant_id, partial(newest_row_of, tenant_id=tenant_id, what=BACKUP))
        backups += [] if newest is None else [newest]
    return [
        Check("tenants", "well", str(len(tenant_ids))),
        deliveries(waiting, given_up, oldest, clock()),
        Check("trail", "well", "chained with a key")
        if settings.trail.keys
        else Check("trail", "look", "without a key, a trail that was made anew is not noticed: quietcuff trail key"),
        backup_age(max(backups, default=None), clock()),
    ]


def deliveries(waiting: int, given_up: int, oldest: datetime | None, now: datetime) -> Check:
    """What waits to be sent on, and what was given up."""
    told = f"{waiting:,} waiting, {given_up:,} given up"
    if given_up or (oldest is not None and now - oldest > LONGEST_WAITING):
        since = "" if oldest is None else f"; the oldest since {oldest:%Y-%m-%d %H:%M}Z"
        return Check("deliveries", "look", f"{told}{since}: quietcuff targets list tells why")
    return Check("deliveries", "well", told)


def backup_age(newest: datetime | None, now: datetime) -> Check:
    """The age of the newest backup that this program made."""
    if newest is None:
        return Check("backup", "look", "none was made with quietcuff database backup; other means are not known here")
    hours = (now - newest).total_seconds() / 3600
    return Check("backup", "well" if now - newest <= OLDEST_BACKUP else "look", f"the newest is {hours:,.1f} hours old")
