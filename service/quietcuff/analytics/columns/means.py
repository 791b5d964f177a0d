"""The mean of the readings that count, in whole hundredths, so that every figure is exact."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietcuff.analytics.columns.block import SetBlock, at_place
from quietcuff.analytics.columns.codes import NO_POSITION, Array, any_of
from quietcuff.analytics.columns.made import BatchRules
from quietcuff.analytics.columns.people import InForceColumns


@dataclass(frozen=True, slots=True)
class MeanColumns:
    """The result of each set that has one; mmHg, with a row a pressure, systolic first. ``first`` and ``last`` are the places
    of the first and last reading that counts."""

    has: Array
    reported: Array
    mean: Array
    deviation: Array
    pulse: Array
    count: Array
    site: Array
    position: Array
    first: Array
    last: Array


def estimate(block: SetBlock, counted: Array, rules: InForceColumns, made: BatchRules) -> MeanColumns:
    """The result of the readings that count. Where there are none, nothing in it means anything."""
    measured = block.measured
    count = counted.sum(axis=0).astype(np.int64)
    safe = np.maximum(count, 1)
    values = np.stack([measured.systolic, measured.diastolic]).astype(np.int64) * counted
    sums, squares = values.sum(axis=1), (values * values).sum(axis=1)
    mean = exact_mean(sums, safe)
    rounded = round_half_up(sums, safe)
    first, last = np.argmax(counted, axis=0), len(counted) - 1 - np.argmax(counted[::-1], axis=0)
    return MeanColumns(
        has=count > 0,
        reported=np.where(made.protocols.rounds[rules.protocol], rounded, mean),
        mean=mean,
        deviation=sample_deviation(sums, squares, count),
        pulse=mean_pulse(measured.pulse, counted),
        count=count,
        site=at_place(measured.site, first),
        position=shared_position(measured.position, counted, at_place(measured.position, first)),
        first=first,
        last=last,
    )


def round_half_up(sums: Array, count: Array) -> Array:
    """The mean of hundredths as a whole number, halves up."""
    return (2 * sums + 100 * count) // (200 * count)


def exact_mean(sums: Array, count: Array) -> Array:
    """The mean of hundredths in mmHg to four decimals, half to even."""
    quotient, rest = np.divmod(100 * sums, count)
    doubled = 2 * rest
    up = (doubled > count) | ((doubled == count) & (quotient % 2 == 1))
    return (quotient + up) / 10_000


def sample_deviation(sums: Array, squares: Array, count: Array) -> Array:
    """The sample standard deviation to four decimals, half up; NaN for fewer than two readings."""
    scatter = count * squares - sums * sums
    target = 40_000 * scatter // np.maximum(count * (count - 1), 1)
    root = np.sqrt(target.astype(np.float64)).astype(np.int64)
    root -= root * root > target
    root += (root + 1) * (root + 1) <= target
    return np.where(count < 2, np.nan, (root + 1) // 2 / 10_000)


def mean_pulse(pulse: Array, counted: Array) -> Array:
    """The mean pulse of those that were told, as a whole number; NaN where none was."""
    told = counted & ~np.isnan(pulse)
    count = told.sum(axis=0)
    sums = np.rint(100 * np.where(told, pulse, 0)).astype(np.int64).sum(axis=0)
    return np.where(count > 0, round_half_up(sums, np.maximum(count, 1)), np.nan)


def shared_position(position: Array, counted: Array, first: Array) -> Array:
    """The position that all readings share, else not recorded."""
    differs = any_of(counted & (position != first))
    return np.where(differs, NO_POSITION, first)
