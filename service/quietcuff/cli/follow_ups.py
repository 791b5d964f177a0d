"""``quietcuff follow-ups``: people who were to be seen again and were not, the most pressing first, one a line."""

from __future__ import annotations

import argparse
import sys
from datetime import date

from quietcuff.analytics.follow_ups.follow_ups import REASONS, FollowUp, follow_ups
from quietcuff.analytics.follow_ups.list import csv_of, is_for
from quietcuff.application import AppContext, Caller
from quietcuff.application.bulk.folder import COMMAND
from quietcuff.cli.support.desk import on_desk
from quietcuff.cli.support.words import say


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = "The list names people: send it where it may be read."
    parser.add_argument("--tenant", required=True, help="whose people")
    parser.add_argument("--why", action="append", choices=REASONS, help="only these reasons; may be repeated")
    parser.add_argument("--format", choices=("text", "csv"), default="text", help="text by default")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print the list."""

    async def gather(desk: AppContext, caller: Caller) -> list[FollowUp]:
        return [line async for part in follow_ups(desk, caller.tenant_id) for line in part.lines]

    found = on_desk(arguments.tenant, COMMAND, gather)
    lines = [line for line in found if is_for(line, arguments.why)]
    lines.sort(key=lambda line: (REASONS.index(line.why), line.since, str(line.subject_id)))
    if arguments.format == "csv":
        sys.stdout.write(csv_of(lines, named=True))
    else:
        for line in lines:
            sys.stdout.write(sentence(line) + "\n")
    say(f"{len(lines)} people.")
    return 0


def sentence(line: FollowUp) -> str:
    """One person's line in words."""
    value = "no result" if line.last_systolic_mmhg is None else f"{line.last_systolic_mmhg:g}/{line.last_diastolic_mmhg:g}"
    also = f" (also {', '.join(line.also)})" if line.also else ""
    return f"{line.identifier.value}: {line.why}{also}, since {line.since}{by_when(line.by)}; {value}; {line.next_step.reason}"


def by_when(by: date | None) -> str:
    return "" if by is None else f", by {by}"
