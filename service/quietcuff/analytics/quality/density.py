"""Readings heaped just below a threshold: a break in their density there, and plain counts on both sides."""

from __future__ import annotations

import msgspec
import numpy as np

from quietcuff.analytics.quality.arrays import Array
from quietcuff.analytics.quality.intervals import upper_tail, wilson, z_of

BIN_MMHG = 2
BINS_A_SIDE = 7
REACH_MMHG = BINS_A_SIDE * BIN_MMHG
FIT_BINS_A_SIDE = 16
LEFT_OUT_BINS = 5
COUNTED_MMHG = 4


class Break(msgspec.Struct, frozen=True, kw_only=True):
    """How the density jumps at a threshold: the logarithm of the density just above over that just below, with its interval;
    ``p_deficit`` is the chance of one as low where there is no jump."""

    log_ratio: float
    low: float
    high: float
    p_deficit: float


class Smooth(msgspec.Struct, frozen=True, kw_only=True):
    """Readings in bins of 2 mmHg around a threshold, and what a smooth curve through the bins farther off expects in each."""

    from_mmhg: list[int]
    readings: list[int]
    expected: list[float]


def edge_weights() -> Array:
    """What a reading in each bin adds to the local linear estimate of a bin's count at the threshold, nearest bin first.

    Weighted least squares of the counts of the bins of 2 mmHg within 14 mmHg on their midpoints' distance t, with triangular
    weights 1−|t|/14; the intercept is linear in the counts. Source: [MCCRARY08].
    """
    t = (np.arange(BINS_A_SIDE) + 0.5) * BIN_MMHG
    kernel = 1 - t / REACH_MMHG
    s0, s1, s2 = kernel.sum(), (kernel * t).sum(), (kernel * t * t).sum()
    return np.asarray(kernel * (s2 - s1 * t) / (s0 * s2 - s1 * s1))


def bend_of(smooth: Smooth | None) -> Array:
    """The smooth curve in the 14 bins around the threshold, relative to its height there; 1 where there is no curve."""
    if smooth is None:
        return np.ones(2 * BINS_A_SIDE)
    curve = np.array(smooth.expected)[FIT_BINS_A_SIDE - BINS_A_SIDE : FIT_BINS_A_SIDE + BINS_A_SIDE]
    return np.asarray(np.maximum(curve, 1e-6) / max(1e-6, float(np.sqrt(curve[BINS_A_SIDE - 1] * curve[BINS_A_SIDE]))))


def density_break(values: Array, sets: Array, threshold: float, smooth: Smooth | None) -> Break | None:
    """The jump of the log density at a threshold, ln f₊ − ln f₋, its error by the delta method over sittings as clusters.

    Counts are taken relative to the smooth curve, so that a bend of the density alone makes no jump. ``p_deficit`` is the lower
    normal tail of (f₊ − f₋) over its error, √Σ(sum of the weights of a sitting)². None where there are too few readings for a
    positive estimate. Source: [MCCRARY08]; the curve is the project's decision.
    """
    place = np.floor((values - threshold) / BIN_MMHG).astype(np.int64) + BINS_A_SIDE
    near = (place >= 0) & (place < 2 * BINS_A_SIDE)
    place, who = place[near], sets[near]
    weights, nothing, bend = edge_weights(), np.zeros(BINS_A_SIDE), bend_of(smooth)
    above = (np.concatenate([nothing, weights]) / bend)[place]
    below = (np.concatenate([weights[::-1], nothing]) / bend)[place]
    f_above, f_below = float(above.sum()), float(below.sum())
    # A side that is almost empty is a break too; the floor of half a reading keeps the logarithm finite.
    if f_below <= 2 or len(place) < 40:
        return None
    f_above = max(f_above, 0.5)
    if np.any(who[1:] < who[:-1]):
        order = np.argsort(who, kind="stable")
        above, below, who = above[order], below[order], who[order]
    starts = np.flatnonzero(np.diff(who, prepend=-1))
    by_set = np.stack([np.add.reduceat(each, starts) for each in (above, below)])
    error = float(np.sqrt(np.sum((by_set[0] / f_above - by_set[1] / f_below) ** 2)))
    # The difference itself is nearer to normal than its logarithm where readings are few.
    z = (f_above - f_below) / float(np.sqrt(np.sum((by_set[0] - by_set[1]) ** 2)))
    jump, half = float(np.log(f_above / f_below)), z_of() * error
    return Break(log_ratio=jump, low=jump - half, high=jump + half, p_deficit=float(upper_tail(-z)))


def plain_counts(values: Array, threshold: float) -> tuple[int, int, float, float]:
    """Readings in the 4 mmHg below and from the threshold, 136–139 and 140–143, and Wilson's interval of the share below."""
    below = int(np.count_nonzero((values >= threshold - COUNTED_MMHG) & (values < threshold)))
    above = int(np.count_nonzero((values >= threshold) & (values < threshold + COUNTED_MMHG)))
    low, high = wilson(below, below + above) if below + above else (0.0, 1.0)
    return below, above, float(low), float(high)


def smooth_around(values: Array, threshold: float) -> Smooth | None:
    """Bins of 2 mmHg within 32 mmHg, and a Poisson curve, its logarithm quadratic in the distance, fitted to those farther off
    than 10 mmHg by iteratively weighted least squares."""
    reach = FIT_BINS_A_SIDE * BIN_MMHG
    place = np.floor((values - threshold + reach) / BIN_MMHG).astype(int)
    held = (place >= 0) & (place < 2 * FIT_BINS_A_SIDE)
    counts = np.bincount(place[held], minlength=2 * FIT_BINS_A_SIDE).astype(float)
    t = (np.arange(2 * FIT_BINS_A_SIDE) + 0.5 - FIT_BINS_A_SIDE) / FIT_BINS_A_SIDE
    far = np.abs(np.arange(2 * FIT_BINS_A_SIDE) + 0.5 - FIT_BINS_A_SIDE) > LEFT_OUT_BINS
    if counts[far].sum() < 40:
        return None
    terms = np.stack([np.ones_like(t), t, t * t], axis=1)
    log_mean = np.log(np.maximum(counts, 0.5))
    for _ in range(25):
        mean = np.exp(np.clip(log_mean, -10, 20))
        target = log_mean + (counts - mean) / mean
        weighted = terms[far] * mean[far, None]
        beta = np.linalg.lstsq(weighted.T @ terms[far], weighted.T @ target[far], rcond=None)[0]
        log_mean = terms @ beta
    starts = threshold - reach + BIN_MMHG * np.arange(2 * FIT_BINS_A_SIDE)
    expected = np.exp(np.clip(log_mean, -10, 20))
    return Smooth(
        from_mmhg=[int(start) for start in starts],
        readings=[int(count) for count in counts],
        expected=[float(each) for each in expected],
    )


def displaced(smooth: Smooth, threshold: float) -> float:
    """How many readings were written below the threshold that the curve expects from it on, within 10 mmHg: the mean of what is
    missing above and of what is too many below, none where either is not so."""
    starts, counts, expected = np.array(smooth.from_mmhg), np.array(smooth.readings), np.array(smooth.expected)
    reach = LEFT_OUT_BINS * BIN_MMHG
    above = (starts >= threshold) & (starts < threshold + reach)
    below = (starts < threshold) & (starts >= threshold - reach)
    missing = float(np.sum(expected[above] - counts[above]))
    surplus = float(np.sum(counts[below] - expected[below]))
    return (missing + surplus) / 2 if missing > 0 and surplus > 0 else 0.0
