"""``quietcuff trail``: list it, see whether it is as it was written, seal it, and make the key that it is chained with."""

from __future__ import annotations

import argparse
import asyncio
import os
import sys
from functools import partial
from typing import Any

import msgspec
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

from quietcuff.application import AppContext, Caller
from quietcuff.cli.support.desk import on_desk
from quietcuff.cli.support.listing import add_json_to, show_list
from quietcuff.cli.support.opening import opened
from quietcuff.cli.support.tenant_work import ACTOR, NO_SUCH_TENANT, record_in_every_trail, tell_if_there
from quietcuff.cli.support.words import say
from quietcuff.core.model.errors import NotAcceptable, StoreNotUsable
from quietcuff.settings import read_settings
from quietcuff.storage.engine.store import NO_TENANT, Store
from quietcuff.storage.rows.tenants import Tenant, all_tenant_ids, find_tenant_by_id
from quietcuff.storage.trail.checking import (
    Checked,
    TrailCheck,
    TrailRow,
    count_rows,
    newest_rows,
    rows_after,
    unknown_keys,
)
from quietcuff.storage.trail.keys import TrailKey, add_trail_key
from quietcuff.storage.trail.seals import Seal, all_seals, read_seals, write_seals

ROWS_BETWEEN_LINES = 1_000_000
SHOWN_AT_FIRST, MOST_SHOWN = 100, 100_000
LISTED = (
    *("id", "at", "actor", "action", "outcome", "what"),
    *("subject", "set", "version", "found", "origin", "request"),
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    listing = actions.add_parser("list", help="the newest rows of a tenant's trail")
    listing.add_argument("--tenant", required=True)
    listing.add_argument("--most", type=int, default=SHOWN_AT_FIRST, help=f"how many; {SHOWN_AT_FIRST} by default")
    add_json_to(listing)
    listing.set_defaults(run=run_list)
    verify = actions.add_parser("verify", help="look through the trail; 1 where anything was altered, deleted or moved")
    verify.add_argument("--tenant", help="of this tenant alone; of every tenant by default")
    verify.add_argument("--seals", metavar="FILE", help="a file of seals; that of QUIETCUFF_TRAIL_SEAL_FILE by default")
    verify.add_argument("--json", action="store_true", help="what was looked through and found, as JSON, to standard output")
    verify.set_defaults(run=run_verify)
    seal = actions.add_parser("seal", help="seal every lane as it stands now")
    seal.add_argument("--to", metavar="FILE", help="write all seals there are into this new file, too")
    seal.set_defaults(run=run_seal)
    key = actions.add_parser("key", help="make a key, in a file that only its owner can read")
    key.add_argument("file", metavar="FILE")
    key.add_argument("--rotate", action="store_true", help="a key that follows those that the file holds")
    key.set_defaults(run=run_key)


def run_list(arguments: argparse.Namespace) -> int:
    """Show the newest rows, this command among them. ``id`` is that of the AuditEvent."""
    most = arguments.most
    if not 1 <= most <= MOST_SHOWN:
        raise NotAcceptable.of(parameter="most", code="out-of-range", detail=f"1 to {MOST_SHOWN:,}.")

    async def ask(desk: AppContext, caller: Caller) -> list[TrailRow]:
        return await desk.store.read(caller.tenant_id, partial(newest_rows, tenant_id=caller.tenant_id, most=most))

    rows = (
        (
            *(f"{row.lane:x}-{row.position}", row.entry.at, row.entry.actor, row.entry.action, row.entry.outcome),
            *(row.entry.what, *(None if one is None else str(one) for one in (row.entry.subject_id, row.entry.set_id))),
            *(row.entry.version, row.entry.found, row.entry.origin, str(row.entry.request_id)),
        )
        for row in on_desk(arguments.tenant, ACTOR, ask)
    )
    show_list(LISTED, rows, as_json=arguments.json)
    return 0


def run_key(arguments: argparse.Namespace) -> int:
    """Create a key and print its name."""
    # Before it is made: what is written now is still chained with the key before.
    tell_if_there(read_settings(os.environ))
    key = add_trail_key(arguments.file, rotate=arguments.rotate)
    say(f"Made key {key.name}. Name the file in QUIETCUFF_TRAIL_KEY_FILE, and start every process that writes anew.")
    say("Keep a copy where the database's backups are not: without its keys the trail cannot be verified.")
    return 0


def run_seal(arguments: argparse.Namespace) -> int:
    """Seal every lane, and copy the seals if asked."""
    files = read_settings(os.environ).trail
    # Never over an older file: seals that were put aside are the proof that the database itself cannot give.
    if arguments.to is not None and os.path.exists(arguments.to):
        raise NotAcceptable.of(parameter="to", code="bad-setting", detail="A file that is not there yet.")

    async def seal(store: Store) -> tuple[int, list[Seal]]:
        # Before, so that the seals hold this too.
        await record_in_every_trail(store, files)
        tenant_ids = await store.read(NO_TENANT, all_tenant_ids)
        made = await store.seal(tenant_ids)
        return made, [seal for one in tenant_ids for seal in await store.read(one, partial(all_seals, tenant_id=one))]

    made, seals = asyncio.run(on_open_store(seal))
    if arguments.to is not None:
        write_seals(arguments.to, seals)
    say(f"{made:,} lane(s) sealed; {len(seals):,} seal(s) in all.")
    return 0


def run_verify(arguments: argparse.Namespace) -> int:
    """Verify the trails; 1 if anything was altered, deleted or moved."""
    files = read_settings(os.environ).trail
    path = arguments.seals or files.seals
    kept = [] if path is None else read_seals(path)
    keys = files.read_keys()

    async def verify(store: Store) -> dict[str, Checked]:
        tenants = await wanted_tenants(store, arguments.tenant)
        found = {tenant.name: await verify_tenant(store, tenant, keys, kept) for tenant in tenants}
        await record_in_every_trail(store, files)
        return found

    found = asyncio.run(on_open_store(verify))
    if arguments.json:
        sys.stdout.write(msgspec.json.format(msgspec.json.encode(found)).decode() + "\n")
    for name, checked in found.items():
        tell(name, checked, keys, to_output=not arguments.json)
    return 1 if any(checked.flaws for checked in found.values()) else 0


async def on_open_store(work: Any) -> Any:
    """Do work on the database that the environment names."""
    # A key that is missing is told of by verifying, and mended by sealing.
    async with opened(read_settings(os.environ), needs_trail_key=False) as store:
        return await work(store)


async def wanted_tenants(store: Store, name: str | None) -> list[Tenant]:
    """The tenant of a name, or all tenants.

    Raises:
        StoreNotUsable: there is none of that name.
    """
    ids = await store.read(NO_TENANT, all_tenant_ids)
    every = [await store.read(one, partial(find_tenant_by_id, tenant_id=one)) for one in ids]
    tenants = [tenant for tenant in every if tenant is not None and name in (None, tenant.name)]
    if name is not None and not tenants:
        raise StoreNotUsable(NO_SUCH_TENANT)
    return tenants


async def verify_tenant(store: Store, tenant: Tenant, keys: tuple[TrailKey, ...], kept: list[Seal]) -> Checked:
    """Verify the trail of one tenant page by page, with a progress bar. A server may run meanwhile.

    Raises:
        StoreNotUsable: it was sealed with a key that is not given.
    """
    tenant_id = tenant.tenant_id
    # The seals first: every row that they tell of is there by then.
    seals = await store.read(tenant_id, partial(all_seals, tenant_id=tenant_id))
    missing = unknown_keys([*seals, *(seal for seal in kept if seal.tenant_id == tenant_id)], keys)
    if missing:
        raise StoreNotUsable(
            f"The trail was sealed with a key that is not given: {', '.join(missing)}. See QUIETCUFF_TRAIL_KEY_FILE."
        )
    check = TrailCheck(tenant_id, keys, seals, kept)
    total = await store.read(tenant_id, partial(count_rows, tenant_id=tenant_id))
    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task(tenant.name, total=total)
        after, told = (-1, 0), ROWS_BETWEEN_LINES
        while page := await store.read(tenant_id, partial(rows_after, tenant_id=tenant_id, after=after)):
            check.see(page)
            after = page[-1].lane, page[-1].position
            bar.update(task, completed=check.checked.rows)
            if not console.is_terminal and check.checked.rows >= told:
                say(f"{tenant.name}: {check.checked.rows:,} of {total:,} rows")
                told += ROWS_BETWEEN_LINES
    return check.end()


def tell(name: str, checked: Checked, keys: tuple[TrailKey, ...], *, to_output: bool) -> None:
    """Print a summary, and each flaw on its own line."""
    for flaw in checked.flaws if to_output else ():
        sys.stdout.write(flaw.as_line(name) + "\n")
    newest = "never sealed" if checked.newest_seal_at is None else f"sealed last at {checked.newest_seal_at:%Y-%m-%d %H:%M:%S}Z"
    verdict = f"{len(checked.flaws):,} flaw(s)" if checked.flaws else "as it was written"
    said = f"{checked.rows:,} rows in {checked.lanes:,} lanes, {checked.unsealed_rows:,} of them not sealed yet, {newest}"
    kept = f"{checked.keyed_rows:,} rows are chained with a key" if keys else "no key: who alters a row could chain it anew"
    say(f"{name}: {verdict}. {said}; {kept}.")
