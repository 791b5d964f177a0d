"""``quietcuff database``: bring the schema up or down, and see whether what is stored holds together."""

from __future__ import annotations

import argparse
import asyncio
import os
from pathlib import Path

from quietcuff.cli.words import say
from quietcuff.core.errors import StoreNotUsable
from quietcuff.settings import read_settings
from quietcuff.storage.database import is_sqlite, keep_to_owner, lock_for_serving, parse_url


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    upgrade = actions.add_parser("upgrade", help="make the schema what this program needs; safe to run again")
    upgrade.add_argument("revision", nargs="?", default="head", help="a revision; the newest by default")
    upgrade.set_defaults(run=run_upgrade)
    downgrade = actions.add_parser("downgrade", help="take the schema down to a revision; data of newer ones is lost")
    downgrade.add_argument("revision", help="a revision; base removes every table and everything in them")
    downgrade.set_defaults(run=run_downgrade)
    compact = actions.add_parser("compact", help="write SQLite's file anew, so that nothing deleted is left in it")
    compact.set_defaults(run=run_compact)
    verify = actions.add_parser("verify", help="see whether what is stored holds together; changes nothing")
    verify.set_defaults(run=run_verify)


def run_upgrade(arguments: argparse.Namespace) -> int:
    """Bring the schema up."""
    from quietcuff.storage.migrate import upgrade

    upgrade(read_settings(os.environ).database_url, arguments.revision)
    say("The schema is up to date." if arguments.revision == "head" else f"The schema is at {arguments.revision}.")
    return 0


def run_downgrade(arguments: argparse.Namespace) -> int:
    """Take the schema down."""
    from quietcuff.storage.migrate import downgrade

    downgrade(read_settings(os.environ).database_url, arguments.revision)
    say(f"The schema is at {arguments.revision}.")
    return 0


def run_compact(arguments: argparse.Namespace) -> int:
    """Write the file anew.

    Raises:
        StoreNotUsable: a server has it, or it is not a SQLite file.
    """
    from quietcuff.storage.erasing import compact

    url = parse_url(read_settings(os.environ).database_url)
    lock = lock_for_serving(url)
    if lock is None:
        raise StoreNotUsable("This is for SQLite. On PostgreSQL, VACUUM FULL does it, table by table.")
    try:
        compact(url)
    finally:
        lock.release()
    say("The file was written anew.")
    return 0


def run_verify(arguments: argparse.Namespace) -> int:
    """Look through every tenant; 1 where anything does not hold together."""
    from quietcuff.cli.verify import verify

    return asyncio.run(verify(read_settings(os.environ).database_url))


def make_if_new(url: str) -> None:
    """Make a SQLite database whose file is not there yet. A database that is there is never changed by this."""
    parsed = parse_url(url)
    if is_sqlite(parsed) and not Path(str(parsed.database)).exists():
        from quietcuff.storage.migrate import upgrade

        keep_to_owner(parsed)
        upgrade(url)
        say(f"Made a new database: {parsed.database}")
