"""``quietcuff database``: upgrade, back up, restore, verify the database and more, and show or move its public URL.

Verification checks that every version, reading and claim has its set, and that every set has all its parts.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import sys
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from quietcuff.cli.support.opening import opened, require_there
from quietcuff.cli.support.tenant_work import record_in_every_trail, tell_if_there
from quietcuff.cli.support.words import say
from quietcuff.core.model.errors import NotAcceptable, StoreNotUsable
from quietcuff.settings import Settings, read_public_url, read_settings
from quietcuff.storage.engine.database import keep_to_owner, lock_for_serving, parse_url
from quietcuff.storage.engine.store import NO_TENANT, Store
from quietcuff.storage.rows.tenants import all_tenant_ids
from quietcuff.storage.rows.verify import SLICES, MissingCounterpart, look_on


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    upgrade = actions.add_parser("upgrade", help="make the schema what this program needs; safe to run again")
    upgrade.add_argument("revision", nargs="?", default="head", help="a revision; the newest by default")
    upgrade.add_argument(
        "--partitions",
        type=int,
        metavar="N",
        help="PostgreSQL: hold each table of people's rows in N parts, such as 16, or in 1; by default as it is",
    )
    upgrade.set_defaults(run=run_upgrade)
    downgrade = actions.add_parser("downgrade", help="take the schema down to a revision; data of newer ones is lost")
    downgrade.add_argument("revision", help="a revision; base removes every table and everything in them")
    downgrade.set_defaults(run=run_downgrade)
    compact = actions.add_parser("compact", help="write SQLite's file anew, so that nothing deleted is left in it")
    compact.set_defaults(run=run_compact)
    verify = actions.add_parser("verify", help="see whether what is stored holds together; changes nothing of it")
    verify.set_defaults(run=run_verify)
    backup = actions.add_parser("backup", help="write all of it into one new file, while it is in use")
    backup.add_argument("file", metavar="FILE", type=Path, help="a file that is not there yet; guard it as you guard the data")
    backup.set_defaults(run=run_backup)
    restore = actions.add_parser("restore", help="make the database what a backup holds; it delivers nothing until told to")
    restore.add_argument("file", metavar="FILE", type=Path, help="what quietcuff database backup wrote")
    restore.add_argument(
        "--replace",
        action="store_true",
        help="where there is a database already: put its SQLite file aside; on PostgreSQL lose what it holds",
    )
    restore.set_defaults(run=run_restore)

    public_url = actions.add_parser("public-url", help="show what identifiers and links begin with, or move it")
    public_url.add_argument("url", nargs="?", help="the new one; identifiers that others keep do not follow")
    public_url.set_defaults(run=run_public_url)


def run_public_url(arguments: argparse.Namespace) -> int:
    """Show or move the public URL."""
    sys.stdout.write(asyncio.run(public_url(read_settings(os.environ), arguments.url)) + "\n")
    return 0


async def public_url(settings: Settings, moved_to: str | None) -> str:
    """Public URL of the database, after moving it if asked; empty if none is set.

    Raises:
        NotAcceptable: not an address.
        StoreNotUsable: the schema is not the one needed.
    """
    from quietcuff.cli.support.opening import opened
    from quietcuff.storage.engine.installation import find_public_url, move_public_url
    from quietcuff.storage.engine.store import NO_TENANT

    try:
        url = None if moved_to is None else read_public_url(moved_to)
    except ValueError as error:
        accepted = "An http or https address without query, such as https://bp.example.org."
        raise NotAcceptable.of(parameter="url", code="bad-setting", detail=accepted) from error
    async with opened(settings) as store:
        if url is not None:
            await store.write(NO_TENANT, lambda transaction: move_public_url(transaction, url, datetime.now(UTC)))
            await record_in_every_trail(store, settings.trail, "change-settings", "database public-url")
        return await store.read(NO_TENANT, find_public_url) or ""


def run_upgrade(arguments: argparse.Namespace) -> int:
    """Upgrade the schema."""
    from quietcuff.storage.engine.migrate import upgrade

    # Before the file holds anything: nobody else on this machine may read it at any moment.
    keep_to_owner(parse_url(read_settings(os.environ).database_url))
    partitions = upgrade(read_settings(os.environ).database_url, arguments.revision, arguments.partitions)
    tell_if_there(read_settings(os.environ))
    reached = "up to date" if arguments.revision == "head" else f"at {arguments.revision}"
    say(f"The schema is {reached}{f', in {partitions} partitions' if partitions > 1 else ''}.")
    return 0


def run_downgrade(arguments: argparse.Namespace) -> int:
    """Downgrade the schema."""
    from quietcuff.storage.engine.migrate import downgrade

    require_there(read_settings(os.environ).database_url)
    # Before: older schemas have no such trail, or none at all.
    tell_if_there(read_settings(os.environ))
    downgrade(read_settings(os.environ).database_url, arguments.revision)
    say(f"The schema is at {arguments.revision}.")
    return 0


def run_compact(arguments: argparse.Namespace) -> int:
    """Write the SQLite file anew.

    Raises:
        StoreNotUsable: a server uses it, or it is not a SQLite file.
    """
    from quietcuff.storage.rows.erased_file import compact

    url = parse_url(read_settings(os.environ).database_url)
    require_there(read_settings(os.environ).database_url)
    lock = lock_for_serving(url)
    if lock is None:
        raise StoreNotUsable("This is for SQLite. On PostgreSQL, VACUUM FULL does it, table by table.")
    try:
        tell_if_there(read_settings(os.environ))
        compact(url)
    finally:
        lock.release()
    say("The file was written anew.")
    return 0


def run_backup(arguments: argparse.Namespace) -> int:
    """Write a backup, and record it in the trail once it is whole."""
    from quietcuff.cli.support.progress import work_done
    from quietcuff.storage.engine.backup import back_up

    settings = read_settings(os.environ)
    require_there(settings.database_url)
    with work_done("MB") as told:
        size = back_up(parse_url(settings.database_url), arguments.file, told)
    # Afterwards, since the newest of these rows tells how old the newest backup is.
    tell_if_there(settings)
    say(
        f"{arguments.file}: {size / 1e6:,.1f} MB. It holds all that the database holds, keys to records too: guard it likewise."
    )
    return 0


def run_restore(arguments: argparse.Namespace) -> int:
    """Restore a backup, bring its schema up to date, and tell what has to be done by hand."""
    from quietcuff.cli.support.progress import work_done
    from quietcuff.storage.engine.backup import restore

    settings = read_settings(os.environ)
    with work_done("MB") as told:
        aside = restore(parse_url(settings.database_url), arguments.file, told, replace=arguments.replace)
    tell_if_there(settings)
    if aside is not None:
        say(f"The database that was there is {aside} now: remove it when nobody needs it.")
    say(
        "Restored. Whoever was erased after the backup is back: erase them again. Delivery is paused until quietcuff serve "
        "or deliver is started once with --resume-delivery. Run quietcuff database verify."
    )
    return 0


def run_verify(arguments: argparse.Namespace) -> int:
    """Check the data of every tenant; 1 if anything is inconsistent."""
    from quietcuff.cli.database import verify

    return asyncio.run(verify(read_settings(os.environ)))


MOST_SHOWN = 20


async def verify(settings: Settings) -> int:
    """Check the database, print what was found, and return the exit code. A server may run meanwhile.

    Raises:
        StoreNotUsable: the schema is not the newest.
    """
    # Nothing but the trail is written, which can be done without.
    async with opened(settings, needs_trail_key=False) as store:
        sets, flaws = 0, []
        for tenant_id in await store.read(NO_TENANT, all_tenant_ids):
            counted, found = await look_through_tenant(store, tenant_id)
            sets += counted
            flaws += [f"tenant {tenant_id}, set {flaw.set_id}: {flaw.what}" for flaw in found]
        await record_in_every_trail(store, settings.trail)
    for line in flaws[:MOST_SHOWN]:
        sys.stdout.write(line + "\n")
    say(f"{sets:,} sets looked through: {f'{len(flaws):,} flaws' if flaws else 'all holds together'}.")
    return 1 if flaws else 0


async def look_through_tenant(store: Store, tenant_id: int) -> tuple[int, list[MissingCounterpart]]:
    """Number of a tenant's sets, and the inconsistencies found. Each slice is checked in one snapshot."""
    from quietcuff.cli.support.progress import work_done

    sets, number, flaws = 0, 0, []
    # In slices: one snapshot over everything would hold SQLite's log back for as long as the check runs.
    with work_done("sets") as told:
        while number < SLICES:
            counted, found, number = await store.read(tenant_id, partial(look_on, tenant_id=tenant_id, number=number))
            sets += counted
            flaws += found
            told(number / SLICES, sets)
    return sets, flaws
