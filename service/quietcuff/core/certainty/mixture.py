"""Belief about a usual pressure where the prior is a mixture of normal distributions: again such a mixture."""

from __future__ import annotations

from math import exp, pi, sqrt

import msgspec

from quietcuff.core.certainty.normal import Matrix, added, applied, inverse, normal
from quietcuff.core.certainty.posterior import (
    TWO_SIDED_95,
    Belief,
    Evidence,
    Limits,
    believe,
    chance_reached,
    chances_of_each,
    evidence_of,
)
from quietcuff.core.model.evaluation import Interval
from quietcuff.core.model.rounding import four_decimals_half_up

NEGLIGIBLE = 1e-7
UPPER_TAIL = 0.975
MOST_STEPS = 60
CLOSE_ENOUGH_MMHG = 1e-6
ROOT_OF_TWO_PI = sqrt(2 * pi)

Mixture = tuple[tuple[float, Belief], ...]


class PriorPart(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One normal part of a prior: its share of people, the middle of their usual pressures, and how these spread (mmHg²)."""

    share: float
    systolic: float
    diastolic: float
    covariance: Matrix


Prior = tuple[PriorPart, ...]


def believe_with(prior: Prior, measured: Evidence, varies: Limits = (1.0, 1.0)) -> Mixture:
    """Belief from a prior and measurements; without any part of a prior, from the measurements alone.

    Part k with share w, middle m and spread T gives the belief of T⁻¹ and the measurements. Its new share is proportional to
    w·N(x̄; m, T + C), where x̄ is the measured value and C its covariance.
    """
    if not prior:
        return ((1.0, believe(measured, varies)),)
    spread = inverse(measured.precision)
    systolic, diastolic = applied(spread, *measured.information)
    spread = (spread[0] * varies[0], spread[1] * sqrt(varies[0] * varies[1]), spread[2] * varies[1])
    shares = [
        part.share * density(systolic - part.systolic, diastolic - part.diastolic, added(part.covariance, spread))
        for part in prior
    ]
    total = sum(shares)
    if total <= 0:
        # So far from all parts that their densities vanish: the widest says the least.
        widest = max(prior, key=lambda part: part.covariance[0])
        return ((1.0, believe(evidence_of_part(widest) + measured, varies)),)
    # Parts of no weight are dropped here, because every chance after this sums over all parts.
    kept = [(share / total, part) for share, part in zip(shares, prior, strict=True) if share > NEGLIGIBLE * total]
    whole = sum(share for share, _ in kept)
    return tuple((share / whole, believe(evidence_of_part(part) + measured, varies)) for share, part in kept)


def evidence_of_part(part: PriorPart) -> Evidence:
    """Evidence of one part of a prior, before measuring."""
    return evidence_of(part.systolic, part.diastolic, part.covariance)


def density(systolic: float, diastolic: float, covariance: Matrix) -> float:
    """Density of a normal distribution around zero at a point, up to a constant."""
    precision = inverse(covariance)
    across, down = applied(precision, systolic, diastolic)
    determinant = precision[0] * precision[2] - precision[1] * precision[1]
    return sqrt(determinant) * exp(-0.5 * (systolic * across + diastolic * down))


def chance_of_either(mixture: Mixture, limits: Limits) -> float:
    """The chance that either usual pressure is at or above its limit."""
    if len(mixture) == 1:
        return chance_reached(mixture[0][1], limits)
    return sum([share * chance_reached(belief, limits) for share, belief in mixture])


def chance_of_each(mixture: Mixture, limits: Limits) -> tuple[float, float]:
    """The chance for each pressure by itself."""
    if len(mixture) == 1:
        return chances_of_each(mixture[0][1], limits)
    systolic = diastolic = 0.0
    for share, belief in mixture:
        across, down = chances_of_each(belief, limits)
        systolic, diastolic = systolic + share * across, diastolic + share * down
    return systolic, diastolic


def moments(mixture: Mixture, *, systolic: bool) -> tuple[float, float]:
    """The mean and the standard deviation of one pressure, in mmHg."""
    parts = parts_of(mixture, systolic=systolic)
    mean = sum([share * middle for share, middle, _ in parts])
    return mean, sqrt(sum([share * (sd * sd + (middle - mean) ** 2) for share, middle, sd in parts]))


def parts_of(mixture: Mixture, *, systolic: bool) -> list[tuple[float, float, float]]:
    """Share, mean and standard deviation of one pressure in each part."""
    if systolic:
        return [(share, belief.systolic, belief.systolic_sd) for share, belief in mixture]
    return [(share, belief.diastolic, belief.diastolic_sd) for share, belief in mixture]


def middle_95(mixture: Mixture, added_sd_mmhg: float = 0.0) -> Interval:
    """Middle 95 per cent of each pressure by itself; ``added_sd_mmhg`` is an error that no further measurement removes."""
    across, down = (ends_of(parts_of(mixture, systolic=which), added_sd_mmhg) for which in (True, False))
    return Interval(systolic_mmhg=across, diastolic_mmhg=down)


def ends_of(parts: list[tuple[float, float, float]], added_sd_mmhg: float) -> tuple[float, float]:
    """Both ends of the middle 95 per cent of one pressure."""
    wide = [(share, middle, sqrt(sd * sd + added_sd_mmhg * added_sd_mmhg)) for share, middle, sd in parts]
    if len(wide) == 1:
        _, middle, sd = wide[0]
        return four_decimals_half_up(middle - TWO_SIDED_95 * sd), four_decimals_half_up(middle + TWO_SIDED_95 * sd)
    return four_decimals_half_up(quantile(wide, 1 - UPPER_TAIL)), four_decimals_half_up(quantile(wide, UPPER_TAIL))


def quantile(parts: list[tuple[float, float, float]], below: float) -> float:
    """The pressure below which a share of the mixture lies, by Newton's method between bounds that always contain it.

    An equal mixture of N(110, 5²) and N(140, 5²) has its middle at 125.
    """
    reach = TWO_SIDED_95 + 6
    low = min([middle - reach * sd for _, middle, sd in parts])
    high = max([middle + reach * sd for _, middle, sd in parts])
    mean = sum([share * middle for share, middle, _ in parts])
    sd = sqrt(sum([share * (each * each + (middle - mean) ** 2) for share, middle, each in parts]))
    at = mean + (TWO_SIDED_95 if below > 0.5 else -TWO_SIDED_95 if below < 0.5 else 0.0) * sd
    for _ in range(MOST_STEPS):
        excess, slope = -below, 0.0
        for share, middle, each in parts:
            z = (at - middle) / each
            excess += share * normal(z)
            slope += share * exp(-0.5 * z * z) / (each * ROOT_OF_TWO_PI)
        low, high = (low, at) if excess > 0 else (at, high)
        step = excess / slope if slope > 0 else high - low
        if abs(step) < CLOSE_ENOUGH_MMHG:
            return at - step
        # Between two parts the density is almost zero and Newton's step leaps out of the bounds: halve them instead.
        after = at - step
        at = after if low < after < high else (low + high) / 2
    return at
