"""``quietcuff what-if``: evaluate stored sittings by other rules or answers. Nothing is changed."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import msgspec

from quietcuff.analytics.what_if.on_cluster import report_on_cluster
from quietcuff.analytics.what_if.picture import draw_flow
from quietcuff.analytics.what_if.report import LabelMove, WhatIfReport
from quietcuff.analytics.what_if.walk import whole_report
from quietcuff.analytics.what_if.what_if import MOST_FEWER, WhatIf, check
from quietcuff.application import AppContext, Caller
from quietcuff.application.bulk.folder import COMMAND
from quietcuff.cli.support.desk import on_desk
from quietcuff.cli.support.words import say
from quietcuff.core.model.errors import Fault, NotAcceptable

NO_LABEL = "no label"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = "Evaluate what is stored under other rules, in memory, and tell what moves. Nothing is changed."
    parser.add_argument("--tenant", required=True, help="whose history")
    parser.add_argument("--protocol", help="another protocol, for the sittings in its settings")
    parser.add_argument("--guideline", help="another guideline, alone")
    parser.add_argument("--rounding", choices=("whole", "exact"), help="report whole mmHg, or exact means")
    parser.add_argument(
        "--fewer-readings", type=int, default=0, choices=range(MOST_FEWER + 1), help="the last so many at each site not taken"
    )
    parser.add_argument("--answer", action="append", default=[], metavar="NAME=ANSWER", help="such as arm_supported=yes")
    parser.add_argument("--people", action="store_true", help="list whose newest label moves: the list names people")
    parser.add_argument("--picture", metavar="FILE", help="write the moves as an SVG picture")
    parser.add_argument(
        "--cluster",
        metavar="ADDRESS",
        help="have it counted by a Dask cluster, such as tcp://127.0.0.1:8786; sittings go to it",
    )
    parser.add_argument("--json", action="store_true", help="the whole report as JSON")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Evaluate by the other rules, and print the report."""
    asked = WhatIf(
        protocol=arguments.protocol,
        guideline=arguments.guideline,
        rounding=arguments.rounding,
        fewer_readings=arguments.fewer_readings,
        answers=answers_of(arguments.answer),
        people=arguments.people,
    )

    async def work(desk: AppContext, caller: Caller) -> WhatIfReport:
        check(asked, desk.rulebook)
        if arguments.cluster is not None:
            return await report_on_cluster(desk, caller.tenant_id, asked, arguments.cluster)
        return await whole_report(desk, caller.tenant_id, asked)

    report = on_desk(arguments.tenant, COMMAND, work)
    if arguments.picture is not None:
        Path(arguments.picture).write_text(draw_flow(report), "utf-8")
    if arguments.json:
        sys.stdout.write(msgspec.json.format(msgspec.json.encode(report), indent=2).decode() + "\n")
    else:
        for line in report_lines(report):
            sys.stdout.write(line + "\n")
    say("Nothing was changed.")
    return 0


def answers_of(given: list[str]) -> dict[str, str]:
    """The answers by name.

    Raises:
        NotAcceptable: one without an equals sign.
    """
    pairs = [text.partition("=") for text in given]
    if any(not sign for _, sign, _ in pairs):
        raise NotAcceptable(
            [Fault(parameter="answer", code="not-acceptable", detail="NAME=ANSWER, such as arm_supported=yes.")]
        )
    return {name: answer for name, _, answer in pairs}


def report_lines(report: WhatIfReport) -> list[str]:
    """Lines of the report."""
    compared = report.evaluated + report.untouched
    lines = [f"{report.sets} sittings, {report.moved} of {compared} get another label."]
    if report.untouched:
        lines.append(f"{report.untouched} are none that this bears on.")
    lines.append(f"{report.by_columns} were decided many at once, {report.by_core} one by one; both say the same.")
    lines += [f"{count} cannot be evaluated so: {code}." for code, count in report.refused.items()]
    lines += [move_line(move) for move in report.moves if move.before != move.after]
    high, people = report.hypertensive, report.people
    lines.append(
        f"In the range of hypertension: {high.before} office sittings before, {high.after} after "
        f"({high.newly} newly, {high.no_longer} no longer), of {high.sets} of which both can say it."
    )
    lines.append(
        f"To be seen: {people.to_be_seen_before} people before, {people.to_be_seen_after} after "
        f"({people.newly} newly, {people.no_longer} no longer), of {people.all}."
    )
    for one in report.moved_people or []:
        name = one.subject_id if one.identifier is None else one.identifier.value
        lines.append(f"{name}: {one.before or NO_LABEL} → {one.after or NO_LABEL}")
    return lines


def move_line(move: LabelMove) -> str:
    """One change of label in words."""
    settled = [f"{100 * share:.0f} %" if share is not None else "–" for share in (move.settled_before, move.settled_after)]
    labels = f"{move.before or NO_LABEL} → {move.after or NO_LABEL}"
    return f"  {labels}: {move.sets} ({100 * move.share:.1f} %), settled {settled[0]} before, {settled[1]} after"
