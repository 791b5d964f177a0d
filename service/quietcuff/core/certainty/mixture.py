"""Belief about a usual pressure where the prior is a mixture of normal distributions: again such a mixture."""

from __future__ import annotations

from math import erfc, exp, pi, sqrt

import msgspec

from quietcuff.core.certainty.normal import ROOT_HALF, Matrix
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
from quietcuff.core.model.fields import four_decimals_half_up

NEGLIGIBLE = 1e-7
UPPER_TAIL = 0.975
MOST_STEPS = 60
CLOSE_ENOUGH_MMHG = 1e-6
ROOT_OF_TWO_PI = sqrt(2 * pi)

NO_EVIDENCE = Evidence()

Mixture = tuple[tuple[float, Belief], ...]


class PriorPart(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One normal part of a prior: its share of people, the middle of their usual pressures, and how these spread (mmHg²).

    ``evidence`` is what the part says before measuring; it follows from the others.
    """

    share: float
    systolic: float
    diastolic: float
    covariance: Matrix
    evidence: Evidence = NO_EVIDENCE

    def __post_init__(self) -> None:
        msgspec.structs.force_setattr(self, "evidence", evidence_of(self.systolic, self.diastolic, self.covariance))


Prior = tuple[PriorPart, ...]


def believe_with(prior: Prior, measured: Evidence, varies: Limits = (1.0, 1.0)) -> Mixture:
    """Belief from a prior and measurements; without any part of a prior, from the measurements alone.

    Part k with share w, middle m and spread T gives the belief of T⁻¹ and the measurements. Its new share is proportional to
    w·N(x̄; m, T + C), where x̄ is the measured value and C its covariance.
    """
    if not prior:
        return ((1.0, believe(measured, varies)),)
    shares = shares_of(prior, measured, varies)
    total = 0.0
    for share in shares:
        total += share
    if total <= 0:
        # So far from all parts that their densities vanish: the widest says the least.
        widest = max(prior, key=lambda part: part.covariance[0])
        return ((1.0, believe(widest.evidence + measured, varies)),)
    # Parts of no weight are dropped here, because every chance after this sums over all parts.
    least = NEGLIGIBLE * total
    kept = [(share / total, part) for share, part in zip(shares, prior, strict=True) if share > least]
    whole = 0.0
    for share, _ in kept:
        whole += share
    return tuple([(share / whole, believe(part.evidence + measured, varies)) for share, part in kept])


def shares_of(prior: Prior, measured: Evidence, varies: Limits) -> list[float]:
    """Share of each part of a prior times the density of what was measured under it, up to a constant."""
    # Written out, as are the sums below: a label asks for this some twenty times, and calls would cost more than the figures.
    first, both, second = measured.precision
    along, across = measured.information
    determinant = first * second - both * both
    spread_first, spread_both, spread_second = second / determinant, -both / determinant, first / determinant
    systolic = spread_first * along + spread_both * across
    diastolic = spread_both * along + spread_second * across
    spread_first = spread_first * varies[0]
    spread_both = spread_both * sqrt(varies[0] * varies[1])
    spread_second = spread_second * varies[1]
    shares = []
    for part in prior:
        first, both, second = part.covariance
        first, both, second = first + spread_first, both + spread_both, second + spread_second
        determinant = first * second - both * both
        first, both, second = second / determinant, -both / determinant, first / determinant
        along, across = systolic - part.systolic, diastolic - part.diastolic
        distance = along * (first * along + both * across) + across * (both * along + second * across)
        shares.append(part.share * (sqrt(first * second - both * both) * exp(-0.5 * distance)))
    return shares


def chance_of_either(mixture: Mixture, limits: Limits) -> float:
    """The chance that either usual pressure is at or above its limit."""
    if len(mixture) == 1:
        return chance_reached(mixture[0][1], limits)
    total = 0.0
    for share, belief in mixture:
        total += share * chance_reached(belief, limits)
    return total


def chance_of_each(mixture: Mixture, limits: Limits) -> tuple[float, float]:
    """The chance for each pressure by itself."""
    if len(mixture) == 1:
        return chances_of_each(mixture[0][1], limits)
    systolic = diastolic = 0.0
    first, second = limits
    for share, belief in mixture:
        systolic += share * (0.5 * erfc(-((belief.systolic - first) / belief.systolic_sd) * ROOT_HALF))
        diastolic += share * (0.5 * erfc(-((belief.diastolic - second) / belief.diastolic_sd) * ROOT_HALF))
    return systolic, diastolic


def moments_of_each(mixture: Mixture) -> tuple[Limits, Limits]:
    """The mean and the standard deviation of each pressure, in mmHg."""
    return moments_of(parts_of(mixture, systolic=True)), moments_of(parts_of(mixture, systolic=False))


def moments_of(parts: list[tuple[float, float, float]]) -> tuple[float, float]:
    """The mean and the standard deviation of parts, each a share, a mean and a standard deviation."""
    mean = variance = 0.0
    for share, middle, _ in parts:
        mean += share * middle
    for share, middle, sd in parts:
        variance += share * (sd * sd + (middle - mean) ** 2)
    return mean, sqrt(variance)


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
    mean, sd = moments_of(parts)
    at = mean + (TWO_SIDED_95 if below > 0.5 else -TWO_SIDED_95 if below < 0.5 else 0.0) * sd
    terms = [(share, middle, each, each * ROOT_OF_TWO_PI) for share, middle, each in parts]
    for _ in range(MOST_STEPS):
        excess, slope = -below, 0.0
        for share, middle, each, width in terms:
            z = (at - middle) / each
            excess += share * (0.5 * erfc(-z * ROOT_HALF))
            slope += share * exp(-0.5 * z * z) / width
        low, high = (low, at) if excess > 0 else (at, high)
        step = excess / slope if slope > 0 else high - low
        if abs(step) < CLOSE_ENOUGH_MMHG:
            return at - step
        # Between two parts the density is almost zero and Newton's step leaps out of the bounds: halve them instead.
        after = at - step
        at = after if low < after < high else (low + high) / 2
    return at
