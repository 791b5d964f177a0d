"""What conditions do to the measured pressures and to the labels, by simulation over the published ranges of their effects.

Nothing is ever subtracted from anybody: the figures are of the clinic.
"""

from __future__ import annotations

import msgspec
import numpy as np

from quietcuff.analytics.quality.arrays import Array
from quietcuff.core.rulebook.rulebook import Effect, Guideline

DRAWS = 100


class Drawn(msgspec.Struct, frozen=True, kw_only=True):
    """A figure with its mean over the draws, and the 2.5th and 97.5th percentile."""

    mean: float
    low: float
    high: float


class Moved(msgspec.Struct, frozen=True, kw_only=True):
    """Labels that are too high and too low, as a number of sittings. ``either`` is their sum."""

    too_high: Drawn
    too_low: Drawn
    either: Drawn


def drawn(values: Array) -> Drawn:
    """The mean and the middle 95 % of draws."""
    low, high = np.percentile(values, [2.5, 97.5])
    return Drawn(mean=float(np.mean(values)), low=float(low), high=float(high))


def ranks(guideline: Guideline, systolic: Array, diastolic: Array) -> Array:
    """The row of the guideline that each pair of pressures reaches, as whole mmHg; the higher row decides."""
    values = {"systolic_mmhg": np.floor(systolic + 0.5), "diastolic_mmhg": np.floor(diastolic + 0.5)}
    rank = np.zeros(len(systolic), np.int8)
    for place, row in enumerate(guideline.rows):
        for name, value in values.items():
            edge = getattr(row, name)
            if edge is not None:
                reached = value > edge if row.edge == "above" else value >= edge
                rank[reached] = np.maximum(rank[reached], place)
    return rank


def effect_range(effect: Effect, pressure: str) -> tuple[float, float]:
    """The published range of an effect in mmHg, nought where none was published."""
    found = effect.systolic_mmhg if pressure == "systolic" else effect.diastolic_mmhg
    return (0.0, 0.0) if found is None else found


def draw_effects(effects: list[Effect], draws: int, seed: int) -> Array:
    """The true mean effect of each condition in each draw: uniform over its range, both pressures at the same place in it.

    By draw, condition, pressure.
    """
    place = np.random.default_rng(seed).random((draws, len(effects)))
    ends = np.array([[effect_range(effect, pressure) for pressure in ("systolic", "diastolic")] for effect in effects])
    if not effects:
        return np.zeros((draws, 0, 2))
    return np.asarray(ends[None, :, :, 0] + place[:, :, None] * (ends[None, :, :, 1] - ends[None, :, :, 0]))


def mean_shift(shares: Array, amounts: Array) -> tuple[Drawn, Drawn]:
    """The shift of the clinic's mean, in each draw Σ share·effect over the conditions, of the systolic and of the diastolic."""
    shifts = np.einsum("c,dcp->dp", shares, amounts)
    return drawn(shifts[:, 0]), drawn(shifts[:, 1])


def labels_moved(guideline: Guideline, values: tuple[Array, Array], patterns: Array, amounts: Array, weight: float) -> Moved:
    """How many labels the conditions move: in each draw, the label as measured against the one without their effects.

    ``patterns`` says which sitting had which condition (sittings by conditions); each sitting stands for ``weight``.
    """
    held = ~np.isnan(values[0] + values[1])
    systolic, diastolic, had = values[0][held], values[1][held], patterns[held].astype(float)
    measured = ranks(guideline, systolic, diastolic)
    too_high, too_low = np.zeros(len(amounts)), np.zeros(len(amounts))
    for place, amount in enumerate(amounts):
        shift = had @ amount
        without = ranks(guideline, systolic - shift[:, 0], diastolic - shift[:, 1])
        too_high[place] = weight * np.count_nonzero(without < measured)
        too_low[place] = weight * np.count_nonzero(without > measured)
    return Moved(too_high=drawn(too_high), too_low=drawn(too_low), either=drawn(too_high + too_low))


def labels_changed(
    guideline: Guideline, values: tuple[Array, Array], others: list[tuple[Array, Array]], weight: float
) -> Moved:
    """How many labels differ between the pressures as they stand and each of some other versions of them."""
    held = ~np.isnan(values[0] + values[1])
    measured = ranks(guideline, values[0][held], values[1][held])
    without = [ranks(guideline, systolic[held], diastolic[held]) for systolic, diastolic in others]
    too_high = np.array([weight * np.count_nonzero(rank < measured) for rank in without])
    too_low = np.array([weight * np.count_nonzero(rank > measured) for rank in without])
    return Moved(too_high=drawn(too_high), too_low=drawn(too_low), either=drawn(too_high + too_low))
