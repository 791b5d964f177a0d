"""Belief about a usual pressure where the prior is a mixture of normal distributions: again such a mixture."""

from __future__ import annotations

from math import erfc, exp, floor, pi, sqrt

import msgspec

from quietcuff.core.certainty.normal import ROOT_HALF, Matrix, both_below, plane
from quietcuff.core.certainty.posterior import (
    TWO_SIDED_95,
    Belief,
    Evidence,
    Limits,
    believe,
    believe_both,
    chance_reached,
    chances_of_each,
    evidence_of,
)
from quietcuff.core.model.evaluation import Interval
from quietcuff.core.model.fields import four_decimals_half_up, from_ten_thousandths

NEGLIGIBLE = 1e-7
UPPER_TAIL = 0.975
MOST_STEPS = 60
CLOSE_ENOUGH_MMHG = 1e-6
ROOT_OF_TWO_PI = sqrt(2 * pi)

MOST_SERIES_STEPS = 4
# The largest values of the second and fourth derivative of the standard normal distribution, a little more: at z = 1 and 0.74.
LARGEST_SECOND = 0.242
LARGEST_FOURTH = 0.5506
BEND = LARGEST_FOURTH / 24
FAR_MMHG = 5.0
# What is allowed for the last bits, and for how far from the quantile the plain method may end: both are below 1e-10.
NOISE_MMHG = 1e-8
SAFE_WAY_MMHG = 1e-3

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
        return ((1.0, believe_both(widest.evidence, measured, varies)),)
    # Parts of no weight are dropped here, because every chance after this sums over all parts.
    least = NEGLIGIBLE * total
    whole, kept = 0.0, []
    for share, part in zip(shares, prior, strict=True):
        if share > least:
            whole += share / total
            kept.append((share / total, believe_both(part.evidence, measured, varies)))
    return tuple([(share / whole, belief) for share, belief in kept])


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
    first, second = limits
    for share, belief in mixture:
        systolic = (first - belief.systolic) / belief.systolic_sd
        diastolic = (second - belief.diastolic) / belief.diastolic_sd
        total += share * (1 - both_below(systolic, diastolic, plane(belief.correlation)))
    return total


def bounds_of_either(mixture: Mixture, limits: Limits) -> Limits:
    """The least and the most that the chance of either pressure can be, from the chance of each: p and q, p the larger.

    At least p, and at most p + q; where the two rise together at most p + q - pq, by Slepian's inequality: two normal values of
    a positive correlation are both low at least as often as independent ones.
    """
    least = most = 0.0
    first, second = limits
    for share, belief in mixture:
        systolic = 0.5 * erfc((first - belief.systolic) / belief.systolic_sd * ROOT_HALF)
        diastolic = 0.5 * erfc((second - belief.diastolic) / belief.diastolic_sd * ROOT_HALF)
        least += share * (systolic if systolic > diastolic else diastolic)
        most += share * (systolic + diastolic - (systolic * diastolic if belief.correlation >= 0 else 0.0))
    return least, most


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
    """Both ends of the middle 95 per cent of one pressure, to four decimals."""
    wide = [(share, middle, sqrt(sd * sd + added_sd_mmhg * added_sd_mmhg)) for share, middle, sd in parts]
    if len(wide) == 1:
        _, middle, sd = wide[0]
        return four_decimals_half_up(middle - TWO_SIDED_95 * sd), four_decimals_half_up(middle + TWO_SIDED_95 * sd)
    low, high = ends_nearly(wide)
    return rounded_quantile(wide, 1 - UPPER_TAIL, low), rounded_quantile(wide, UPPER_TAIL, high)


def ends_nearly(parts: list[tuple[float, float, float]]) -> tuple[float, float]:
    """Both ends about where they are, from the first four moments. Cornish and Fisher's expansion, two terms."""
    mean = variance = third = fourth = 0.0
    for share, middle, _ in parts:
        mean += share * middle
    for share, middle, sd in parts:
        own, away = sd * sd, middle - mean
        apart = away * away
        variance += share * (own + apart)
        third += share * away * (3 * own + apart)
        fourth += share * (3 * own * own + apart * (6 * own + apart))
    sd = sqrt(variance)
    skewness, excess = third / (variance * sd), fourth / (variance * variance) - 3
    # (z² - 1)/6, (z³ - 3z)/24 and (2z³ - 5z)/36 at z = 1.96.
    middle = mean + sd * 0.473576 * skewness
    half = sd * (TWO_SIDED_95 + 0.068718 * excess - 0.146067 * skewness * skewness)
    return middle - half, middle + half


def rounded_quantile(parts: list[tuple[float, float, float]], below: float, at: float) -> float:
    """The quantile to four decimals, from a pressure near it: steps of the reversed series, until the rounding is certain.

    With F the chance to be below, less ``below``, a step t solves F + F't + F''t²/2 + F'''t³/6 = 0 nearly. What is left of F
    after it is known but for the next term, which is at most t⁴/24 of the largest F'''' that the parts can have; and the
    density is at most the largest F'' of the parts, times the way, less than at the start. Both bound what is left of the way.
    """
    bends, rises = 0.0, 0.0
    terms = []
    for share, middle, sd in parts:
        over = 1 / sd
        terms.append((0.5 * share, middle, over, share * over / ROOT_OF_TWO_PI))
        rises += share * over * over
        bends += share * (over * over) * (over * over)
    for _ in range(MOST_SERIES_STEPS):
        excess, slope, turn, curve = -below, 0.0, 0.0, 0.0
        for half, middle, over, weight in terms:
            z = (at - middle) * over
            excess += half * erfc(-z * ROOT_HALF)
            density = weight * exp(-0.5 * z * z)
            slope += density
            density *= over
            turn -= density * z
            curve += density * over * (z * z - 1)
        # Far out, or between two parts, the plain method finds the way.
        if abs(excess) >= slope * FAR_MMHG:
            break
        first, second = excess / slope, 0.5 * turn / slope
        step = -first * (1 + first * (second + first * (2 * second * second - curve / (6 * slope))))
        way, square = abs(step) + SAFE_WAY_MMHG, step * step
        least = slope - 2 * way * LARGEST_SECOND * rises
        left = abs(excess + step * (slope + step * (0.5 * turn + step * curve / 6))) + BEND * bends * square * square
        at += step
        if left < way * least:
            error = left / least + NOISE_MMHG
            count = floor((at - error) * 10_000 + 0.5)
            if count == floor((at + error) * 10_000 + 0.5):
                return from_ten_thousandths(count)
    return four_decimals_half_up(quantile(parts, below))


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
