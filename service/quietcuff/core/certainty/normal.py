"""The normal distribution in one and two dimensions, and symmetric 2×2 matrices: plain Python, no random numbers.

The two-dimensional one is an integral over the correlation, taken with six or ten fixed Gauss-Legendre points. The terms that
depend on the correlation alone are computed once for it. Each further pair of limits then costs one exponential for each point.

Two-by-two symmetric matrices are plain triples: systolic variance, covariance, diastolic variance (mmHg²).
"""

from __future__ import annotations

from functools import cache, lru_cache
from math import asin, cos, erfc, exp, pi, sin, sqrt

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
