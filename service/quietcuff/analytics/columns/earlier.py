"""Earlier comparisons of the arms, summed up for each set: what the rules ask of them, and no more."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietcuff.analytics.columns.codes import Array
from quietcuff.analytics.columns.columns import BatchColumns, ColumnsOfRows
from quietcuff.core.rulebook.rulebook import Limits

# Differences of means nearer to a limit than this may fall on either side of it by the core's own floating sums.
TOO_NEAR_MMHG = 1e-6


@dataclass(frozen=True, slots=True)
class EarlierPairs(ColumnsOfRows):
    """For each set: how many pairs; their sums (hundredths of mmHg, systolic and diastolic) and how many of them differ by the
    limit or more, either way; the newest day's sums; how many systolic differences repeat above the two higher limits."""

    count: Array
    systolic_sum: Array
    diastolic_sum: Array
    systolic_right: Array
    systolic_left: Array
    diastolic_right: Array
    diastolic_left: Array
    newest_systolic: Array
    newest_diastolic: Array
    repeat_right: Array
    repeat_left: Array
    assess_right: Array
    assess_left: Array
    compares_again: Array
    borderline: Array


def sum_up(columns: BatchColumns, limits: Limits) -> EarlierPairs:
    """The earlier comparisons of every set."""
    bounds, counts = columns.pairs, np.diff(columns.pairs)
    exact = np.rint(100 * columns.pair_differences).astype(np.int64)
    systolic, diastolic = exact
    newest = newest_day(columns, bounds, counts)
    today = columns.pair_days == np.repeat(newest, counts)

    def total(values: Array) -> Array:
        """The sum over each set's pairs."""
        sums = np.concatenate([np.zeros(1, dtype=np.int64), np.cumsum(values)])
        return sums[bounds[1:]] - sums[bounds[:-1]]

    limit, repeat, assess = (
        100 * mmhg for mmhg in (limits.arm_difference_mmhg, limits.arm_repeat_above_mmhg, limits.arm_assess_above_mmhg)
    )
    per_pair = np.maximum(counts, 1)
    means = [np.abs(total_of_floats(values, bounds)) / per_pair for values in columns.pair_differences]
    largest = np.maximum(*means)
    asked = (counts > 0) & (counts < limits.record_pairs) & (total(today) == counts)
    return EarlierPairs(
        count=counts,
        systolic_sum=total(systolic),
        diastolic_sum=total(diastolic),
        systolic_right=total(systolic >= limit),
        systolic_left=total(-systolic >= limit),
        diastolic_right=total(diastolic >= limit),
        diastolic_left=total(-diastolic >= limit),
        newest_systolic=total(systolic * today),
        newest_diastolic=total(diastolic * today),
        repeat_right=total(systolic > repeat),
        repeat_left=total(-systolic > repeat),
        assess_right=total(systolic > assess),
        assess_left=total(-systolic > assess),
        compares_again=asked & (largest >= limits.arm_difference_mmhg),
        borderline=asked & (counts > 1) & (np.abs(largest - limits.arm_difference_mmhg) < TOO_NEAR_MMHG),
    )


def newest_day(columns: BatchColumns, bounds: Array, counts: Array) -> Array:
    """The newest day of each set's pairs, 0 where there are none."""
    newest = np.zeros(len(counts), dtype=np.int64)
    some = counts > 0
    if some.any():
        newest[some] = np.maximum.reduceat(columns.pair_days, bounds[:-1][some])
    return newest


def total_of_floats(values: Array, bounds: Array) -> Array:
    """Sums over each set's pairs, near enough to tell which need the core's own. A sum of one is exact."""
    sums = np.zeros(len(bounds) - 1)
    some = np.diff(bounds) > 0
    if some.any():
        sums[some] = np.add.reduceat(values, bounds[:-1][some])
    return sums
