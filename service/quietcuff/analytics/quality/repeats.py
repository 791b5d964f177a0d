"""Readings that repeat: identical neighbours, sittings whose readings never vary, sittings that equal another."""

from __future__ import annotations

import msgspec
import numpy as np

from quietcuff.analytics.quality.arrays import Array
from quietcuff.core.rulebook.variability import WithinSitting

ROUNDS = 20


class Pairs(msgspec.Struct, frozen=True, kw_only=True):
    """Neighbouring readings of one sitting that both have pressures: the sitting, the first's place, and both differences."""

    sets: Array
    first: Array
    systolic_change: Array
    diastolic_change: Array

    @property
    def identical(self) -> Array:
        """Whether both pressures are the same."""
        return np.asarray((self.systolic_change == 0) & (self.diastolic_change == 0))


def neighbours(sets: Array, systolic: Array, diastolic: Array) -> Pairs:
    """Each reading with the one before it, in the order of time within a sitting."""
    together = (sets[1:] == sets[:-1]) & ~np.isnan(systolic[1:] + systolic[:-1] + diastolic[1:] + diastolic[:-1])
    first = np.flatnonzero(together)
    return Pairs(
        sets=sets[first],
        first=first,
        systolic_change=systolic[first + 1] - systolic[first],
        diastolic_change=diastolic[first + 1] - diastolic[first],
    )


class Spread(msgspec.Struct, frozen=True, kw_only=True):
    """The standard deviations of the change from one reading to the next, in mmHg, and the correlation of the two pressures."""

    systolic: float
    diastolic: float
    correlation: float


def spread_of(within: WithinSitting, pairs: Pairs) -> Spread:
    """The change that the rules expect, √2·SD·√(1−autocorrelation), or this clinic's own where that is smaller.

    Its own is of neighbours that differ, so that copied readings do not shrink it.
    """
    expected = [
        np.sqrt(2 * (1 - within.systolic_autocorrelation)) * within.systolic_sd_mmhg,
        np.sqrt(2 * (1 - within.diastolic_autocorrelation)) * within.diastolic_sd_mmhg,
    ]
    differ = ~pairs.identical
    if np.count_nonzero(differ) >= 100:
        own = (pairs.systolic_change[differ], pairs.diastolic_change[differ])
        expected = [min(rule, max(0.5, float(np.std(change)))) for rule, change in zip(expected, own, strict=True)]
    return Spread(systolic=float(expected[0]), diastolic=float(expected[1]), correlation=within.correlation)


class Rounding(msgspec.Struct, frozen=True, kw_only=True):
    """The scale of a device, and the shares of readings that somebody rounds to tens and to fives."""

    step_mmhg: int
    to_tens: float
    to_fives: float


def steps(rounding: Rounding, chance: Array) -> Array:
    """The step on which each pair is written by somebody who rounds as ``chance``, uniform, decides."""
    below_fives = rounding.to_tens + rounding.to_fives
    return np.where(chance < rounding.to_tens, 10, np.where(chance < below_fives, 5, rounding.step_mmhg))


def expected_identical(
    middle: tuple[Array, Array], spread: Spread, rounding: tuple[Rounding, Rounding], seed: int, rounds: int = ROUNDS
) -> float:
    """The share of neighbours that agree in both pressures by chance, simulated from the mean of each pair.

    Changes are normal with that spread, written on the scale of the device, and rounded as often as the last digits say.
    """
    draws = np.random.default_rng(seed)
    agreed, n = 0, len(middle[0])
    for _ in range(rounds):
        one, other = draws.standard_normal((2, n))
        other = spread.correlation * one + np.sqrt(1 - spread.correlation**2) * other
        # Who rounds, rounds the whole sitting: one draw for all of its numbers, which makes more of them agree.
        chance, same = draws.random(n), np.ones(n, bool)
        for mean, change, sd, how in zip(middle, (one, other), (spread.systolic, spread.diastolic), rounding, strict=True):
            step = steps(how, chance)
            # Where the person's own mean lies between two marks is not known.
            true, half = mean + draws.uniform(-0.5, 0.5, n) * step, sd * change / 2
            same &= np.rint((true - half) / step) == np.rint((true + half) / step)
        agreed += int(np.count_nonzero(same))
    return agreed / (rounds * n)


def never_vary(pairs: Pairs, n_sets: int) -> tuple[Array, Array]:
    """Of each sitting, whether it has two readings to compare, and whether all of its readings are the same."""
    compared = np.bincount(pairs.sets, minlength=n_sets)
    same = np.bincount(pairs.sets, pairs.identical, n_sets)
    return compared > 0, (compared > 0) & (same == compared)


def equal_another(sets: Array, systolic: Array, diastolic: Array, day: Array, observer: Array) -> tuple[Array, Array]:
    """Of each sitting, whether it has two readings or more, and whether another of the same observer and day has the very same
    pressures in the same order."""
    n_sets = len(day)
    sizes = np.bincount(sets, minlength=n_sets)
    whole = np.nan_to_num(systolic, nan=0).astype(np.uint64) * np.uint64(1009) + np.nan_to_num(diastolic, nan=0).astype(
        np.uint64
    )
    starts = np.cumsum(sizes) - sizes
    place = np.arange(len(sets)) - starts[sets]
    # One word a sitting; sums that wrap around are as good a fingerprint as any.
    mixed = (whole + np.uint64(1)) * (place.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15) + np.uint64(0xD1B54A32D192ED03))
    sums = np.concatenate([[np.uint64(0)], np.cumsum(mixed, dtype=np.uint64)])
    print_of = sums[starts + sizes] - sums[starts]
    several = sizes >= 2
    key = print_of + (day.astype(np.int64) * 1_000_003 + observer.astype(np.int64)).astype(np.uint64) * np.uint64(
        0xBF58476D1CE4E5B9
    )
    key += sizes.astype(np.uint64)
    ordered = np.sort(key[several])
    twice = ordered[1:][ordered[1:] == ordered[:-1]]
    return several, several & np.isin(key, twice)
