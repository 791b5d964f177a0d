"""Months and places compared: p-charts with room for overdispersion, funnels, shrunken shares."""

from __future__ import annotations

import msgspec
import numpy as np

from quietcuff.analytics.quality.arrays import Array
from quietcuff.analytics.quality.intervals import false_discovery, two_sided, z_of

MOVING_RANGE_D2 = 1.128
SIGMAS = 3
RUN = 8
FUNNEL_INNER, FUNNEL_OUTER = 0.95, 0.998
Q_STANDS_OUT = 0.05


class ControlChart(msgspec.Struct, frozen=True, kw_only=True):
    """Shares by month, the centre, and limits of each month. ``beyond`` and ``in_run`` say which months call a change."""

    centre: float
    sigma_z: float
    share: Array
    low: Array
    high: Array
    beyond: Array
    in_run: Array


def p_chart(counts: Array, sizes: Array) -> ControlChart:
    """p̄ ± 3·σᵢ·σ_z with p̄ = Σx/Σn, σᵢ = √(p̄(1−p̄)/nᵢ), σ_z = mean moving range of (pᵢ−p̄)/σᵢ over 1.128, never below 1.

    A change is called at a month beyond its limits, and at eight months in a row on one side of the centre.
    Source: [LANEY02]; limits never narrower than the classic ones are the project's decision.
    """
    centre = float(counts.sum() / sizes.sum())
    share = counts / sizes
    sigma = np.sqrt(centre * (1 - centre) / sizes)
    if len(sizes) > 1 and 0 < centre < 1:
        ranges = np.abs(np.diff((share - centre) / sigma))
        sigma_z = max(1.0, float(ranges.mean()) / MOVING_RANGE_D2)
    else:
        sigma_z = 1.0
    low, high = centre - SIGMAS * sigma * sigma_z, centre + SIGMAS * sigma * sigma_z
    side = np.sign(np.round(share - centre, 12)).astype(int)
    return ControlChart(
        centre=centre,
        sigma_z=sigma_z,
        share=share,
        low=np.maximum(low, 0.0),
        high=np.minimum(high, 1.0),
        beyond=(share < low) | (share > high),
        in_run=runs(side),
    )


def runs(side: Array) -> Array:
    """Which months belong to eight or more in a row on one side of the centre."""
    found = np.zeros(len(side), bool)
    start = 0
    for place in range(1, len(side) + 1):
        if place == len(side) or side[place] != side[start]:
            if side[start] != 0 and place - start >= RUN:
                found[start:place] = True
            start = place
    return found


class FunnelChart(msgspec.Struct, frozen=True, kw_only=True):
    """Shares of places against the share of all, with the limits of each size."""

    target: float
    share: Array
    low_95: Array
    high_95: Array
    low_998: Array
    high_998: Array
    shrunken: Array
    p: Array
    q: Array


def funnel(counts: Array, sizes: Array) -> FunnelChart:
    """Limits p̄ ± z·√(p̄(1−p̄)/n), z of 95 and of 99.8 %; p is twice the smaller binomial tail, q its false discovery rate.

    p̄ is the share of the places that do not stand out themselves. Source: [SPIEG05], [BH95].
    """
    target = in_control(counts, sizes)
    error = np.sqrt(target * (1 - target) / sizes)
    inner, outer = z_of(FUNNEL_INNER) * error, z_of(FUNNEL_OUTER) * error
    p = two_sided(counts, sizes, target)
    return FunnelChart(
        target=target,
        share=counts / sizes,
        low_95=np.maximum(target - inner, 0.0),
        high_95=np.minimum(target + inner, 1.0),
        low_998=np.maximum(target - outer, 0.0),
        high_998=np.minimum(target + outer, 1.0),
        shrunken=shrink(counts, sizes),
        p=p,
        q=false_discovery(p),
    )


def in_control(counts: Array, sizes: Array) -> float:
    """Σx/Σn without the places that stand out: the farthest beyond 99.8 % is left out, one by one, as long as most are kept.

    One place far off would else move the target so that all others stand out.
    """
    kept = np.ones(len(sizes), bool)
    while True:
        target = float(counts[kept].sum() / sizes[kept].sum())
        error = np.sqrt(np.maximum(target * (1 - target), 1e-12) / sizes)
        away = np.where(kept, np.abs(counts / sizes - target) / error, 0.0)
        farthest = int(np.argmax(away))
        q = false_discovery(two_sided(counts, sizes, target))
        if away[farthest] <= z_of(FUNNEL_OUTER) or q[farthest] >= Q_STANDS_OUT or 2 * (kept.sum() - 1) <= len(kept):
            return target
        kept[farthest] = False


def shrink(counts: Array, sizes: Array) -> Array:
    """Shares drawn towards the share of all: (x + p̄·M)/(n + M), the mean of a beta posterior.

    M = p̄(1−p̄)/τ² − 1, with τ² between places by moments: (Q − (k−1)·p̄(1−p̄))/(Σn − Σn²/Σn), Q = Σn(p−p̄)², not below 0.
    Without any difference between places each gets the share of all. Source: [KLEINMAN73].
    """
    total = float(sizes.sum())
    pooled = float(counts.sum()) / total
    spread = pooled * (1 - pooled)
    if len(sizes) < 2 or spread == 0:
        return np.full(len(sizes), pooled)
    q = float(np.sum(sizes * (counts / sizes - pooled) ** 2))
    between = (q - (len(sizes) - 1) * spread) / (total - float(np.sum(sizes**2)) / total)
    if between <= 0:
        return np.full(len(sizes), pooled)
    weight = max(spread / between - 1, 0.0)
    return (counts + pooled * weight) / (sizes + weight)
