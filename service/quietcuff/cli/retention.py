"""``quietcuff retention``: delete data older than the tenant keeps, erase a person, and hold or release a person's data."""

from __future__ import annotations

import argparse
import os
import sys
from datetime import date, datetime
from uuid import UUID

from quietcuff.application import AppContext, Caller, retention
from quietcuff.application.context import now
from quietcuff.application.erasure import Left, look_for
from quietcuff.application.read_sittings import first_moment
from quietcuff.application.retention import Deletions, Erased
from quietcuff.cli.support.desk import on_desk
from quietcuff.cli.support.listing import add_json_to, show_list
from quietcuff.cli.support.progress import work_done
from quietcuff.cli.support.words import say
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.settings import read_settings
from quietcuff.storage.engine.database import parse_url
from quietcuff.storage.rows.erased_file import FileSeen, clean_file
from quietcuff.storage.rows.retention import Hold
from quietcuff.storage.rows.tenants import Tenant

ACTOR = "command"
COMPACT = "stop the server and run quietcuff database compact"
REWRITTEN = "SQLite's free room held the identifier, and the file was written anew."
TOLD_OF_FILE = {
    FileSeen.NO_FILE: "PostgreSQL keeps deleted rows in its files until VACUUM FULL writes them anew: see docs/operator.md.",
    FileSeen.CLEAN: "SQLite's file and log, free pages too, were read byte by byte: the identifier is not in them.",
    FileSeen.OF_OTHERS: "Rows of others, of this tenant or another, hold the same words; free room of SQLite's file does not.",
    FileSeen.REWRITTEN: f"{REWRITTEN} It was read byte by byte: the identifier is not in it.",
    FileSeen.REWRITTEN_BUT_OF_OTHERS: f"{REWRITTEN} Rows of others, of this tenant or another, hold the same words.",
    FileSeen.UNSURE: "Rows of others, of this tenant or another, hold the same words. So does free room of SQLite's file, and "
    f"whose it was cannot be told: to be sure, {COMPACT}.",
    FileSeen.LEFT: f"The identifier is left in free room of SQLite's file: {COMPACT}.",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    apply = actions.add_parser("apply", help="delete closed sets that were measured before a day, and what belongs to them")
    apply.add_argument("--before", metavar="DAY", help="such as 2016-01-01; without it, what the tenant keeps decides")
    apply.add_argument("--dry-run", action="store_true", help="only tell how many sets that is")
    apply.set_defaults(run=run_apply)
    erase = actions.add_parser("erase", help="delete a person with everything that is stored of them")
    erase.add_argument("--yes", action="store_true", help="do not ask back, which is done at a terminal")
    erase.add_argument("--no-search", action="store_true", help="do not search every table afterwards, which takes long")
    erase.set_defaults(run=run_erase)
    hold = actions.add_parser("hold", help="keep a person's data from being deleted")
    hold.add_argument("--reason", required=True, help="why; it is kept")
    hold.set_defaults(run=run_hold)
    release = actions.add_parser("release", help="end a hold")
    release.set_defaults(run=run_release)
    holds = actions.add_parser("holds", help="whose data is held, and why")
    add_json_to(holds)
    holds.set_defaults(run=run_holds)
    for action in (erase, hold, release):
        action.add_argument("subject", metavar="SUBJECT-ID", help="the id of the person, as GET /v1/subjects/{id} has it")
    for action in (apply, erase, hold, release, holds):
        action.add_argument("--tenant", required=True)


def run_apply(arguments: argparse.Namespace) -> int:
    """Delete old sets, or print how many there are."""
    day = None if arguments.before is None else day_of(arguments.before)

    async def work(desk: AppContext, caller: Caller) -> str:
        before = moment_of(await desk.tenants.get(caller.tenant_id), day, now(desk))
        if arguments.dry_run:
            return f"{await retention.count_old(desk, caller, before):,} set(s) would be deleted."
        with work_done("sets") as told:
            return deletions_sentence(await retention.delete_old(desk, caller, before, told=told))

    say(on_desk(arguments.tenant, ACTOR, work))
    return 0


def moment_of(tenant: Tenant, day: date | None, moment: datetime) -> datetime:
    """The moment before which sets are old: the start of a day in the tenant's zone, or by the tenant's retention period.

    Raises:
        NotAcceptable: no day, and the tenant keeps everything; or a day that is not over.
    """
    if day is None and tenant.settings.keep_years is None:
        detail = "A day; or set what the tenant keeps with `quietcuff tenants set --keep-years`."
        raise NotAcceptable.of(parameter="before", code="missing", detail=detail)
    if day is None:
        return retention.years_before(moment, tenant.settings.keep_years or 0)
    before = first_moment(day, tenant.zone, "before")
    if before is None or before > moment:
        raise NotAcceptable.of(parameter="before", code="out-of-range", detail="A day that has begun.")
    return before


def day_of(text: str) -> date:
    """The day of an argument.

    Raises:
        NotAcceptable: it is none.
    """
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise NotAcceptable.of(parameter="before", code="not-a-date", detail="A day, such as 2016-01-01.") from None


def run_erase(arguments: argparse.Namespace) -> int:
    """Erase a person and check the result; 1 if something is left, or if the person at the terminal does not confirm."""
    # A script has nobody to ask, and its call is the answer.
    if not arguments.yes and sys.stdin.isatty() and not is_meant():
        say("Nothing was deleted.")
        return 1

    async def work(desk: AppContext, caller: Caller) -> tuple[Erased, Left | None]:
        tenant = await desk.tenants.get(caller.tenant_id)
        done = await retention.erase(desk, caller, arguments.subject)
        if arguments.no_search:
            return done, None
        return done, await look_for(desk, tenant, UUID(arguments.subject), done.words)

    done, left = on_desk(arguments.tenant, ACTOR, work)
    say(deletions_sentence(done))
    rows = ", ".join(f"{name} {count:,}" for name, count in done.rows.items())
    taken_out = f"{done.groups:,} group(s) and {done.devices:,} device(s)"
    say(f"Rows of theirs: {rows}. Taken out of {taken_out}; {done.exports:,} export(s) ended.")
    return 0 if left is None else report_left(done, left)


def is_meant() -> bool:
    """Ask for confirmation. True if the answer is yes."""
    sys.stderr.write("Everything that is stored of this person is deleted and cannot be brought back. Type yes to go on: ")
    sys.stderr.flush()
    return sys.stdin.readline().strip().lower() == "yes"


def report_left(done: Erased, left: Left) -> int:
    """Report the check after an erasure; 1 if something of the person is left."""
    say(f"Checked: {left.rows:,} rows of all tables of the tenant read again, payloads and exports unpacked.")
    for name, count in left.of_person.items():
        say(f"Left: {count:,} row(s) of {name} that are theirs.")
    for name, count in left.naming.items():
        say(f"The same identifier stands in {count:,} row(s) of {name}: of others, or in free text. Look at them.")
    if not left.of_person and not left.naming:
        say("Nothing names them any more but their id in what stays: deleted_subject, deleted_set, group_former, trail.")
    return 1 if left.of_person or is_left_in_file(done, left) else 0


def is_left_in_file(done: Erased, left: Left) -> bool:
    """Report what the database's own files still hold. True if something of the person is left in them."""
    seen = clean_file(parse_url(read_settings(os.environ).database_url), done.words)
    if seen is FileSeen.LEFT and left.log_emptied is False:
        say(f"SQLite's log could not be emptied, for somebody was reading: {COMPACT}.")
    else:
        say(TOLD_OF_FILE[seen])
    return seen is FileSeen.LEFT


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
    """Show the holds."""
    found: list[Hold] = on_desk(arguments.tenant, ACTOR, retention.list_holds)
    rows = ((str(one.subject_id), one.held_at, one.held_by, one.reason) for one in found)
    show_list(("subject", "since", "by", "reason"), rows, as_json=arguments.json)
    return 0


def deletions_sentence(done: Deletions) -> str:
    return f"Deleted: {done.sets:,} set(s), {done.subjects:,} person(s), {done.payloads:,} payload(s)."
