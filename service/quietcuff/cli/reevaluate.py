"""``quietcuff reevaluate``: evaluate stored sets by the rules in force; with ``--write`` store new versions."""

from __future__ import annotations

import argparse
import sys

from quietcuff.application import AppContext, Caller
from quietcuff.application.bulk.folder import COMMAND
from quietcuff.application.reevaluation import Reevaluated, reevaluate
from quietcuff.cli.support.desk import on_desk
from quietcuff.cli.support.progress import work_done
from quietcuff.cli.support.words import say

MOST_MOVES_TOLD = 20


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = (
        "Evaluate every closed set again with the rules in force, from what was stored with it. Nothing is written without "
        "--write; a new version keeps the earlier ones readable, and is sent on to the targets."
    )
    parser.add_argument("--tenant", required=True, help="whose sets")
    parser.add_argument("--write", action="store_true", help="store a new version of each set that differs")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Evaluate again, print the counts, and store new versions if asked."""

    async def work(desk: AppContext, caller: Caller) -> Reevaluated:
        with work_done("sets") as told:
            return await reevaluate(desk, caller, keeps=arguments.write, told=told)

    counts = on_desk(arguments.tenant, COMMAND, work)
    for line in count_lines(counts):
        sys.stdout.write(line + "\n")
    say(f"{counts.written} new versions." if arguments.write else "Nothing was changed; --write stores new versions.")
    return 0


def count_lines(counts: Reevaluated) -> list[str]:
    """Lines of the report."""
    lines = [
        f"{counts.sets} sets: {counts.same} say the same, {counts.differ} differ, {counts.move} of these in what is shown."
    ]
    if counts.open:
        lines.append(f"{counts.open} are open and were left alone.")
    if counts.refused:
        lines.append(f"{counts.refused} cannot be evaluated any more and stay as they are.")
    if counts.passed_over:
        lines.append(f"{counts.passed_over} changed meanwhile and were passed over: run it again.")
    return lines + [f"  {move}: {count}" for move, count in list(counts.moves.items())[:MOST_MOVES_TOLD]]
