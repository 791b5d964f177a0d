"""``quietcuff quality``: quality of blood-pressure measurement, in words, as JSON or as a page."""

from __future__ import annotations

import argparse
import sys
from datetime import date
from pathlib import Path
from typing import get_args

import msgspec

from quietcuff.analytics.extras import require
from quietcuff.analytics.quality.shapes import Filters, Report, Split
from quietcuff.analytics.quality.stored import page_of, report_stored
from quietcuff.application import AppContext, Caller
from quietcuff.application.bulk.folder import COMMAND
from quietcuff.cli.support.desk import on_desk
from quietcuff.cli.support.progress import work_done
from quietcuff.cli.support.tally import add_tally_arguments, is_tally_asked, run_tally
from quietcuff.cli.support.words import say
from quietcuff.core.model.errors import Fault, NotAcceptable

PARTS = get_args(Split)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = "Say what to mend first in measuring. The report names nobody who was measured."
    parser.add_argument("--tenant", required=True, help="whose sittings")
    parser.add_argument("--from", dest="since", metavar="DAY", help="the first day, such as 2026-01-01")
    parser.add_argument("--to", dest="until", metavar="DAY", help="the last day")
    for part in PARTS:
        parser.add_argument(f"--{part}", help=f"only this {part}")
    parser.add_argument("--by", choices=PARTS, help="the same figures for each part")
    parser.add_argument("--html", metavar="FILE", help="write the report as a page")
    parser.add_argument("--json", action="store_true", help="print the whole report, or the counts, as JSON")
    add_tally_arguments(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print the first paragraph or the whole report, and write the page if asked."""
    filters = filters_of(arguments)
    if is_tally_asked(arguments, filters):
        return run_tally(arguments)
    require("analytics")

    async def work(desk: AppContext, caller: Caller) -> tuple[Report, str]:
        with work_done("sets") as told:
            report = await report_stored(desk, caller.tenant_id, filters, told)
        return report, page_of(report, desk) if arguments.html else ""

    report, page = on_desk(arguments.tenant, COMMAND, work)
    if arguments.html:
        Path(arguments.html).write_text(page, encoding="utf-8")
        say(f"The page is in {arguments.html}.")
    if arguments.json:
        sys.stdout.write(msgspec.json.format(msgspec.json.encode(report), indent=2).decode() + "\n")
    else:
        sys.stdout.write("\n".join(report.summary) + "\n")
    return 0


def filters_of(arguments: argparse.Namespace) -> Filters:
    """Filters in the options.

    Raises:
        NotAcceptable: an option that is not a day; both faults at once.
    """
    days: dict[str, date | None] = {}
    faults = []
    for name, shown in (("since", "from"), ("until", "to")):
        text = getattr(arguments, name)
        try:
            days[name] = None if text is None else date.fromisoformat(text)
        except ValueError:
            faults.append(Fault(parameter=shown, code="not-a-time", detail="A day, such as 2026-05-04."))
    if faults:
        raise NotAcceptable(faults)
    parts = {part: getattr(arguments, part) for part in PARTS}
    return Filters(by=arguments.by, since=days["since"], until=days["until"], **parts)
