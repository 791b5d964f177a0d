"""The arithmetic of certainty, against checks worked out beforehand by quadrature and simulation."""

from __future__ import annotations

import math
from datetime import date

import msgspec
import numpy as np
import pytest
from scipy.stats import chi2, norm

from quietcuff.core.certainty.beliefs import (
    Belief,
    Evidence,
    Visit,
    added,
    believe,
    chance_above,
    chance_reached,
    chances_of_each,
    evidence_of,
    evidence_of_visits,
    excess_of,
    excess_variation,
    from_deviations,
    inverse,
)
from quietcuff.core.certainty.certainty import row_in_doubt
from quietcuff.core.certainty.mixture import (
    Mixture,
    PriorPart,
    believe_with,
    chance_of_each,
    chance_of_either,
    margins_of,
    middle_95,
)
from quietcuff.core.certainty.quantiles import quantile
from quietcuff.core.certainty.settling import LabelEdges, chance_of_label, chances_to_settle, edges_of, fewest, is_likely
from quietcuff.core.certainty.sitting_value import SittingValue
from quietcuff.core.certainty.visits import Circumstances, between_visits, mean_factor, measure, visits_by_day, within_sitting
from quietcuff.core.model.fields import four_decimals_half_up
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.core.rulebook.variability import Variability
from quietcuff.rules.catalog import load_rulebook

NO_LIMIT = math.inf


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


@pytest.fixture(scope="module")
def rules(rulebook: Rulebook) -> Variability:
    return rulebook.variability


def office(between: str = "office-untreated", *, irregular: bool = False) -> Circumstances:
    return Circumstances(setting="office", attendance="attended", site="left-upper-arm", between=between, irregular=irregular)


def visits(rules: Variability, *values: tuple[float, float, int]) -> list[Visit]:
    """One untreated office visit a month: systolic, diastolic and the number of readings of each."""
    measured = [
        measure(
            SittingValue(systolic_mmhg=systolic, diastolic_mmhg=diastolic, readings=readings, rule="all"),
            date(2026, 1 + place, 5),
            1,
            office(),
            rules,
            irregular=False,
        )
        for place, (systolic, diastolic, readings) in enumerate(values)
    ]
    return visits_by_day(measured, office(), rules)


# The normal distributions that the check table was worked out with, one for each of two ages.
NORMAL_PRIORS = {
    "40-59": PriorPart(share=1, systolic=125.4, diastolic=76.8, covariance=from_deviations(15.9, 9.9, 0.69)),
    "18-39": PriorPart(share=1, systolic=114.4, diastolic=69.4, covariance=from_deviations(9.6, 9.6, 0.69)),
}


def weighed(rules: Variability, *values: tuple[float, float, int], prior: str | None = None) -> Belief:
    known = () if prior is None else (NORMAL_PRIORS[prior],)
    ((share, belief),) = believe_with(known, evidence_of_visits(visits(rules, *values)))
    assert share == 1
    return belief


def alone(belief: Belief) -> Mixture:
    return ((1.0, belief),)


# The check table of the specification: means, deviations with their correlation, P(S), P(D) and P(either).
CHECKS = [
    ([(138, 88, 2)], None, (140, 90), (138, 88), (8.1859, 5.2466, 0.4689), (0.403490, 0.351527, 0.541925)),
    (
        [(138, 88, 2)],
        "40-59",
        (140, 90),
        (135.9286, 85.5922),
        (7.2342, 4.5980, 0.5327),
        (0.286785, 0.168870, 0.353898),
    ),
    (
        [(145, 90, 2), (139, 86, 3)],
        None,
        (140, 90),
        (141.9509, 87.9286),
        (5.7267, 3.6203, 0.4822),
        (0.633322, 0.283604, 0.677750),
    ),
    (
        [(145, 90, 2), (139, 86, 3)],
        "40-59",
        (140, 90),
        (140.2996, 86.7333),
        (5.3682, 3.3853, 0.5158),
        (0.522256, 0.167280, 0.551604),
    ),
    (
        [(137, 85, 2)],
        "18-39",
        (130, 80),
        (128.2271, 81.3098),
        (5.9816, 4.6030, 0.5463),
        (0.383465, 0.612007, 0.679459),
    ),
]


@pytest.mark.parametrize(("values", "prior", "limits", "means", "spread", "chances"), CHECKS)
def test_the_check_table_is_met_to_a_millionth(
    rules: Variability,
    values: list[tuple[float, float, int]],
    prior: str | None,
    limits: tuple[float, float],
    means: tuple[float, float],
    spread: tuple[float, float, float],
    chances: tuple[float, float, float],
) -> None:
    belief = weighed(rules, *values, prior=prior)
    assert (belief.systolic, belief.diastolic) == pytest.approx(means, abs=5e-5)
    assert (belief.systolic_sd, belief.diastolic_sd, belief.correlation) == pytest.approx(spread, abs=5e-5)
    assert (*chances_of_each(belief, limits), chance_reached(belief, limits)) == pytest.approx(chances, abs=1e-6)


def one_pressure(value: float, variance: float, prior: tuple[float, float] | None = None) -> Belief:
    """A belief of a systolic pressure beside which the diastolic says nothing."""
    known = Evidence() if prior is None else evidence_of(prior[0], 80, from_deviations(prior[1], 10, 0))
    return believe(known + evidence_of(value, 80, (variance, 0, 100)))


def visit_variance(between: float, within: float, *counts: int) -> float:
    return 1 / sum(1 / (between**2 + within**2 / count) for count in counts)


# The checks of the plain model: independent readings, one pressure.
PLAIN = {
    "A1": (one_pressure(150, 13.86**2), 0.764699),
    "A2": (one_pressure(150, 13.86**2 / 2), 0.846220),
    "A3": (one_pressure(150, 13.86**2 / 5), 0.946663),
    "C1": (one_pressure(144, visit_variance(8, 5, 3)), 0.680936),
    "C2": (one_pressure(144, visit_variance(8, 5, 3, 3)), 0.747016),
    "C3": (one_pressure(144, visit_variance(8, 5, 2, 3, 1)), 0.782629),
    "C6": (one_pressure(144, visit_variance(8, 5, 3), (125, 15)), 0.466489),
    "C7": (one_pressure(144, visit_variance(8, 5, 3, 3), (125, 15)), 0.596860),
    "C8": (one_pressure(138, visit_variance(8, 5, 2, 2), (125, 15)), 0.248206),
    "B one reading": (one_pressure(142, visit_variance(7.6148, 9.3261, 1), (118.8, 17.5)), 0.291230),
    "B one visit of two": (one_pressure(142, visit_variance(7.6148, 9.3261, 2), (118.8, 17.5)), 0.332769),
    "B two visits of two": (one_pressure(142, visit_variance(7.6148, 9.3261, 2, 2), (118.8, 17.5)), 0.422056),
}


@pytest.mark.parametrize("name", PLAIN)
def test_the_checks_of_the_plain_model_are_met(name: str) -> None:
    """Flat prior or a stated one, systolic limit 140, as worked out with scipy. B has its deviations to four decimals only."""
    belief, expected = PLAIN[name]
    assert chance_reached(belief, (140, NO_LIMIT)) == pytest.approx(expected, abs=1e-6 if name[0] != "B" else 2e-5)


def test_one_pressure_is_judged_by_its_own_limit() -> None:
    """C9: diastolic prior N(75, 10²), between 5, within 3, 92 over two visits of two, limit 90."""
    variance = visit_variance(5, 3, 2, 2)
    known = evidence_of(120, 75, from_deviations(10, 10, 0))
    belief = believe(known + evidence_of(120, 92, (100, 0, variance)))
    assert chance_reached(belief, (NO_LIMIT, 90)) == pytest.approx(0.479403, abs=1e-6)


def test_either_pressure_is_likelier_than_each_and_less_likely_than_independence_has_it() -> None:
    """138/88 over two visits of two, flat, correlation 0.5: 0.49083, not 0.56204."""
    systolic, diastolic = visit_variance(8, 5, 2, 2), visit_variance(5, 3, 2, 2)
    spread = from_deviations(math.sqrt(systolic), math.sqrt(diastolic), 0.5)
    belief = believe(evidence_of(138, 88, spread))
    each = chances_of_each(belief, (140, 90))
    assert each == pytest.approx((0.373203, 0.301269), abs=1e-6)
    assert chance_reached(belief, (140, 90)) == pytest.approx(0.49083, abs=5e-6)
    assert 1 - (1 - each[0]) * (1 - each[1]) == pytest.approx(0.56204, abs=5e-6)


@pytest.mark.parametrize(("visits_made", "half_width"), [(1, 11.665), (2, 8.248), (5, 5.217)])
def test_the_published_half_widths_of_80_per_cent(visits_made: int, half_width: float) -> None:
    """A4: standard deviation 13.86, one reading a visit: half_width away, 0.8 is sure."""
    belief = one_pressure(140 + half_width, 13.86**2 / visits_made)
    assert chance_reached(belief, (140, NO_LIMIT)) == pytest.approx(0.8, abs=2e-5)


@pytest.mark.parametrize("autocorrelation", [0.0, 0.28, 0.3, 0.95])
@pytest.mark.parametrize("count", [1, 2, 3, 5, 60, 300])
def test_the_variance_of_a_mean_is_that_of_its_sum(count: int, autocorrelation: float) -> None:
    by_lag = sum((count - lag) * autocorrelation**lag for lag in range(1, count))
    assert mean_factor(count, autocorrelation) == pytest.approx((count + 2 * by_lag) / count**2, rel=1e-10)


def test_two_readings_leave_this_much_open(rules: Variability) -> None:
    assert within_sitting(2, office(), rules, irregular=False) == pytest.approx(
        (10.7584, 0.12 * math.sqrt(10.7584 * 9.8865), 9.8865), abs=1e-6
    )
    regular, irregular = (within_sitting(2, office(), rules, irregular=each) for each in (False, True))
    assert irregular == pytest.approx([2.25 * each for each in regular])


def test_visits_vary_by_setting_and_group(rules: Variability) -> None:
    assert between_visits(office(), 138, 88, 1, rules) == pytest.approx((56.25, 18.9, 17.64))
    assert between_visits(office("office-treated-or-older"), 138, 88, 1, rules) == pytest.approx((121, 39.6, 36))
    home = Circumstances(setting="home", attendance="attended", site="left-upper-arm", between="home-series", irregular=False)
    assert between_visits(home, 140, 80, 6, rules) == pytest.approx((49, 0.6 * 7 * 3.52, 3.52**2))
    short = between_visits(home, 140, 80, 3, rules)
    assert short == pytest.approx([1.3 * each for each in between_visits(home, 140, 80, 7, rules)])
    assert within_sitting(12, home, rules, irregular=False) == (0, 0, 0)


def test_sittings_of_one_day_are_one_visit(rules: Variability) -> None:
    """Two sittings of two readings on one day leave the day's own variation whole."""
    pair = [
        measure(
            SittingValue(systolic_mmhg=systolic, diastolic_mmhg=85, readings=2, rule="all"),
            date(2026, 5, 4),
            1,
            office(),
            rules,
            irregular=False,
        )
        for systolic in (140, 150)
    ]
    (visit,) = visits_by_day(pair, office(), rules)
    within = within_sitting(2, office(), rules, irregular=False)
    assert visit.systolic == pytest.approx(145)
    half = tuple(each / 2 for each in within)
    assert visit.covariance == pytest.approx(added(between_visits(office(), 145, 85, 1, rules), half))


@pytest.mark.parametrize(
    ("between", "needed", "cautious"),
    [
        ("office-untreated", (10.5, 7.4, 6.1, 5.2, 4.3, 3.3), False),
        ("office-treated-or-older", (14.7, 10.4, 8.5, 7.4, 6.0, 4.7), False),
        ("office-untreated", (17.8, 12.6, 10.3, 8.9, 7.3, 5.6), True),
        ("office-treated-or-older", (26.0, 18.4, 15.0, 13.0, 10.6, 8.2), True),
    ],
)
def test_the_planning_distances_settle_and_less_does_not(
    rules: Variability, between: str, needed: tuple[float, ...], cautious: bool
) -> None:
    """How far from one limit 90 per cent is reached, flat, with two readings at each of so many visits, to 0.1 mmHg; and how
    far a label is settled."""
    at = msgspec.structs.replace(office(between), cautious=cautious)
    within = within_sitting(2, at, rules, irregular=False)
    variance = between_visits(at, 140, 80, 1, rules)[0] + within[0]
    for count, distance in zip((1, 2, 3, 4, 6, 10), needed, strict=True):
        assert norm.ppf(0.9) * math.sqrt(variance / count) == pytest.approx(distance, abs=0.1)
        settled = one_pressure(140 + distance + 0.1, variance / count)
        open_still = one_pressure(140 + distance - 0.1, variance / count)
        assert chance_reached(settled, (140, NO_LIMIT)) >= 0.9 > chance_reached(open_still, (140, NO_LIMIT))


@pytest.mark.parametrize(
    ("distance", "expected"),
    [(0, (0.20, 0.36, 0.46, 0.57)), (6, (0.41, 0.53, 0.60, 0.68)), (10, (0.67, 0.73, 0.76, 0.81))],
)
def test_the_chances_that_further_visits_settle_it(rules: Variability, distance: float, expected: tuple[float, ...]) -> None:
    """After 1, 2, 3 and 5 more visits, untreated, two readings each, one visit so far."""
    settling = msgspec.structs.replace(rules.settling, planned_visits=[1, 2, 3, 5])
    sd = math.sqrt(67.0084)
    found = chances_to_settle(0, [(1, distance, sd)], [(distance, sd, 67.0084)], 67.0084, settling)
    assert [entry.visits for entry in found] == [1, 2, 3, 5]
    assert [entry.chance for entry in found] == pytest.approx(expected, abs=0.006)


def test_the_chance_to_settle_is_what_happens_to_simulated_visits(rules: Variability) -> None:
    """The mean after k more visits is normal around the present one; settled is 90 per cent on either side."""
    rng = np.random.default_rng(20260504)
    sd, visit, distance = 7.2, 67.0084, 4.0
    usual = distance + sd * rng.standard_normal(400_000)
    for entry in chances_to_settle(0, [(1, distance, sd)], [(distance, sd, visit)], visit, rules.settling):
        measured = usual + math.sqrt(visit / entry.visits) * rng.standard_normal(usual.size)
        precision = 1 / sd**2 + entry.visits / visit
        mean = (distance / sd**2 + measured * entry.visits / visit) / precision
        settled = np.abs(mean) * math.sqrt(precision) >= norm.ppf(0.9)
        assert float(settled.mean()) == pytest.approx(entry.chance, abs=0.003)


def test_the_fewest_additions_are_found_as_by_trying_each(rules: Variability) -> None:
    sides = LabelEdges(own=(130, 80), following=(140, 90))

    def after(count: int) -> Mixture:
        return believe_with((), evidence_of_visits(visits(rules, *[(135, 85, 2)] * (1 + count))))

    def settles(count: int) -> bool:
        return is_likely(after(count), sides, 0.9)

    tried = [count for count in range(1, 11) if chance_of_label(after(count), sides) >= 0.9]
    assert fewest(10, settles) == tried[0]
    assert fewest(tried[0] - 1, settles) is None


def test_two_series_of_one_day_are_one_visit_though_only_one_was_corrected(rules: Variability) -> None:
    """At home readings add no error of their own, a correction does: the series without one is that day's level."""
    at = Circumstances(setting="home", attendance="unattended", site="left-upper-arm", between="home-series", irregular=False)
    series = [
        measure(
            SittingValue(systolic_mmhg=systolic, diastolic_mmhg=80, readings=24, rule=rule),
            date(2026, 5, 4),
            7,
            at,
            rules,
            irregular=False,
        )
        for systolic, rule in ((140, "first-dropped"), (132, "all"))
    ]
    for of_day in (series, series[::-1]):
        assert [visit.systolic for visit in visits_by_day(of_day, at, rules)] == [132]


def test_nothing_settles_a_value_on_the_limit(rules: Variability) -> None:
    sides = LabelEdges(own=(140, 90), following=None)
    on_the_limit = [alone(weighed(rules, *[(140, 80, 2)] * (1 + count))) for count in range(11)]
    assert not any(is_likely(mixture, sides, 0.9) for mixture in on_the_limit)


def test_no_number_of_readings_settles_what_is_within_the_variation_of_visits(rules: Variability) -> None:
    """7.5 · 1.2816 = 9.6 mmHg: nearer than that to one limit, not even 300 readings of one visit reach 90 per cent."""
    assert chance_reached(weighed(rules, (149.5, 70, 300)), (140, NO_LIMIT)) < 0.9
    assert chance_reached(weighed(rules, (149.8, 70, 300)), (140, NO_LIMIT)) > 0.9


def test_visits_that_vary_by_chance_change_nothing(rules: Variability) -> None:
    steady = visits(rules, (140, 85, 2), (146, 88, 2), (135, 84, 2), (143, 86, 2))
    assert excess_variation(steady, rules.settling) == (1, 1)
    assert excess_variation(steady[:3], rules.settling) == (1, 1)


def test_visits_that_vary_more_widen_the_pressure_that_varies(rules: Variability) -> None:
    wild = visits(rules, (120, 85, 2), (165, 86, 2), (118, 85, 2), (168, 84, 2))
    systolic, diastolic = excess_variation(wild, rules.settling)
    variance = wild[0].covariance[0]
    mean = (120 + 165 + 118 + 168) / 4
    scatter = sum((value - mean) ** 2 for value in (120, 165, 118, 168)) / variance
    assert (systolic, diastolic) == (pytest.approx(scatter / 3), 1)
    assert chi2.sf(scatter, 3) < 0.01
    narrow, wide = believe(evidence_of_visits(wild)), believe(evidence_of_visits(wild), (systolic, diastolic))
    assert wide.systolic_sd == pytest.approx(narrow.systolic_sd * math.sqrt(systolic))
    assert (wide.diastolic_sd, wide.correlation) == (narrow.diastolic_sd, narrow.correlation)


def test_the_limit_of_chance_is_at_one_in_a_hundred() -> None:
    at_limit = math.sqrt(11.3449 / 2)
    values = [(100 - at_limit, 1.0), (100 + at_limit, 1.0), (100, 1.0), (100, 1.0)]
    assert excess_of(values, 0.0101) > 1
    assert excess_of(values, 0.0099) == 1


@pytest.mark.parametrize("freedom", range(1, 61))
def test_chi_square_agrees_with_scipy(freedom: int) -> None:
    for value in (0.1, 1, 5, 11.3449, 30, 80):
        assert chance_above(value, freedom) == pytest.approx(float(chi2.sf(value, freedom)), rel=1e-10, abs=1e-15)


def test_the_interval_is_the_middle_and_the_device_widens_it(rules: Variability) -> None:
    belief = weighed(rules, (138, 88, 2))
    plain, wide = middle_95(margins_of(alone(belief))), middle_95(margins_of(alone(belief)), 5)
    assert plain.systolic_mmhg == (
        four_decimals_half_up(138 - 1.959964 * 8.185866),
        four_decimals_half_up(138 + 1.959964 * 8.185866),
    )
    half = (wide.systolic_mmhg[1] - wide.systolic_mmhg[0]) / 2
    assert half == pytest.approx(1.959964 * math.hypot(8.185866, 5), abs=1e-4)


# Two parts, as different as those of the survey at 31 years.
TWO_PARTS = (
    PriorPart(share=0.93, systolic=114.2, diastolic=69, covariance=from_deviations(7.5, 8, 0.45)),
    PriorPart(share=0.07, systolic=132, diastolic=79, covariance=from_deviations(19.9, 12, 0.8)),
)


@pytest.mark.parametrize("value", [(118, 74), (140, 84), (150, 88), (170, 84), (210, 130)])
def test_a_mixture_of_beliefs_is_what_drawn_people_come_to(rules: Variability, value: tuple[float, float]) -> None:
    """Usual pressures on a grid of 0.5 mmHg, each as likely as the prior and one visit of two readings make it."""
    measured = evidence_of_visits(visits(rules, (*value, 2)))
    found = believe_with(TWO_PARTS, measured)
    systolic, diastolic = np.meshgrid(np.arange(60, 260, 0.5) + 0.25, np.arange(20, 180, 0.5) + 0.25, indexing="ij")

    def dense(away: tuple[np.ndarray, np.ndarray], matrix: tuple[float, float, float]) -> np.ndarray:
        a, b, c = inverse(matrix)
        return np.sqrt(a * c - b * b) * np.exp(-(a * away[0] ** 2 + 2 * b * away[0] * away[1] + c * away[1] ** 2) / 2)

    prior = sum(p.share * dense((systolic - p.systolic, diastolic - p.diastolic), p.covariance) for p in TWO_PARTS)
    weight = prior * dense((systolic - value[0], diastolic - value[1]), inverse(measured.precision))
    weight /= weight.sum()
    for limits in ((120, 70), (130, 80), (140, 90), (180, 120)):
        either = float(weight[(systolic >= limits[0]) | (diastolic >= limits[1])].sum())
        assert chance_of_either(found, limits) == pytest.approx(either, abs=2e-4)
        each = float(weight[systolic >= limits[0]].sum()), float(weight[diastolic >= limits[1]].sum())
        assert chance_of_each(found, limits) == pytest.approx(each, abs=2e-4)
    low, high = middle_95(margins_of(found)).systolic_mmhg
    assert float(weight[systolic < low].sum()) == pytest.approx(0.025, abs=3e-3)
    assert float(weight[systolic > high].sum()) == pytest.approx(0.025, abs=3e-3)


def test_the_middle_of_two_equal_parts_is_between_them() -> None:
    assert quantile([(0.5, 110, 5), (0.5, 140, 5)], 0.5) == pytest.approx(125, abs=1e-9)
    assert quantile([(1.0, 120, 10)], 0.975) == pytest.approx(120 + 10 * norm.ppf(0.975), abs=1e-9)


def test_one_part_is_the_plain_model(rules: Variability) -> None:
    measured = evidence_of_visits(visits(rules, (138, 88, 2)))
    part = NORMAL_PRIORS["40-59"]
    halves = tuple(msgspec.structs.replace(part, share=0.5) for _ in range(2))
    assert chance_of_either(believe_with(halves, measured), (140, 90)) == pytest.approx(0.353898, abs=1e-6)


def test_what_is_far_from_every_part_is_still_believed(rules: Variability) -> None:
    narrow = (PriorPart(share=1, systolic=100, diastolic=60, covariance=from_deviations(0.5, 0.5, 0)),)
    ((share, belief),) = believe_with(narrow, evidence_of_visits(visits(rules, *[(400, 300, 2)] * 12)))
    assert share == 1 and math.isfinite(belief.systolic)


def test_the_device_part_does_not_shrink(rules: Variability) -> None:
    many = weighed(rules, *[(138, 88, 2)] * 12)
    wide = middle_95(margins_of(alone(many)), 5).systolic_mmhg
    assert (wide[1] - wide[0]) / 2 > 1.959964 * 5


def test_a_row_without_a_limit_takes_the_next_rows(rulebook: Rulebook) -> None:
    rows = rulebook.guidelines["aha-acc-2025"].rows
    assert edges_of(rows) == [(120, 80), (130, 80), (140, 90), (180, 120)]


def test_the_edge_in_doubt_is_the_nearer_one() -> None:
    assert row_in_doubt(2, 4, 0.95, 0.35) == 3
    assert row_in_doubt(2, 4, 0.60, 0.35) == 2
    assert row_in_doubt(0, 2, 1, 0.30) == 1
    assert row_in_doubt(2, 2, 0.7, 0) == 2


@pytest.mark.parametrize(
    ("value", "expected"), [(0.12345, 0.1235), (0.0, 0), (0.99999, 1), (-3.00001, -3), (129.04999, 129.05)]
)
def test_figures_are_published_to_four_decimals(value: float, expected: float) -> None:
    assert four_decimals_half_up(value) == expected
    assert type(four_decimals_half_up(value)) is type(expected)


def test_precision_and_covariance_are_each_others_inverse() -> None:
    matrix = from_deviations(7.5, 4.2, 0.6)
    assert inverse(inverse(matrix)) == pytest.approx(matrix)
