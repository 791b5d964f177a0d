"""Belief about the usual pressure from visits and a prior: one normal distribution of two pressures, in closed form."""

from __future__ import annotations

from math import erfc, exp, pi, sqrt

import msgspec

from quietcuff.core.certainty.normal import ROOT_HALF, Matrix, applied, both_below, inverse, plane, scaled
from quietcuff.core.certainty.visits import Visit
from quietcuff.core.rulebook.variability import Settling

TWO_SIDED_95 = 1.959963984540054

Limits = tuple[float, float]


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
