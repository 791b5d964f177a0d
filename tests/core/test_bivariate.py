"""The normal distribution in two dimensions, against independent libraries, identities and printed values."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import ndtr, owens_t
from scipy.stats import multivariate_normal

from quietcuff.core.certainty.beliefs import both_below, gauss_legendre, plane

limits = st.floats(-9, 9)
correlations = st.floats(-0.9, 0.9)


def by_owens_t(first: float, second: float, correlation: float) -> float:
    """The same chance by Owen's function, to about 1e-15; neither limit is zero."""
    root = math.sqrt(1 - correlation**2)
    half = 0.0 if first * second > 0 else 0.5
    return float(
        (ndtr(first) + ndtr(second)) / 2
        - owens_t(first, (second - correlation * first) / (first * root))
        - owens_t(second, (first - correlation * second) / (second * root))
        - half
    )


@given(limits.filter(lambda z: abs(z) > 1e-6), limits.filter(lambda z: abs(z) > 1e-6), correlations)
def test_is_right_to_a_billionth_by_owens_function(first: float, second: float, correlation: float) -> None:
    assert both_below(first, second, plane(correlation)) == pytest.approx(by_owens_t(first, second, correlation), abs=1e-9)


@pytest.mark.parametrize("correlation", [-0.9, -0.6, 0.0, 0.12, 0.38, 0.4689, 0.69, 0.7, 0.71, 0.9])
def test_agrees_with_the_multivariate_normal_of_scipy(correlation: float) -> None:
    both = multivariate_normal([0, 0], [[1, correlation], [correlation, 1]])
    for first in (-2.3, -0.4, 0.0, 0.7, 1.9):
        for second in (-1.7, -0.2, 0.0, 0.5, 2.6):
            expected = both.cdf([first, second], rng=1)
            assert both_below(first, second, plane(correlation)) == pytest.approx(expected, abs=1e-7)


@given(correlations)
def test_both_below_their_means_is_a_quarter_and_an_arcsine(correlation: float) -> None:
    """Sheppard 1899: 1/4 + asin(r)/2π."""
    expected = 0.25 + math.asin(correlation) / (2 * math.pi)
    assert both_below(0.0, 0.0, plane(correlation)) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("first", "second", "correlation", "expected"),
    [
        (0.0, 0.0, 0.5, 1 / 3),
        (0.0, 0.0, -0.5, 1 / 6),
        (0.0, 0.0, math.sqrt(0.5), 3 / 8),
        (1.0, 1.0, 0.0, 0.8413447460685429**2),
        (math.inf, 1.2815515655446004, 0.6, 0.9),
        (-1.2815515655446004, math.inf, 0.6, 0.1),
    ],
    ids=["third", "sixth", "three-eighths", "independent", "no first limit", "no second limit"],
)
def test_closed_forms(first: float, second: float, correlation: float, expected: float) -> None:
    assert both_below(first, second, plane(correlation)) == pytest.approx(expected, abs=1e-9)


@given(limits, limits, correlations)
def test_turning_one_axis_round_turns_the_correlation(first: float, second: float, correlation: float) -> None:
    both = both_below(first, second, plane(correlation)) + both_below(first, -second, plane(-correlation))
    assert both == pytest.approx(float(ndtr(first)), abs=2e-9)
    assert both_below(first, second, plane(correlation)) == both_below(second, first, plane(correlation))


@given(limits, st.floats(0, 3), limits, correlations)
def test_a_higher_limit_is_never_less_likely_to_be_kept(first: float, more: float, second: float, correlation: float) -> None:
    shared = plane(correlation)
    assert both_below(first + more, second, shared) >= both_below(first, second, shared) - 2e-9


@pytest.mark.parametrize("count", [6, 10])
def test_the_quadrature_is_exact_for_the_powers_that_it_must_be(count: int) -> None:
    points = gauss_legendre(count)
    assert sum(weight for _, weight in points) == pytest.approx(2, abs=1e-14)
    for power in range(2 * count):
        expected = 2 / (power + 1) if power % 2 == 0 else 0
        assert sum(weight * point**power for point, weight in points) == pytest.approx(expected, abs=1e-14)
