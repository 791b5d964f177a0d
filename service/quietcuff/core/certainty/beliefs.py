"""Belief about the usual pressure from visits: the normal distribution of two pressures, in closed form and in plain Python.

The two-dimensional distribution is an integral over the correlation, taken with six or ten fixed Gauss-Legendre points. Terms
that depend on the correlation alone are computed once for it. Each further pair of limits then costs one exponential a point.

Two-by-two symmetric matrices are plain triples: systolic variance, covariance, diastolic variance (mmHg²).
"""

from __future__ import annotations

from functools import cache, lru_cache
from math import asin, cos, erfc, exp, pi, sin, sqrt

import msgspec

from quietcuff.core.rulebook.variability import Settling

SIX_POINTS_UP_TO = 0.7
FAR = 6.2
ROOT_HALF = sqrt(0.5)

Plane = tuple[tuple[float, float, float], ...]
Limits = tuple[float, float]


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
    return each_below(0.0, 1.0, 0.0, 1.0, [(first, second)], shared)[0]


def each_below(across: float, across_sd: float, down: float, down_sd: float, edges: list[Limits], shared: Plane) -> list[float]:
    """The same of two normal values with these means and standard deviations, for each pair of limits."""
    # Nearly every correlation takes six points, and one expression for them is far cheaper than going round six times.
    if len(shared) != 6:
        return [below_by_points((edge - across) / across_sd, (limit - down) / down_sd, shared) for edge, limit in edges]
    (a, b, c), (d, e, f), (g, h, i), (j, k, l), (m, n, o), (p, q, r) = shared  # noqa: E741
    found = []
    for edge, limit in edges:
        # Both the other way round, which the squares and the product do not show.
        first, second = (across - edge) / across_sd, (down - limit) / down_sd
        total = 0.25 * erfc(first * ROOT_HALF) * erfc(second * ROOT_HALF)
        if -FAR < first < FAR > second > -FAR:
            squares, product = first * first + second * second, first * second
            total = (
                total
                + c * exp((product * a - squares) * b)
                + f * exp((product * d - squares) * e)
                + i * exp((product * g - squares) * h)
                + l * exp((product * j - squares) * k)
                + o * exp((product * m - squares) * n)
                + r * exp((product * p - squares) * q)
            )
        found.append(total)
    return found


def below_by_points(first: float, second: float, shared: Plane) -> float:
    """The chance of one pair of limits by any number of points."""
    total = 0.25 * erfc(-first * ROOT_HALF) * erfc(-second * ROOT_HALF)
    if not (-FAR < first < FAR and -FAR < second < FAR):
        return total
    squares, product = first * first + second * second, first * second
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


def multiplied(one: Matrix, other: Matrix) -> tuple[float, float, float, float]:
    """The product of two matrices, row by row: it is not symmetric."""
    (first, below), (beside, last) = applied(one, other[0], other[1]), applied(one, other[1], other[2])
    return first, beside, below, last


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


class BeliefSpread(msgspec.Struct, frozen=True, gc=False):
    """The part of a belief that its precision says: covariance (mmHg²), standard deviations, and correlation.

    ``across`` and ``down`` are 1/(sd·√2) of the two pressures.
    """

    covariance: Matrix
    systolic_sd: float
    diastolic_sd: float
    correlation: float
    across: float
    down: float

    def belief(self, along: float, across: float) -> Belief:
        """The belief of so much information, precision times mean."""
        first, both, second = self.covariance
        return Belief(
            first * along + both * across,
            self.systolic_sd,
            both * along + second * across,
            self.diastolic_sd,
            self.correlation,
        )


def spread_of(precision: Matrix, varies: Limits) -> BeliefSpread:
    """The spread of a belief, from its precision."""
    first, both, second = inverse(precision)
    systolic_sd, diastolic_sd, correlation = sqrt(first * varies[0]), sqrt(second * varies[1]), both / sqrt(first * second)
    across, down = ROOT_HALF / systolic_sd, ROOT_HALF / diastolic_sd
    return BeliefSpread((first, both, second), systolic_sd, diastolic_sd, correlation, across, down)


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
    return spread_of(evidence.precision, varies).belief(*evidence.information)


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
