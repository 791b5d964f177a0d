"""``quietcuff tables``: write stored data as Parquet or CSV tables into a folder, for analysts."""

from __future__ import annotations

import argparse
import sys
from datetime import datetime
from pathlib import Path

from quietcuff.analytics.tables.disguise import Disguise
from quietcuff.analytics.tables.folder import write_tables
from quietcuff.analytics.tables.schema import TABLES
from quietcuff.analytics.tables.streams import TablesWanted
from quietcuff.analytics.tables.writing import require_for
from quietcuff.application import AppContext, Caller
from quietcuff.application.bulk.folder import COMMAND, empty_folder
from quietcuff.application.context import note, now
from quietcuff.cli.support.desk import on_desk
from quietcuff.cli.support.progress import work_done
from quietcuff.cli.support.words import say
from quietcuff.core.model.errors import Fault, NotAcceptable

NAMES = [table.name for table in TABLES]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = "Write one file a table and a data dictionary. Guard the folder: pseudonyms are not anonymity."
    parser.add_argument("--tenant", required=True, help="whose data")
    parser.add_argument("--to", required=True, metavar="FOLDER", help="a folder that is empty or not there yet")
    parser.add_argument(
        "--format", choices=("parquet", "csv"), default="parquet", help="parquet by default; csv needs no extra"
    )
    parser.add_argument("--table", action="append", choices=NAMES, help="may be repeated; all by default")
    parser.add_argument("--since", help="only sets that changed after: RFC 3339 with an offset")
    parser.add_argument("--identified", action="store_true", help="with true ids, identifiers and dates")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Write the tables, and print the number of rows of each."""
    require_for(arguments.format)
    names, since = arguments.table or NAMES, since_of(arguments.since)

    async def write(desk: AppContext, caller: Caller) -> dict[str, int]:
        folder, begun = empty_folder(Path(arguments.to)), now(desk)
        await desk.store.write(caller.tenant_id, lambda transaction: note(transaction, caller, "start-export", begun))
        tenant = await desk.tenants.get(caller.tenant_id)
        disguise = Disguise(secret=tenant.secret, identified=arguments.identified)
        wanted = TablesWanted(tenant_id=caller.tenant_id, names=names, disguise=disguise, since=since)
        with work_done("sets") as told:
            return await write_tables(desk, wanted, folder, arguments.format, told)

    counts = on_desk(arguments.tenant, COMMAND, write)
    for name, rows in counts.items():
        sys.stdout.write(f"{name}: {rows} rows\n")
    say("Dates are true and people are named." if arguments.identified else "People and dates are pseudonymous.")
    return 0


def since_of(text: str | None) -> datetime | None:
    """Time in ``--since``.

    Raises:
        NotAcceptable: not a time, or without an offset.
    """
    if text is None:
        return None
    fault = Fault(parameter="since", code="not-a-time", detail="RFC 3339 with an offset, such as 2026-05-04T00:00:00Z.")
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise NotAcceptable([fault]) from error
    if moment.tzinfo is None:
        raise NotAcceptable([fault])
    return moment
