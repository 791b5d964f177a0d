"""``quietcuff targets``: show delivery targets, and send again what was given up."""

from __future__ import annotations

import argparse

from quietcuff.application import AppContext, Caller
from quietcuff.cli.support.desk import on_desk
from quietcuff.cli.support.listing import make_list, show_list
from quietcuff.cli.support.words import say
from quietcuff.delivery import targets
from quietcuff.delivery.documents import SendAgain, TargetRecord

ACTOR = "operator"
# What came of the last attempt at what waits, and when the next is due.
ATTEMPTS = ("last_error", "last_status", "last_attempt_at", "next_attempt_at")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    make_list(actions.add_parser("list", help="the targets of a tenant, with what waits and what was given up"), run_list)
    replay = actions.add_parser("replay", help="have what was given up sent again")
    replay.add_argument("--tenant", required=True)
    replay.add_argument("target", help="the target's id")
    replay.add_argument("entry", nargs="*", help="ids of entries; all of them by default")
    replay.set_defaults(run=run_replay)


def run_list(arguments: argparse.Namespace) -> int:
    """Show the targets of a tenant."""

    async def items(desk: AppContext, caller: Caller) -> list[TargetRecord]:
        return (await targets.list_targets(desk, caller)).items

    names = ("id", "kind", "url", "state", "reason", "waiting", "since", "given_up", *ATTEMPTS)
    rows = (
        (
            *(item.id, item.kind, item.url, item.state, item.reason, item.waiting, item.oldest_waiting_at, item.undelivered),
            *(getattr(item, name) for name in ATTEMPTS),
        )
        for item in on_desk(arguments.tenant, ACTOR, items)
    )
    show_list(names, rows, as_json=arguments.json)
    return 0


def run_replay(arguments: argparse.Namespace) -> int:
    """Have entries sent again; 1 if none of them was found."""

    async def replay(desk: AppContext, caller: Caller) -> int:
        return (await targets.replay(desk, caller, arguments.target, SendAgain(ids=arguments.entry or None))).replayed

    count = on_desk(arguments.tenant, ACTOR, replay)
    say(f"{count} to be sent again.")
    return 0 if count else 1
