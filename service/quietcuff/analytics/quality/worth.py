"""The worth of mending a fault: labels that would be others without it, by simulation on a seeded sample of its sittings."""

from __future__ import annotations

import numpy as np

from quietcuff.analytics.quality.arrays import MOST_SIMULATED, Array, some_of
from quietcuff.analytics.quality.density import displaced, smooth_around
from quietcuff.analytics.quality.faults import FoundFault
from quietcuff.analytics.quality.number_faults import SEED, Numbers, within_parts
from quietcuff.analytics.quality.sets import SittingColumns, in_office, values_of
from quietcuff.analytics.quality.shift import Moved, draw_effects, labels_changed, labels_moved
from quietcuff.analytics.quality.words import QualitySettings
from quietcuff.core.rulebook.rulebook import Effect, Guideline

VERSIONS = 20
AVOIDING_REACH_MMHG = 6


def means_of(sittings: SittingColumns, systolic: Array, diastolic: Array) -> tuple[Array, Array]:
    """The mean of the readings that count in each sitting, of all of them where none does."""
    readings, n = sittings.readings, len(sittings)
    held = ~np.isnan(systolic + diastolic)
    counting = np.bincount(readings.sets, readings.counts & held, n)
    used = held & (readings.counts | (counting[readings.sets] == 0))
    sizes = np.bincount(readings.sets, used, n)
    with np.errstate(invalid="ignore", divide="ignore"):
        return tuple(  # type: ignore[return-value]
            np.bincount(readings.sets, np.where(used, values, 0.0), n) / sizes for values in (systolic, diastolic)
        )


def sample_of(sittings: SittingColumns, mask: Array) -> tuple[SittingColumns, float]:
    """At most 20,000 sittings of a mask, in the office, whose limits the labels are of; and how many each stands for."""
    places, weight = some_of(np.flatnonzero(mask & in_office(sittings)), MOST_SIMULATED, SEED)
    chosen = np.zeros(len(sittings), bool)
    chosen[places] = True
    return sittings.chosen(chosen), weight


def compare(sittings: SittingColumns, versions: list[tuple[Array, Array]], guideline: Guideline, weight: float) -> Moved:
    """The labels of the readings as they stand against those of other versions of the readings."""
    as_written = means_of(sittings, sittings.readings.systolic, sittings.readings.diastolic)
    return labels_changed(guideline, as_written, [means_of(sittings, *version) for version in versions], weight)


def of_effect(found: FoundFault, sittings: SittingColumns, effect: Effect, guideline: Guideline) -> Moved:
    """Labels that the effect moves in the sittings that had the condition; those left without a result count as lost."""
    sample, weight = sample_of(sittings, found.sittings)
    amounts = draw_effects([effect], 4 * VERSIONS, SEED)
    return labels_moved(guideline, values_of(sample), np.ones((len(sample), 1), bool), amounts, weight)


def of_rounding(found: FoundFault, numbers: Numbers, sittings: SittingColumns, guideline: Guideline) -> Moved:
    """Each reading that ends in 0 is, as often as zeros are in excess, put back anywhere within 5 mmHg."""
    sample, weight = sample_of(sittings, found.sittings)
    draws = np.random.default_rng(SEED)
    readings = sample.readings
    expected = numbers.step_mmhg / 10
    versions = []
    for _ in range(VERSIONS):
        version = []
        for values in (readings.systolic, readings.diastolic):
            ends = np.mod(values, 10) == 0
            share = float(np.mean(ends)) if len(ends) else 0.0
            excess = max(0.0, (share - expected) / (1 - expected)) / max(share, 1e-9)
            moved = ends & (draws.random(len(values)) < excess)
            version.append(np.where(moved, values + np.floor(draws.uniform(-5, 5, len(values)) + 0.5), values))
        versions.append((version[0], version[1]))
    return compare(sample, versions, guideline, weight)


def of_copying(found: FoundFault, numbers: Numbers, sittings: SittingColumns, guideline: Guideline) -> Moved:
    """Each reading that repeats the one before is, as often as that is in excess, measured anew with the usual change."""
    sample, weight = sample_of(sittings, found.sittings)
    draws = np.random.default_rng(SEED)
    readings = sample.readings
    repeats = np.zeros(len(readings.sets), bool)
    repeats[1:] = (
        (readings.sets[1:] == readings.sets[:-1])
        & (readings.systolic[1:] == readings.systolic[:-1])
        & (readings.diastolic[1:] == readings.diastolic[:-1])
    )
    excess = max(0.0, found.value - (found.expected or 0.0)) / max(found.value, 1e-9)
    versions = []
    for _ in range(VERSIONS):
        anew = repeats & (draws.random(len(repeats)) < excess)
        changes = draws.standard_normal((2, len(repeats)))
        versions.append(
            (
                readings.systolic + anew * np.rint(changes[0] * numbers.spread.systolic),
                readings.diastolic + anew * np.rint(changes[1] * numbers.spread.diastolic),
            )
        )
    return compare(sample, versions, guideline, weight)


def of_avoiding(found: FoundFault, numbers: Numbers, sittings: SittingColumns, guideline: Guideline) -> Moved:
    """Readings in the 6 mmHg below are, as often as they are too many there, put above by as much as they are below."""
    name, threshold = found.threshold.split()
    limit = int(threshold)
    smooth = smooth_around(numbers.values[name][within_parts(numbers.observer, found.observers)], limit)
    sample, weight = sample_of(sittings, found.sittings)
    readings = sample.readings
    measured = getattr(readings, name)
    with np.errstate(invalid="ignore"):
        suspect = (measured >= limit - AVOIDING_REACH_MMHG) & (measured < limit)
    chance = min(1.0, (displaced(smooth, limit) if smooth else 0.0) / max(1.0, float(np.count_nonzero(suspect)) * weight))
    draws = np.random.default_rng(SEED)
    versions = []
    for _ in range(VERSIONS):
        moved = np.where(suspect & (draws.random(len(suspect)) < chance), limit + draws.integers(0, 4, len(suspect)), measured)
        versions.append((moved, readings.diastolic) if name == "systolic" else (readings.systolic, moved))
    return compare(sample, versions, guideline, weight)


def of_second_arm(found: FoundFault, sittings: SittingColumns, guideline: Guideline, settings: QualitySettings) -> Moved:
    """The arm not measured is higher in half of the people: by the spread between arms, were the higher one used."""
    sample, weight = sample_of(sittings, found.sittings)
    draws = np.random.default_rng(SEED)
    systolic, diastolic = values_of(sample)
    others = []
    for _ in range(VERSIONS):
        higher = np.maximum(0.0, draws.normal(0, settings.inter_arm_sd_mmhg, len(sample)))
        # Where the other arm is the higher one by its systolic pressure, its diastolic is taken too, half as different.
        others.append((systolic + higher, diastolic + higher / 2))
    return labels_changed(guideline, (systolic, diastolic), others, weight)


def lost(found: FoundFault, sittings: SittingColumns) -> float:
    """Sittings of the fault that have no result."""
    return float(np.count_nonzero(found.sittings & np.isnan(sittings.numbers["systolic_mmhg"])))
