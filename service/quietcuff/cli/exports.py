"""``quietcuff exports``: list the exports that were asked for over HTTP, and how each stands."""

from __future__ import annotations

import argparse

from quietcuff.application.bulk.jobs import list_exports
from quietcuff.cli.support.desk import on_desk
from quietcuff.cli.support.listing import make_list, show_list

ACTOR = "command"
NAMES = ("id", "state", "types", "asked_by", "asked", "attempts", "complete_until", "expires")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    make_list(actions.add_parser("list", help="the exports of a tenant that are kept, newest first"), run_list)


def run_list(arguments: argparse.Namespace) -> int:
    """Show the exports of a tenant; not what was asked for, which may name people."""
    rows = (
        (
            *(one.id, one.state, " ".join(one.types), one.created_by, one.created_at, one.attempts),
            *(one.transaction_time, one.expires_at),
        )
        for one in on_desk(arguments.tenant, ACTOR, list_exports)
    )
    show_list(NAMES, rows, as_json=arguments.json)
    return 0
