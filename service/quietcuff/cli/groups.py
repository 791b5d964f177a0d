"""``quietcuff groups``: list the groups that exports may be narrowed to."""

from __future__ import annotations

import argparse

from quietcuff.application.groups import list_all_groups
from quietcuff.cli.support.desk import on_desk
from quietcuff.cli.support.listing import make_list, show_list

ACTOR = "command"
NAMES = ("id", "name", "setting", "protocol", "location", "taken_from", "taken_until", "identifiers", "made")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    make_list(
        actions.add_parser("list", help="the groups of a tenant by name; of people who are named, only how many"), run_list
    )


def run_list(arguments: argparse.Namespace) -> int:
    """Show the groups of a tenant."""
    rows = (
        (
            *(one.id, one.name, one.setting, one.protocol),
            None if one.location is None else one.location.text,
            *(None if day is None else day.isoformat() for day in (one.taken_from, one.taken_until)),
            *(None if one.identifiers is None else len(one.identifiers), one.created_at),
        )
        for one in on_desk(arguments.tenant, ACTOR, list_all_groups)
    )
    show_list(NAMES, rows, as_json=arguments.json)
    return 0
