"""``quietcuff refused``: list, show and replay payloads that could not be read."""

from __future__ import annotations

import argparse
import base64
import sys
from pathlib import Path

import msgspec

from quietcuff.application import AppContext, Caller
from quietcuff.application.payloads import refused
from quietcuff.application.payloads.repeats import ReceivedSets
from quietcuff.cli.support.desk import on_desk
from quietcuff.cli.support.listing import add_json_to, show_list
from quietcuff.cli.support.words import say
from quietcuff.storage.rows.paging import LONGEST_PAGE

ACTOR = "command"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    listing = actions.add_parser("list", help="those that wait to be settled, newest first")
    add_json_to(listing)
    listing.set_defaults(run=run_list)
    show = actions.add_parser("show", help="the bytes of one as they were received, to standard output")
    show.add_argument("refused", metavar="ID")
    show.set_defaults(run=run_show)
    again = actions.add_parser("replay", help="read one again, as it is or repaired")
    again.add_argument("refused", metavar="ID")
    again.add_argument("--repaired", metavar="FILE", help="read this instead; the original stays kept")
    again.set_defaults(run=run_replay)
    for action in (listing, show, again):
        action.add_argument("--tenant", required=True)


def run_list(arguments: argparse.Namespace) -> int:
    """Show the list."""

    async def ask(desk: AppContext, caller: Caller) -> bytes:
        page = await refused.list_refused(desk, caller, limit=LONGEST_PAGE, cursor=None)
        return page.items

    names = ("id", "place", "code", "detail", "refused_at")
    found = msgspec.json.decode(on_desk(arguments.tenant, ACTOR, ask))
    show_list(names, ([row[name] for name in names] for row in found), as_json=arguments.json)
    return 0


def run_show(arguments: argparse.Namespace) -> int:
    """Write the bytes of a payload as they were received."""

    async def ask(desk: AppContext, caller: Caller) -> bytes:
        row = await refused.read_refused(desk, caller, arguments.refused)
        payload = await refused.read_payload(desk, caller, row.payload_id)
        return base64.b64decode(payload.body_base64)

    sys.stdout.buffer.write(on_desk(arguments.tenant, ACTOR, ask))
    return 0


def run_replay(arguments: argparse.Namespace) -> int:
    """Read a payload again; 1 if a part of it is still refused."""
    repaired = None if arguments.repaired is None else Path(arguments.repaired).read_bytes()

    async def ask(desk: AppContext, caller: Caller) -> ReceivedSets:
        return await refused.replay(desk, caller, arguments.refused, repaired)

    received = on_desk(arguments.tenant, ACTOR, ask)
    say(f"{received.changed} set(s) changed, {received.replayed} reading(s) known already, {len(received.refused)} refused.")
    return 1 if received.refused else 0
