"""``quietcuff retention``: what is older than a tenant keeps is deleted, a person is erased or held, from the command line."""

from __future__ import annotations

import argparse
from datetime import date, datetime

from rich.console import Console
from rich.table import Table
from rich.text import Text

from quietcuff.cli.desk import on_desk
from quietcuff.cli.words import say
from quietcuff.core.errors import Fault, NotAcceptable
from quietcuff.ingest import Caller, Desk, retention
from quietcuff.ingest.desk import now
from quietcuff.ingest.reading_back import first_moment
from quietcuff.ingest.retention import Deletions
from quietcuff.storage.retention import Hold
from quietcuff.storage.tenants import Tenant

ACTOR = "command"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    apply = actions.add_parser("apply", help="delete closed sets that were measured before a day, and what belongs to them")
    apply.add_argument("--before", metavar="DAY", help="such as 2016-01-01; without it, what the tenant keeps decides")
    apply.add_argument("--dry-run", action="store_true", help="only tell how many sets that is")
    apply.set_defaults(run=run_apply)
    erase = actions.add_parser("erase", help="delete a person with everything that is stored of them")
    erase.set_defaults(run=run_erase)
    hold = actions.add_parser("hold", help="keep a person's data from being deleted")
    hold.add_argument("--reason", required=True, help="why; it is kept")
    hold.set_defaults(run=run_hold)
    release = actions.add_parser("release", help="end a hold")
    release.set_defaults(run=run_release)
    holds = actions.add_parser("holds", help="whose data is held, and why")
    holds.set_defaults(run=run_holds)
    for action in (erase, hold, release):
        action.add_argument("subject", metavar="SUBJECT-ID", help="the id of the person, as GET /v1/subjects/{id} has it")
    for action in (apply, erase, hold, release, holds):
        action.add_argument("--tenant", required=True)


def run_apply(arguments: argparse.Namespace) -> int:
    """Delete what is old, or tell how much that is."""
    day = None if arguments.before is None else day_of(arguments.before)

    async def work(desk: Desk, caller: Caller) -> str:
        before = moment_of(await desk.tenants.get(caller.tenant_id), day, now(desk))
        if arguments.dry_run:
            return f"{await retention.count_old(desk, caller, before):,} set(s) would be deleted."
        return told(await retention.delete_old(desk, caller, before))

    say(on_desk(arguments.tenant, ACTOR, work))
    return 0


def moment_of(tenant: Tenant, day: date | None, moment: datetime) -> datetime:
    """Before which moment sets are old: the first of a day in the tenant's zone, or what the tenant keeps.

    Raises:
        NotAcceptable: no day, and the tenant keeps everything; or a day that is not over.
    """
    if day is None and tenant.settings.keep_years is None:
        detail = "A day; or set what the tenant keeps with `quietcuff tenants set --keep-years`."
        raise NotAcceptable([Fault(parameter="before", code="missing", detail=detail)])
    if day is None:
        return retention.years_before(moment, tenant.settings.keep_years or 0)
    before = first_moment(day, tenant.zone, "before")
    if before is None or before > moment:
        raise NotAcceptable([Fault(parameter="before", code="out-of-range", detail="A day that has begun.")])
    return before


def day_of(text: str) -> date:
    """The day of an argument.

    Raises:
        NotAcceptable: it is none.
    """
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise NotAcceptable([Fault(parameter="before", code="not-a-date", detail="A day, such as 2016-01-01.")]) from None


def run_erase(arguments: argparse.Namespace) -> int:
    """Delete a person."""
    say(told(on_desk(arguments.tenant, ACTOR, lambda desk, caller: retention.erase(desk, caller, arguments.subject))))
    return 0


def run_hold(arguments: argparse.Namespace) -> int:
    """Hold a person's data."""
    subject, reason = arguments.subject, arguments.reason
    is_new = on_desk(arguments.tenant, ACTOR, lambda desk, caller: retention.hold(desk, caller, subject, reason))
    say("Held." if is_new else "Held already.")
    return 0


def run_release(arguments: argparse.Namespace) -> int:
    """End a hold."""
    was_held = on_desk(arguments.tenant, ACTOR, lambda desk, caller: retention.release(desk, caller, arguments.subject))
    say("Released." if was_held else "It was not held.")
    return 0


def run_holds(arguments: argparse.Namespace) -> int:
    """Show the holds as a table."""
    found: list[Hold] = on_desk(arguments.tenant, ACTOR, retention.list_holds)
    table = Table()
    for heading in ("subject", "since", "by", "reason"):
        table.add_column(heading, overflow="fold")
    for one in found:
        table.add_row(*(Text(text) for text in (str(one.subject_id), one.held_at.isoformat(), one.held_by, one.reason)))
    Console(highlight=False).print(table)
    return 0


def told(done: Deletions) -> str:
    return f"Deleted: {done.sets:,} set(s), {done.subjects:,} person(s), {done.payloads:,} payload(s)."
