"""``quietcuff quality --tally``: counts of what the rules in force say of every stored set, here or by a Dask cluster."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from math import sqrt
from pathlib import Path
from typing import Any

import msgspec

from quietcuff.analytics.extras import require
from quietcuff.analytics.quality.shapes import Filters
from quietcuff.application import AppContext, Caller
from quietcuff.application.bulk.folder import COMMAND
from quietcuff.cli.support.desk import on_desk
from quietcuff.cli.support.progress import work_done
from quietcuff.core.model.errors import Fault, NotAcceptable

MOST_PROCESSES = 64
MOST_FINDINGS_TOLD = 20


def add_tally_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of the tally."""
    parser.add_argument(
        "--tally", action="store_true", help="instead count what the rules in force say of every set: states, labels, findings"
    )
    parser.add_argument("--processes", type=int, metavar="N", help="with --tally: by so many processes")
    parser.add_argument("--cluster", metavar="ADDRESS", help="with --tally: by a Dask cluster, such as tcp://127.0.0.1:8786")
    parser.add_argument(
        "--parts", metavar="FOLDER", help="with --tally: where the parts stand for the while; a cluster's workers must find it"
    )


def is_tally_asked(arguments: argparse.Namespace, filters: Filters) -> bool:
    """True for a tally.

    Raises:
        NotAcceptable: options of the tally without it, filters or a page with it, or no number of processes; all at once.
    """
    faults = []
    own = [name for name in ("processes", "cluster", "parts") if getattr(arguments, name) is not None]
    if not arguments.tally:
        faults += [Fault(parameter=name, code="not-acceptable", detail="With --tally only.") for name in own]
    elif filters != Filters() or arguments.html:
        detail = "By itself: it counts every set, and has no page."
        faults.append(Fault(parameter="tally", code="not-acceptable", detail=detail))
    if arguments.processes is not None and not 1 <= arguments.processes <= MOST_PROCESSES:
        faults.append(Fault(parameter="processes", code="not-acceptable", detail=f"1 to {MOST_PROCESSES}."))
    if arguments.processes is not None and arguments.cluster is not None:
        faults.append(Fault(parameter="processes", code="not-acceptable", detail="Without --cluster, whose workers count."))
    if faults:
        raise NotAcceptable(faults)
    return bool(arguments.tally)


def run_tally(arguments: argparse.Namespace) -> int:
    """Count, and print the counts."""
    require("analytics" if arguments.cluster is None else "cluster")
    from quietcuff.analytics.stored_tally import TallyEngine, tally_stored

    engine = TallyEngine(
        processes=arguments.processes or 1,
        cluster=arguments.cluster,
        folder=None if arguments.parts is None else Path(arguments.parts),
    )

    async def work(desk: AppContext, caller: Caller) -> Any:
        with work_done("parts") as told:
            return await tally_stored(desk, caller.tenant_id, engine, told)

    tally = on_desk(arguments.tenant, COMMAND, work)
    if arguments.json:
        # The sums may be larger than the numbers that msgspec writes.
        sys.stdout.write(json.dumps(msgspec.to_builtins(tally), indent=2, ensure_ascii=False) + "\n")
    else:
        sys.stdout.write("\n".join(tally_lines(tally)) + "\n")
    return 0


def tally_lines(tally: Any) -> Iterator[str]:
    """The counts in words."""
    engines = {name: tally.engines.get(name, 0) for name in ("columns", "core", "refused")}
    yield (
        f"{tally.sets:,} sittings: {engines['columns']:,} decided many at once, {engines['core']:,} one by one, "
        f"{engines['refused']:,} cannot be evaluated."
    )
    yield from mean_line(tally.sums)
    yield f"States: {listed(tally.states)}."
    yield f"Safety: {listed(tally.levels)}."
    for guideline, labels in tally.labels.items():
        provisional = sum(tally.provisional.get(guideline, {}).values())
        yield f"{guideline}: {listed(labels)}; {provisional:,} provisional."
    yield f"Readings: {listed(tally.reasons)}."
    most = dict(sorted(tally.findings.items(), key=lambda found: (-found[1], found[0]))[:MOST_FINDINGS_TOLD])
    if most:
        yield f"Findings, by sittings: {listed(most)}."


def mean_line(sums: Any) -> Iterator[str]:
    """The mean of the results with its standard deviation, from their exact sums."""
    n = sums.results
    if n < 2:
        return
    told = []
    for whole, squared in ((sums.systolic, sums.systolic_squared), (sums.diastolic, sums.diastolic_squared)):
        spread = sqrt((n * squared - whole * whole) / (n * (n - 1)))
        told.append((whole / n / sums.units_a_mmhg, spread / sums.units_a_mmhg))
    (systolic, sd), (diastolic, sd_diastolic) = told
    yield f"Mean of {n:,} results: {systolic:.1f}/{diastolic:.1f} mmHg, standard deviation {sd:.1f}/{sd_diastolic:.1f}."


def listed(counts: dict[str, int]) -> str:
    return ", ".join(f"{name} {count:,}" for name, count in counts.items()) or "none"
