"""Intervals, tail chances and the false discovery rate, each by the formula that its docstring names."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import special

from quietcuff.analytics.quality.arrays import Array

LEVEL = 0.95


def z_of(level: float = LEVEL) -> float:
    """The standard normal quantile of a two-sided level: 0.95 gives 1.96."""
    return float(special.ndtri(0.5 + level / 2))


def wilson(count: Any, eligible: Any, level: float = LEVEL) -> tuple[Array, Array]:
    """The score interval of a share: (p + z²/2n ± z·√(p(1−p)/n + z²/4n²)) / (1 + z²/n), with p = count/n.

    10 of 50 give 0.112 to 0.330. Source: [WILSON27].
    """
    x, n = np.asarray(count, float), np.asarray(eligible, float)
    z2 = z_of(level) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        p = x / n
        middle, half = p + z2 / (2 * n), np.sqrt(z2) * np.sqrt(p * (1 - p) / n + z2 / (4 * n * n))
        low, high = (middle - half) / (1 + z2 / n), (middle + half) / (1 + z2 / n)
    return np.where(x <= 0, 0.0, low), np.where(x >= n, 1.0, high)


def mean_interval(values: Array, level: float = LEVEL) -> tuple[float, float, float]:
    """The mean and its t interval: x̄ ± t(n−1)·s/√n."""
    n = len(values)
    mean = float(np.mean(values))
    half = float(special.stdtrit(n - 1, 0.5 + level / 2) * np.std(values, ddof=1) / np.sqrt(n))
    return mean, mean - half, mean + half


def median_interval(values: Array, level: float = LEVEL) -> tuple[float, float, float]:
    """The median and the order statistics r and n+1−r around it, r the largest with P(B < r) ≤ (1−level)/2, B of (n, ½)."""
    n = len(values)
    tail = (1 - level) / 2
    rank = int(special.bdtrik(tail, n, 0.5)) if special.bdtr(0, n, 0.5) <= tail else 0
    while special.bdtr(rank, n, 0.5) <= tail:
        rank += 1
    while rank > 0 and special.bdtr(rank - 1, n, 0.5) > tail:
        rank -= 1
    # One partition places all that is asked for; sorting a million values is not needed.
    middle = ((n - 1) // 2, n // 2)
    ends = (max(rank - 1, 0), min(n - rank, n - 1))
    placed = np.partition(values, sorted({*middle, *ends}))
    return float((placed[middle[0]] + placed[middle[1]]) / 2), float(placed[ends[0]]), float(placed[ends[1]])


def at_least(count: Any, eligible: Any, share: float | Array) -> Array:
    """The chance of so many or more, binomial: P(B ≥ x) = I_p(x, n − x + 1), B of n draws with that share."""
    x, n = np.asarray(count, float), np.asarray(eligible, float)
    return np.asarray(np.where(x <= 0, 1.0, special.betainc(np.maximum(x, 1), n - np.maximum(x, 1) + 1, share)))


def two_sided(count: Array, eligible: Array, share: float | Array) -> Array:
    """Twice the smaller binomial tail, at most 1."""
    upper = at_least(count, eligible, share)
    lower = at_least(np.asarray(eligible, float) - count, eligible, 1 - np.asarray(share))
    return np.asarray(np.minimum(1.0, 2 * np.minimum(upper, lower)))


def false_discovery(p: Array) -> Array:
    """q-values: the least over ranks j ≥ i of p₍ⱼ₎·m/j, at most 1. Source: [BH95]."""
    m = len(p)
    order = np.argsort(p)
    scaled = p[order] * m / np.arange(1, m + 1)
    q = np.empty(m)
    q[order] = np.minimum(1.0, np.minimum.accumulate(scaled[::-1])[::-1])
    return np.asarray(q)


def share_deviation(counts: Array, sizes: Array) -> float:
    """The standard error of Σcounts/Σsizes over clusters: √(G/(G−1)·Σ(cᵢ − p·nᵢ)²)/Σn. The linearised ratio estimator."""
    held = sizes > 0
    groups, total = int(np.count_nonzero(held)), float(np.sum(sizes))
    if groups < 2:
        return float("inf")
    p = float(np.sum(counts)) / total
    spread = np.sum((counts - p * sizes)[held] ** 2) * groups / (groups - 1)
    return float(np.sqrt(spread)) / total


def upper_tail(z: Any) -> Array:
    """The chance that a standard normal is above z."""
    return np.asarray(special.ndtr(-np.asarray(z, float)))
