"""Belief about the usual pressure from visits: the normal distribution of two pressures, in closed form and in plain Python.

The two-dimensional distribution is an integral over the correlation, taken with six or ten fixed Gauss-Legendre points. Terms
that depend on the correlation alone are computed once for it. Each further pair of limits then costs one exponential a point.

Two-by-two symmetric matrices are plain triples: systolic variance, covariance, diastolic variance (mmHg²).
"""

from __future__ import annotations

from functools import cache, lru_cache
from math import asin, cos, erfc, exp, floor, pi, sin, sqrt

import msgspec

from quietcuff.core.model.fields import four_decimals_half_up, from_ten_thousandths
from quietcuff.core.rulebook.variability import Settling

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


SIX_POINTS_UP_TO = 0.7
FAR = 6.2
ROOT_HALF = sqrt(0.5)

Plane = tuple[tuple[float, float, float], ...]


# One evaluation asks for many pairs of limits under few correlations, and so do evaluations after it.
@lru_cache(maxsize=8192)
def plane(correlation: float) -> Plane:
    """Terms that all pairs of limits share under one correlation: for each point 2·sin θ, 1/(2·cos² θ) and its weight.

    Accurate to 1e-9 for correlations from -0.9 to 0.9.
    """
    half = 0.5 * asin(correlation)
    terms = []
    for point, weight in gauss_legendre(6 if abs(correlation) <= SIX_POINTS_UP_TO else 10):
        angle = half * (1 + point)
        sine, cosine = sin(angle), cos(angle)
        terms.append((2 * sine, 0.5 / (cosine * cosine), 0.5 * half * weight / pi))
    return tuple(terms)


def both_below(first: float, second: float, shared: Plane) -> float:
    """The chance that two standard normal values are below their limits, which may be infinite.

    Zero and zero give 1/4 + asin(r)/2π. Far out, where the correlation adds less than 1e-9, it is left out.
    Source: [PLACKETT54], the derivative by the correlation, integrated over its arcsine.
    """
    total = 0.25 * erfc(-first * ROOT_HALF) * erfc(-second * ROOT_HALF)
    if not (-FAR < first < FAR and -FAR < second < FAR):
        return total
    squares, product = first * first + second * second, first * second
    # Nearly every correlation takes six points, and one expression for them is far cheaper than going round six times.
    if len(shared) == 6:
        (a, b, c), (d, e, f), (g, h, i), (j, k, l), (m, n, o), (p, q, r) = shared  # noqa: E741
        return (
            total
            + c * exp((product * a - squares) * b)
            + f * exp((product * d - squares) * e)
            + i * exp((product * g - squares) * h)
            + l * exp((product * j - squares) * k)
            + o * exp((product * m - squares) * n)
            + r * exp((product * p - squares) * q)
        )
    for doubled_sine, shrink, weight in shared:
        total += weight * exp((product * doubled_sine - squares) * shrink)
    return total


@cache
def gauss_legendre(count: int) -> tuple[tuple[float, float], ...]:
    """The points and weights of Gauss-Legendre quadrature on [-1, 1], by Newton's method on Legendre's polynomial."""
    found = []
    for place in range(count):
        point = cos(pi * (place + 0.75) / (count + 0.5))
        for _ in range(10):
            value, slope = legendre(count, point)
            point -= value / slope
        slope = legendre(count, point)[1]
        found.append((point, 2 / ((1 - point * point) * slope * slope)))
    return tuple(found)


def legendre(degree: int, at: float) -> tuple[float, float]:
    """Legendre's polynomial and its derivative at a point inside (-1, 1)."""
    before, value = 1.0, at
    for k in range(2, degree + 1):
        before, value = value, ((2 * k - 1) * at * value - (k - 1) * before) / k
    return value, degree * (at * value - before) / (at * at - 1)


Matrix = tuple[float, float, float]


def from_deviations(systolic: float, diastolic: float, correlation: float) -> Matrix:
    """The covariance of two pressures with these standard deviations: 7.5, 4.2, 0.6 give (56.25, 18.9, 17.64)."""
    return systolic * systolic, correlation * systolic * diastolic, diastolic * diastolic


def added(one: Matrix, other: Matrix) -> Matrix:
    """The sum of two matrices."""
    return one[0] + other[0], one[1] + other[1], one[2] + other[2]


def scaled(matrix: Matrix, times: float) -> Matrix:
    """A matrix times a number."""
    return matrix[0] * times, matrix[1] * times, matrix[2] * times


def inverse(matrix: Matrix) -> Matrix:
    """The inverse: of a covariance the precision, and back."""
    systolic, both, diastolic = matrix
    determinant = systolic * diastolic - both * both
    return diastolic / determinant, -both / determinant, systolic / determinant


def applied(matrix: Matrix, systolic: float, diastolic: float) -> tuple[float, float]:
    """A matrix times a pair of pressures."""
    return matrix[0] * systolic + matrix[1] * diastolic, matrix[1] * systolic + matrix[2] * diastolic


TWO_SIDED_95 = 1.959963984540054

Limits = tuple[float, float]


class Visit(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One day's value and its covariance around the usual pressure: visits vary, and readings within one."""

    systolic: float
    diastolic: float
    covariance: Matrix


class Evidence(msgspec.Struct, frozen=True, gc=False):
    """Precision and precision times mean: evidence is added up, that of a visit, of a prior, or of none."""

    precision: Matrix = (0.0, 0.0, 0.0)
    information: tuple[float, float] = (0.0, 0.0)

    def times(self, count: int) -> Evidence:
        """The same evidence so many times over."""
        return Evidence(scaled(self.precision, count), (count * self.information[0], count * self.information[1]))

    def __add__(self, other: Evidence) -> Evidence:
        (first, both, second), (along, across) = self.precision, self.information
        more, beside = other.precision, other.information
        return Evidence((first + more[0], both + more[1], second + more[2]), (along + beside[0], across + beside[1]))


class Belief(msgspec.Struct, frozen=True, gc=False):
    """The usual pressure as far as it is known: means and standard deviations in mmHg, and their correlation."""

    systolic: float
    systolic_sd: float
    diastolic: float
    diastolic_sd: float
    correlation: float


def evidence_of(systolic: float, diastolic: float, covariance: Matrix) -> Evidence:
    """The evidence of a value with its covariance."""
    precision = inverse(covariance)
    return Evidence(precision, applied(precision, systolic, diastolic))


def evidence_of_visits(visits: list[Visit]) -> Evidence:
    """The evidence of all visits together; there is at least one."""
    first, *others = visits
    total = evidence_of(first.systolic, first.diastolic, first.covariance)
    for visit in others:
        total += evidence_of(visit.systolic, visit.diastolic, visit.covariance)
    return total


def believe(evidence: Evidence, varies: Limits = (1.0, 1.0)) -> Belief:
    """The belief from evidence: C = (T⁻¹ + Σ Vᵢ⁻¹)⁻¹, m = C·(T⁻¹m₀ + Σ Vᵢ⁻¹xᵢ).

    ``varies`` multiplies each pressure's variance where visits vary more than expected. One untreated visit of two readings at
    138/88, without a prior, gives 138 ± 8.1859 and 88 ± 5.2466, correlation 0.4689.
    """
    return belief_of(evidence.precision, evidence.information, varies)


def believe_both(one: Evidence, other: Evidence, varies: Limits) -> Belief:
    """The belief from two pieces of evidence together."""
    (first, both, second), (along, across) = one.precision, one.information
    more, beside = other.precision, other.information
    precision, information = (first + more[0], both + more[1], second + more[2]), (along + beside[0], across + beside[1])
    return belief_of(precision, information, varies)


def belief_of(precision: Matrix, information: tuple[float, float], varies: Limits) -> Belief:
    """The belief from precision and information."""
    first, both, second = precision
    along, across = information
    determinant = first * second - both * both
    first, both, second = second / determinant, -both / determinant, first / determinant
    return Belief(
        first * along + both * across,
        sqrt(first * varies[0]),
        both * along + second * across,
        sqrt(second * varies[1]),
        both / sqrt(first * second),
    )


def chance_reached(belief: Belief, limits: Limits) -> float:
    """The chance that the usual systolic or the usual diastolic pressure is at or above its limit; infinity is no limit.

    At 138/88 ± 8.1859/5.2466 with correlation 0.4689 the chance of 140/90 is 0.541925: either more often than each alone.
    """
    systolic = (limits[0] - belief.systolic) / belief.systolic_sd
    diastolic = (limits[1] - belief.diastolic) / belief.diastolic_sd
    return 1 - both_below(systolic, diastolic, plane(belief.correlation))


def chances_of_each(belief: Belief, limits: Limits) -> tuple[float, float]:
    """The chance for each pressure by itself."""
    return (
        0.5 * erfc(-((belief.systolic - limits[0]) / belief.systolic_sd) * ROOT_HALF),
        0.5 * erfc(-((belief.diastolic - limits[1]) / belief.diastolic_sd) * ROOT_HALF),
    )


def excess_variation(visits: list[Visit], rules: Settling) -> Limits:
    """Factor for each pressure's variance: Q/(k - 1) where visits vary more than chance allows, else 1.

    Q = Σ (xᵢ - x̄)²/Vᵢ over k visits, k at least four, compared with chi-square of k - 1 degrees of freedom at 0.01.
    """
    if len(visits) < rules.vary_from_visits:
        return 1.0, 1.0
    systolic = [(visit.systolic, visit.covariance[0]) for visit in visits]
    diastolic = [(visit.diastolic, visit.covariance[2]) for visit in visits]
    return excess_of(systolic, rules.vary_below_chance), excess_of(diastolic, rules.vary_below_chance)


def excess_of(values: list[tuple[float, float]], below_chance: float) -> float:
    """Q/(k - 1) of values with their variances, or 1 where chance alone may do that."""
    weights = sum(1 / variance for _, variance in values)
    centre = sum(value / variance for value, variance in values) / weights
    scatter = sum((value - centre) ** 2 / variance for value, variance in values)
    freedom = len(values) - 1
    return scatter / freedom if chance_above(scatter, freedom) < below_chance else 1.0


def chance_above(chi_square: float, freedom: int) -> float:
    """The chance that chi-square is larger: 11.3449 with 3 degrees of freedom gives 0.01."""
    half = chi_square / 2
    if freedom % 2:
        total, term, first = erfc(sqrt(half)), 2 * sqrt(half / pi) * exp(-half), 3
    else:
        total, term, first = exp(-half), half * exp(-half), 4
    for degrees in range(first, freedom + 1, 2):
        total += term
        term *= 2 * half / degrees
    return total


def moments_of(parts: list[tuple[float, float, float]]) -> tuple[float, float]:
    """The mean and the standard deviation of parts, each a share, a mean and a standard deviation."""
    if len(parts) == 1:
        return parts[0][1:]
    mean = variance = 0.0
    for share, middle, _ in parts:
        mean += share * middle
    for share, middle, sd in parts:
        variance += share * (sd * sd + (middle - mean) ** 2)
    return mean, sqrt(variance)


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
