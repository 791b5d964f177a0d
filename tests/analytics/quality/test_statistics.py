"""Each statistic against scipy, statsmodels, or a worked figure with its source."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.api import WLS
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint

from quietcuff.analytics.quality.charts import funnel, p_chart, runs, shrink
from quietcuff.analytics.quality.density import density_break, displaced, plain_counts, smooth_around
from quietcuff.analytics.quality.digits import last_digit, rounded_shares, scale_step, test_digits
from quietcuff.analytics.quality.intervals import (
    at_least,
    false_discovery,
    mean_interval,
    median_interval,
    share_deviation,
    two_sided,
    wilson,
)
from quietcuff.analytics.quality.repeats import (
    Rounding,
    Spread,
    equal_another,
    expected_identical,
    neighbours,
    never_vary,
)

judge_digits = test_digits
del test_digits


@pytest.fixture
def draws() -> np.random.Generator:
    return np.random.default_rng(20_261_128)


def test_the_interval_of_a_share_is_wilsons() -> None:
    for count, eligible in [(0, 10), (1, 10), (10, 50), (50, 50), (137, 4000)]:
        low, high = proportion_confint(count, eligible, method="wilson")
        assert [float(each) for each in wilson(count, eligible)] == pytest.approx([low, high], abs=1e-12)


def test_an_interval_of_a_share_as_published() -> None:
    """81 of 263 give 0.2553 to 0.3662. Source: Newcombe RG, Stat Med 1998;17:857-872, Table I, method 3 (from memory)."""
    assert [round(float(each), 4) for each in wilson(81, 263)] == [0.2553, 0.3662]


def test_the_interval_of_a_mean_is_students(draws: np.random.Generator) -> None:
    values = draws.normal(130, 17, 57)
    expected = stats.t.interval(0.95, 56, loc=values.mean(), scale=stats.sem(values))
    assert mean_interval(values) == pytest.approx((values.mean(), *expected))


@pytest.mark.parametrize("n", [10, 11, 30, 101, 1000])
def test_the_interval_of_a_median_is_the_binomial_one(draws: np.random.Generator, n: int) -> None:
    values = draws.exponential(70, n)
    median, low, high = median_interval(values)
    expected = stats.quantile_test(values, p=0.5).confidence_interval(confidence_level=0.95)
    assert (median, low, high) == pytest.approx((np.median(values), expected.low, expected.high))


def test_tail_chances_are_binomial() -> None:
    for count, eligible, share in [(0, 20, 0.1), (7, 20, 0.1), (20, 20, 0.9), (300, 2000, 0.15)]:
        assert float(at_least(count, eligible, share)) == pytest.approx(
            stats.binomtest(count, eligible, share, "greater").pvalue
        )
    both = two_sided(np.array([3.0, 12.0]), np.array([20.0, 20.0]), 0.3)
    tails = [stats.binom.cdf([3, 12], 20, 0.3), stats.binom.sf([2, 11], 20, 0.3)]
    assert both == pytest.approx(np.minimum(1, 2 * np.minimum(*tails)))


def test_the_false_discovery_rate_is_that_of_benjamini_and_hochberg(draws: np.random.Generator) -> None:
    p = draws.uniform(0, 1, 40) ** 3
    assert false_discovery(p) == pytest.approx(multipletests(p, method="fdr_bh")[1])
    assert false_discovery(p) == pytest.approx(stats.false_discovery_control(p))


def test_the_worked_example_of_benjamini_and_hochberg() -> None:
    """Four of fifteen are found at 5 %. Source: [BH95], section 3.2, thrombolysis trial (from memory)."""
    p = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0]
    assert int(np.count_nonzero(false_discovery(np.array(p)) <= 0.05)) == 4


@pytest.mark.parametrize("step", [1, 2])
def test_last_digits_are_tested_by_chi_square(draws: np.random.Generator, step: int) -> None:
    digits = last_digit(step * np.rint(draws.normal(130, 17, 3000) / step))
    counts = np.bincount(digits, minlength=10)
    found = judge_digits(counts, step)
    expected = stats.chisquare(counts[::step])
    assert (found.chi_square, found.p) == pytest.approx((expected.statistic, expected.pvalue))
    assert found.cramers_v == pytest.approx(np.sqrt(expected.statistic / (3000 * (found.degrees))))


def test_a_published_share_of_zeros_is_far_from_a_tenth() -> None:
    """Where 78 % of readings in routine care end in 0, V of 1,000 such readings is 0.756, and 76 % were rounded.

    Source of the share: Wen SW et al., J Clin Epidemiol 1993;46:1187-1193 (from memory).
    """
    counts = np.array([780, 24, 25, 24, 25, 24, 25, 24, 25, 24])
    found = judge_digits(counts, 1)
    assert found.cramers_v == pytest.approx(0.7556, abs=0.001)
    assert rounded_shares(counts, 1)[0] == pytest.approx(0.756, abs=0.01)


def test_the_scale_is_told_by_the_digits_and_the_method() -> None:
    even, odd = np.array([0, 2, 4, 6, 8] * 20), np.arange(100) % 10
    by_ear, by_device, silent = np.ones(100), np.zeros(100), np.full(100, -1)
    assert [scale_step(even, each) for each in (by_ear, by_device, silent)] == [2, 1, 2]
    assert [scale_step(odd, each) for each in (by_ear, by_device, silent)] == [1, 1, 1]


def test_rounding_is_told_from_the_digits() -> None:
    """Of 1,000, 300 rounded to tens and 200 to fives leave 500 even: 50 on each digit, 100 more on five, 400 more on zero."""
    counts = np.full(10, 50)
    counts[0] += 300 + 100
    counts[5] += 100
    assert rounded_shares(counts, 1) == pytest.approx((0.3, 0.2))


def test_the_density_on_each_side_is_a_weighted_straight_line(draws: np.random.Generator) -> None:
    """By statsmodels: weighted least squares of the counts in bins of 2 mmHg, over a curve, on their distance."""
    values = np.rint(draws.normal(134, 17, 4000))
    smooth = smooth_around(values, 140)
    assert smooth is not None
    found = density_break(values, np.arange(4000), 140, smooth)
    curve = dict(zip(smooth.from_mmhg, smooth.expected, strict=True))
    height = np.sqrt(curve[138] * curve[140])
    t = np.arange(1, 14, 2)
    edges = []
    for side in (1, -1):
        starts = 140 + (t - 1 if side == 1 else -t - 1)
        counts = [np.count_nonzero((values >= start) & (values < start + 2)) * height / curve[start] for start in starts]
        edges.append(WLS(counts, np.stack([np.ones(7), t], axis=1), weights=1 - t / 14).fit().params[0])
    assert found is not None and found.log_ratio == pytest.approx(np.log(edges[0] / edges[1]))


def test_the_density_test_is_wrong_as_often_as_it_says(draws: np.random.Generator) -> None:
    """At 5 % of 400 clinics without a break about 20 are called, two readings a sitting; and its interval holds nought."""
    called = held = 0
    for _ in range(400):
        level = np.repeat(draws.normal(133, 18, 700), 2)
        values = np.rint(level + draws.normal(0, 4, 1400))
        found = density_break(values, np.repeat(np.arange(700), 2), 140, smooth_around(values, 140))
        assert found is not None
        called += found.p_deficit < 0.05
        held += found.low <= 0 <= found.high
    assert 8 <= called <= 36 and 365 <= held <= 395


@pytest.mark.parametrize(("spread", "threshold"), [(12, 140), (8, 140), (8, 124)])
def test_a_bend_of_the_density_is_no_break(draws: np.random.Generator, spread: float, threshold: int) -> None:
    """Where pressures vary little a threshold lies far out, on a density that bends; 100,000 readings show no jump there."""
    values = np.rint(draws.normal(124, spread, 100_000))
    found = density_break(values, np.arange(100_000), threshold, smooth_around(values, threshold))
    assert found is not None and abs(found.log_ratio) < 0.2


def test_readings_moved_below_a_threshold_are_counted(draws: np.random.Generator) -> None:
    values = np.rint(draws.normal(134, 17, 20_000))
    smooth = smooth_around(values, 140)
    assert smooth is not None and displaced(smooth, 140) < 120
    moved = np.where((values >= 140) & (values <= 144) & (draws.random(20_000) < 0.6), 138, values)
    truly = int(np.count_nonzero(moved != values))
    smooth = smooth_around(moved, 140)
    assert smooth is not None and displaced(smooth, 140) == pytest.approx(truly, rel=0.15)
    below, above, low, high = plain_counts(moved, 140)
    assert (below, above) == (np.isin(moved, range(136, 140)).sum(), np.isin(moved, range(140, 144)).sum())
    assert (low, high) == pytest.approx(proportion_confint(below, below + above, method="wilson"))


def test_sittings_are_clusters(draws: np.random.Generator) -> None:
    """The error of a ratio over clusters against that of a bootstrap of whole sittings."""
    sizes = draws.integers(1, 4, 500)
    counts = draws.binomial(sizes, draws.beta(2, 6, 500)).astype(float)
    resampled = [(c.sum() / s.sum()) for c, s in ((counts[at], sizes[at]) for at in draws.integers(0, 500, (2000, 500)))]
    assert share_deviation(counts, sizes) == pytest.approx(np.std(resampled), rel=0.06)


def test_neighbours_and_repeats_are_those_of_a_sitting() -> None:
    sets = np.array([0, 0, 0, 1, 1, 2, 3, 3])
    systolic = np.array([140, 140, 140, 120, 118, 130, 140, np.nan])
    diastolic = np.array([90, 90, 90, 80, 80, 70, 90, np.nan])
    pairs = neighbours(sets, systolic, diastolic)
    assert pairs.sets.tolist() == [0, 0, 1] and pairs.identical.tolist() == [True, True, False]
    compared, constant = never_vary(pairs, 4)
    assert (compared.tolist(), constant.tolist()) == ([True, True, False, False], [True, False, False, False])


def test_sittings_that_equal_another_are_those_with_the_same_values_in_order(draws: np.random.Generator) -> None:
    """Against a plain dictionary of tuples."""
    sizes = draws.integers(1, 4, 400)
    sets = np.repeat(np.arange(400), sizes)
    systolic, diastolic = (draws.integers(12, 15, len(sets)) * 10.0 for _ in range(2))
    day, observer = draws.integers(0, 3, 400), draws.integers(0, 3, 400)
    seen: dict[tuple[object, ...], list[int]] = {}
    for place in range(400):
        mine = sets == place
        key = (day[place], observer[place], *systolic[mine], *diastolic[mine])
        seen.setdefault(key, []).append(place)
    expected = {place for places in seen.values() if len(places) > 1 for place in places if sizes[place] > 1}
    several, twice = equal_another(sets, systolic, diastolic, day, observer)
    assert several.tolist() == (sizes > 1).tolist()
    assert set(np.flatnonzero(twice).tolist()) == expected and len(expected) > 10


def test_chance_repeats_are_those_of_two_normal_readings() -> None:
    """P(same) of a change with SD 5 on a scale of 1, both pressures unlinked, is the area around nought squared (by scipy)."""
    middle = (np.random.default_rng(1).normal(130, 17, 20_000), np.random.default_rng(2).normal(80, 10, 20_000))
    exact = Rounding(step_mmhg=1, to_tens=0, to_fives=0)
    found = expected_identical(middle, Spread(systolic=5, diastolic=5, correlation=0), (exact, exact), 3)
    # Two rounded values agree with the triangular chance 1 − |d| for a true difference d below one.
    grid = np.linspace(-1, 1, 4001)
    alike = np.trapezoid((1 - np.abs(grid)) * stats.norm.pdf(grid, scale=5), grid)
    assert found == pytest.approx(alike**2, rel=0.08)


def test_limits_of_a_p_chart_are_shewharts_where_months_vary_by_chance() -> None:
    """p̄ 0.2313; limits 0.0524 and 0.4102 for samples of 50. Source: Montgomery DC, Introduction to Statistical Quality
    Control, orange-juice cans, the 30 preliminary samples (figures from memory)."""
    cans = [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6]
    found = p_chart(np.array(cans, float), np.full(30, 50.0))
    assert found.centre == pytest.approx(0.2313, abs=1e-4)
    unit = np.sqrt(found.centre * (1 - found.centre) / 50)
    assert (found.centre - 3 * unit, found.centre + 3 * unit) == pytest.approx((0.0524, 0.4102), abs=2e-4)
    ranges = np.abs(np.diff((np.array(cans) / 50 - found.centre) / unit))
    assert found.sigma_z == pytest.approx(ranges.mean() / 1.128)
    assert found.high[0] == pytest.approx(found.centre + 3 * unit * found.sigma_z)


def test_a_run_of_eight_is_called_and_of_seven_is_not() -> None:
    assert runs(np.array([1] * 7 + [-1] * 4)).sum() == 0
    assert runs(np.array([-1, *[1] * 8, -1, 0])).tolist() == [False, *[True] * 8, False, False]


def test_limits_of_a_funnel_are_those_of_a_normal_distribution(draws: np.random.Generator) -> None:
    """p ± z·√(p(1−p)/n). Source: [SPIEG05], appendix, proportions."""
    sizes = np.array([20.0, 80, 150, 400, 900])
    counts = np.array([4.0, 17, 30, 82, 175])
    found = funnel(counts, sizes)
    target = counts.sum() / sizes.sum()
    for level, low, high in ((0.95, found.low_95, found.high_95), (0.998, found.low_998, found.high_998)):
        lower, upper = stats.norm.interval(level, target, np.sqrt(target * (1 - target) / sizes))
        assert (low, high) == (pytest.approx(np.maximum(lower, 0)), pytest.approx(upper))


def test_one_place_far_off_does_not_make_the_others_stand_out() -> None:
    found = funnel(np.array([200.0, 33, 30, 28, 36, 31]), np.full(6, 300.0))
    assert found.target == pytest.approx((33 + 30 + 28 + 36 + 31) / 1500)
    assert (found.q < 0.05).tolist() == [True, False, False, False, False, False]


def test_shrunken_shares_are_nearer_to_the_truth(draws: np.random.Generator) -> None:
    """With shares drawn from a beta distribution, the weight of the pool is its true size, and errors get smaller."""
    sizes = np.full(400, 40.0)
    truth = draws.beta(4, 16, 400)
    counts = draws.binomial(40, truth).astype(float)
    found = shrink(counts, sizes)
    raw = counts / sizes
    weight = np.median((raw - found) / (found - raw.mean() + 1e-12)) * 40
    assert weight == pytest.approx(20, rel=0.25)
    assert np.mean((found - truth) ** 2) < 0.8 * np.mean((raw - truth) ** 2)
    assert shrink(np.array([10.0, 10, 10]), np.full(3, 100.0)) == pytest.approx([0.1, 0.1, 0.1])
