"""Computes the limits of ``drift.toml`` by simulation: ``python docs/compute_change_limits.py``. About a minute.

People who stand still, with visits at even distances and of one covariance, which then falls out: two independent standard
normal values a visit. The statistics are those of ``core/certainty/changes.py``; limits are quantiles of the largest.
"""

from __future__ import annotations

import sys
from math import log

import numpy as np
from numpy.typing import NDArray

from quietcuff.rules.catalog import load_rulebook

COUNTS = (2, 3, 4, 5, 6, 8, 10, 14, 20, 30, 60, 180)
VALUES, SEED = 24_000_000, 20261128


def largest(count: int, people: int, scatter_from: int, chance: np.random.Generator) -> NDArray[np.float64]:
    """The largest statistic of each of so many people."""
    visits = chance.standard_normal((people, count, 2))
    visits -= visits.mean(axis=1, keepdims=True)
    total = (visits**2).sum(axis=(1, 2))
    until = visits.cumsum(axis=1)[:, :-1]
    places = np.arange(1, count)
    steps = (until**2).sum(axis=2) * (1 / places + 1 / (count - places))
    days = np.arange(count) - (count - 1) / 2
    drift = ((visits * days[None, :, None]).sum(axis=1) ** 2).sum(axis=1) / (days**2).sum()
    found = np.column_stack([steps, drift])
    if count >= scatter_from:
        found /= np.maximum(1, (total[:, None] - found) / (2 * (count - 2)))
    most: NDArray[np.float64] = found.max(axis=1)
    return most


def main() -> None:
    """Write the entries to the standard output."""
    rules, chance = load_rulebook().drift, np.random.default_rng(SEED)
    for count in COUNTS:
        people = min(1_000_000, VALUES // count)
        found = largest(count, people, rules.scatter_from_visits, chance)
        shares = (rules.wrong_where_still, rules.wrong_where_moving)
        # Of two visits there is one statistic, whose quantile is known: chi-square of two degrees of freedom.
        still, moving = (-2 * log(share) if count == 2 else np.quantile(found, 1 - share) for share in shares)
        sys.stdout.write(f"[[limits]]\nvisits = {count}\nstill = {still:.2f}\nmoving = {moving:.2f}\n\n")


if __name__ == "__main__":
    main()
