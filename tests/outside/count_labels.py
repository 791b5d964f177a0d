"""Whole-survey counts before and after a change of the rules: who moved, under which protocol and guideline.

Run where the rules are as they were, then where they have changed; the second run prints who moved:

    PYTHONPATH=tests python -m outside.count_labels before.json
    PYTHONPATH=tests python -m outside.count_labels after.json --before before.json
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from pathlib import Path

from outside import reckoning, through_core

Labels = dict[str, dict[str, dict[str, str | None]]]


def label_everyone() -> Labels:
    """Each protocol's people with a result: their reported value, what became of the first reading, each guideline's label."""
    return {
        protocol: {
            f"{person}": {"value": f"{evaluation.result.systolic_mmhg}/{evaluation.result.diastolic_mmhg}"}
            | {"first reading": evaluation.readings[0].reason}
            | {category.guideline: category.category for category in evaluation.categories}
            for person, evaluation in through_core.evaluations(protocol).items()
            if evaluation.result is not None
        }
        for protocol in (*reckoning.PROTOCOLS, "office-one-arm", through_core.FIRST)
    }


def moves(before: Labels, after: Labels) -> Counter[tuple[str, str, str, str]]:
    """How many moved, by protocol, by guideline (or in their value, or in what became of the first reading), from what and to
    what."""
    return Counter(
        (protocol, name, f"{people.get(person, {}).get(name)}", f"{found}")
        for protocol, people in before.items()
        for person, labels in after[protocol].items()
        for name, found in labels.items()
        if people.get(person, {}).get(name) != found
    )


def main() -> None:
    """Write everyone's labels, and print who moved since another run."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("file", type=Path, help="where to write everyone's labels")
    parser.add_argument("--before", type=Path, help="such a file of an earlier run")
    asked = parser.parse_args()
    after = label_everyone()
    asked.file.write_text(json.dumps(after), encoding="utf-8")
    for protocol, people in after.items():
        print(f"{protocol}: {len(people):,} with a result")
    if asked.before is not None:
        print("| protocol | guideline | before | after | people |\n|---|---|---|---|---|")
        for (protocol, name, was, found), count in sorted(moves(json.loads(asked.before.read_text("utf-8")), after).items()):
            print(f"| `{protocol}` | `{name}` | {was} | {found} | {count:,} |")


if __name__ == "__main__":
    main()
