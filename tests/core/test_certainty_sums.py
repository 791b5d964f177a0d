"""The sums of certainty as they are worked out fast, beside the same formulas written plainly: equal to the last bit.

Answers are stored as bytes and must come out the same again, so no written-out sum may differ from its formula by an ulp.
"""

from __future__ import annotations

import random
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from math import erfc, exp, inf, sqrt

import msgspec
import pytest

from quietcuff.core.certainty.beliefs import (
    Belief,
    Evidence,
    Limits,
    added,
    applied,
    believe,
    both_below,
    evidence_of,
    inverse,
    plane,
)
from quietcuff.core.certainty.mixture import (
    Mixture,
    PriorPart,
    believe_with,
    chance_of_each,
)
from quietcuff.core.certainty.quantiles import cumulants_of, ends_nearly, quantile, rounded_quantile, terms_of
from quietcuff.core.certainty.settling import (
    LabelEdges,
    bounds_of_label,
    bounds_with_prior,
    chance_of_label,
    fewest,
    fewest_visits,
    settles,
)
from quietcuff.core.certainty.sitting_value import SittingValue
from quietcuff.core.certainty.usual_pressure import look_ahead, view_of
from quietcuff.core.certainty.visits import Circumstances, SittingMeasurement, measure
from quietcuff.core.evaluate import evaluate
from quietcuff.core.labels.classification import place_in_rows, rank_in_rows
from quietcuff.core.model.fields import four_decimals_half_up
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.remembered import remembered
from quietcuff.core.rulebook.rulebook import Row, Rulebook
from quietcuff.core.rulebook.variability import Variability
from quietcuff.rules.catalog import load_rulebook
from strategies import Inventor, as_reading_set

DRAWS = range(300)


def normal(z: float) -> float:
    """The chance that a standard normal value is below z: 1.2816 gives 0.9."""
    return 0.5 * erfc(-z * sqrt(0.5))


@pytest.fixture(scope="module")
def rulebook() -> Rulebook:
    return load_rulebook()


def draw_matrix(rng: random.Random) -> tuple[float, float, float]:
    first, second = rng.uniform(2, 20), rng.uniform(2, 12)
    return first * first, rng.uniform(-0.9, 0.9) * first * second, second * second


def draw_prior(rng: random.Random) -> tuple[PriorPart, ...]:
    share = rng.uniform(0.05, 0.95)
    return tuple(
        PriorPart(share=part, systolic=rng.uniform(105, 160), diastolic=rng.uniform(60, 95), covariance=draw_matrix(rng))
        for part in (share, 1 - share)
    )


def plain_belief(evidence: Evidence, varies: Limits) -> Belief:
    covariance = inverse(evidence.precision)
    systolic, diastolic = applied(covariance, *evidence.information)
    return Belief(
        systolic=systolic,
        systolic_sd=sqrt(covariance[0] * varies[0]),
        diastolic=diastolic,
        diastolic_sd=sqrt(covariance[2] * varies[1]),
        correlation=covariance[1] / sqrt(covariance[0] * covariance[2]),
    )


def plain_density(systolic: float, diastolic: float, covariance: tuple[float, float, float]) -> float:
    precision = inverse(covariance)
    across, down = applied(precision, systolic, diastolic)
    determinant = precision[0] * precision[2] - precision[1] * precision[1]
    return sqrt(determinant) * exp(-0.5 * (systolic * across + diastolic * down))


def plain_mixture(prior: tuple[PriorPart, ...], measured: Evidence, varies: Limits) -> Mixture:
    spread = inverse(measured.precision)
    systolic, diastolic = applied(spread, *measured.information)
    spread = (spread[0] * varies[0], spread[1] * sqrt(varies[0] * varies[1]), spread[2] * varies[1])
    weights = [
        part.share * plain_density(systolic - part.systolic, diastolic - part.diastolic, added(part.covariance, spread))
        for part in prior
    ]
    total = weights[0] + weights[1]
    kept = [(weight / total, part) for weight, part in zip(weights, prior, strict=True) if weight > 1e-7 * total]
    whole = sum(share for share, _ in kept)
    return tuple(
        (share / whole, plain_belief(evidence_of(part.systolic, part.diastolic, part.covariance) + measured, varies))
        for share, part in kept
    )


def test_beliefs_are_those_of_the_plain_formulas_to_the_last_bit() -> None:
    rng = random.Random(1)
    for _ in DRAWS:
        measured = evidence_of(rng.uniform(90, 190), rng.uniform(50, 120), draw_matrix(rng))
        varies, prior = rng.choice([(1.0, 1.0), (2.5, 1.75)]), draw_prior(rng)
        assert believe(measured, varies) == plain_belief(measured, varies)
        assert believe_with(prior, measured, varies) == plain_mixture(prior, measured, varies)


def test_chances_are_those_of_the_plain_formulas_to_the_last_bit() -> None:
    rng = random.Random(2)
    for _ in DRAWS:
        measured = evidence_of(rng.uniform(90, 190), rng.uniform(50, 120), draw_matrix(rng))
        mixture = plain_mixture(draw_prior(rng), measured, (1.0, 1.0))
        edge = rng.choice([(140.0, 90.0), (130.0, 80.0), (inf, 85.0), (180.0, inf)])
        each = [
            (
                share,
                normal((belief.systolic - edge[0]) / belief.systolic_sd),
                normal((belief.diastolic - edge[1]) / belief.diastolic_sd),
            )
            for share, belief in mixture
        ]
        wanted = each[0][1:] if len(each) == 1 else tuple(each[0][0] * each[0][at] + each[1][0] * each[1][at] for at in (1, 2))
        assert chance_of_each(mixture, edge) == wanted


@pytest.mark.parametrize("correlation", [-0.9, -0.3, 0.0, 0.4689, 0.69, 0.71, 0.9])
def test_the_joint_chance_is_the_plain_sum_over_its_points(correlation: float) -> None:
    rng, shared = random.Random(3), plane(correlation)
    for _ in DRAWS:
        first, second = rng.uniform(-5, 5), rng.uniform(-5, 5)
        total = normal(first) * normal(second)
        squares, product = first * first + second * second, first * second
        plainly = total
        for doubled_sine, shrink, weight in shared:
            plainly += weight * exp((product * doubled_sine - squares) * shrink)
        # The two chances before the sum are multiplied in another order there, which may cost the last bit.
        assert both_below(first, second, shared) == pytest.approx(plainly, rel=0, abs=4e-16)


def test_a_quantile_holds_its_share() -> None:
    rng = random.Random(4)
    for _ in DRAWS:
        share = rng.uniform(0.02, 0.98)
        parts = [(share, rng.uniform(100, 130), rng.uniform(4, 12)), (1 - share, rng.uniform(120, 160), rng.uniform(4, 12))]
        for below in (0.025, 0.975):
            at = quantile(parts, below)
            assert sum(part * normal((at - middle) / sd) for part, middle, sd in parts) == pytest.approx(below, abs=1e-9)


def draw_parts(rng: random.Random) -> list[tuple[float, float, float]]:
    weights = [rng.random() ** rng.choice([1, 4]) + 1e-6 for _ in range(2)]
    apart = rng.choice([1, 5, 15, 40])
    return [(weight / sum(weights), rng.gauss(125, apart), rng.uniform(1.5, 20)) for weight in weights]


def test_a_quantile_rounded_early_has_the_digits_of_the_whole_search() -> None:
    rng = random.Random(7)
    for _ in range(2000):
        parts = draw_parts(rng)
        for below, near in zip((0.025, 0.975), ends_nearly(cumulants_of(parts)), strict=True):
            plain = four_decimals_half_up(quantile(parts, below))
            # From a bad start too: at another end, far out, or between the parts.
            for start in (near, parts[0][1], near + rng.gauss(0, 3), near - 400):
                assert rounded_quantile(parts, terms_of(parts), below, start) == plain


def test_the_ends_are_nearly_found_from_the_moments() -> None:
    for mean, sd in ((120, 8), (95, 11)):
        low, high = ends_nearly(cumulants_of([(0.3, mean, sd), (0.7, mean, sd)]))
        assert low == pytest.approx(mean - 1.959964 * sd) and high == pytest.approx(mean + 1.959964 * sd)


def test_a_chance_of_a_label_is_within_its_bounds_and_they_decide_as_the_joint_chance_does() -> None:
    rng, decided = random.Random(8), [0, 0]
    for _ in range(3000):
        measured = evidence_of(rng.uniform(110, 170), rng.uniform(65, 110), draw_matrix(rng))
        view = view_of(draw_prior(rng) if rng.random() < 0.7 else (), measured)
        sides = LabelEdges(own=rng.choice([None, (130.0, 80.0)]), following=rng.choice([None, (140.0, 90.0)]))
        alone, mixture = ((1.0, view.alone()),), view.with_prior()
        value = alone[0][1].systolic, alone[0][1].diastolic
        bounds = [bounds_of_label(*value, view.weighing.alone, sides)]
        bounds += [bounds_with_prior(view.weighing, *value, sides)] if view.weighing.parts else []
        for known, (least, most) in zip((alone, mixture), bounds, strict=False):
            assert least - 1e-6 <= chance_of_label(known, sides) <= most + 1e-6
        wanted = all(four_decimals_half_up(chance_of_label(known, sides)) >= 0.9 for known in (alone, mixture))
        assert settles(view, sides, 0.9) == wanted
        decided[wanted] += 1
    assert min(decided) > 300


@pytest.mark.parametrize("earlier", [0, 3])
def test_the_fewest_further_visits_are_those_that_are_found_by_trying(rulebook: Rulebook, earlier: int) -> None:
    rng, rules, found = random.Random(9), rulebook.variability, set[int | None]()
    at = Circumstances(
        setting="office", attendance="attended", site="left-upper-arm", between="office-untreated", irregular=False
    )
    edges = [None, (120.0, 80.0), (130.0, 80.0), (140.0, 90.0), None]
    for _ in range(600):
        prior = draw_prior(rng) if rng.random() < 0.7 else ()
        level = rng.uniform(105, 160), rng.uniform(65, 100)
        *before, now = [measured_on(rng, rules, at, day, level) for day in range(1, earlier + 2)]
        outlook = look_ahead(before, now, prior, at, rules)
        place = rng.randrange(4)
        sides = LabelEdges(own=edges[place], following=edges[place + 1])
        tried = fewest(10, lambda count, outlook=outlook, sides=sides: settles(outlook.with_visits(count), sides, 0.9))
        assert fewest_visits(outlook, sides) == tried
        found.add(tried)
    assert len(found) > 6


def measured_on(
    rng: random.Random, rules: Variability, at: Circumstances, day: int, level: tuple[float, float]
) -> SittingMeasurement:
    value = SittingValue(level[0] + rng.gauss(0, 4), level[1] + rng.gauss(0, 3), rng.randint(1, 3), "all")
    return measure(value, date(2026, 5, day), 1, at, rules, irregular=False)


def test_far_from_every_part_of_a_prior_the_joint_chance_decides() -> None:
    measured = evidence_of(4000, 80, (4.0, 0.0, 4.0))
    prior = (PriorPart(share=1, systolic=120, diastolic=75, covariance=(1.0, 0.0, 1.0)),)
    sides = LabelEdges(own=(140.0, 90.0), following=None)
    assert bounds_with_prior(view_of(prior, measured).weighing, 4000, 80, sides) == (-1, 1)
    assert settles(view_of(prior, measured), sides, 0.9)


def test_rounding_is_that_of_whole_ten_thousandths() -> None:
    rng = random.Random(5)
    for value in [0.0, 0.00005, 0.99995, 1.0, 145.0, -3.25, *(rng.uniform(-200, 200) for _ in DRAWS)]:
        whole, rest = divmod(int((value * 10_000 + 0.5) // 1), 10_000)
        wanted = (whole * 10_000 + rest) / 10_000 if rest else whole
        found = four_decimals_half_up(value)
        assert found == wanted and type(found) is type(wanted)


def test_rows_are_found_as_their_limits_say(rulebook: Rulebook) -> None:
    rng = random.Random(6)
    for guideline in rulebook.guidelines.values():
        if guideline.measures != "pressure":
            continue
        edges = [(row.systolic_mmhg or 120, row.diastolic_mmhg or 80) for row in guideline.rows]
        drawn = [(rng.randint(80, 200), rng.uniform(40, 130)) for _ in range(40)]
        near = [(systolic + off, diastolic - off) for systolic, diastolic in edges for off in (-0.0001, 0, 0.0001)]
        for systolic, diastolic in drawn + near:
            placing = place_in_rows(guideline.rows, systolic, diastolic)
            assert rank_in_rows(guideline.rows, systolic, diastolic) == placing.rank
            assert placing.systolic_rank == rank_of(guideline.rows, [row.systolic_mmhg for row in guideline.rows], systolic)
            assert placing.diastolic_rank == rank_of(guideline.rows, [row.diastolic_mmhg for row in guideline.rows], diastolic)


def rank_of(rows: list[Row], limits: list[float | None], value: float) -> int:
    reached = [
        rank
        for rank, (row, limit) in enumerate(zip(rows, limits, strict=True))
        if limit is not None and (value > limit if row.edge == "above" else value >= limit)
    ]
    return max(reached, default=0)


def test_a_remembered_result_belongs_to_its_object_and_few_are_kept() -> None:
    asked: list[object] = []

    def work_out(rule: list[int], times: int) -> int:
        asked.append(rule)
        return rule[0] * times

    look_up = remembered(work_out, most=3)
    rules = [[number] for number in range(8)]
    assert [look_up(rule, 10) for rule in rules] == [10 * number for number in range(8)]
    assert len(asked) == 8
    assert look_up(rules[7], 10) == 70 and len(asked) == 8
    assert look_up(rules[7], 3) == 21 and len(asked) == 9
    # An equal rule is another rule, and an early one was let go.
    assert look_up([7], 10) == 70 and look_up(rules[0], 10) == 0 and len(asked) == 11


def test_the_same_bytes_come_out_in_any_order_and_from_several_threads(rulebook: Rulebook) -> None:
    def answer(reading_set: ReadingSet) -> bytes:
        return msgspec.json.encode(evaluate(reading_set, None, rulebook))

    sets = [as_reading_set(Inventor(seed, 1).body(3, True)) for seed in range(120)]
    first = [answer(reading_set) for reading_set in sets]
    assert [answer(reading_set) for reading_set in reversed(sets)] == first[::-1]
    with ThreadPoolExecutor(4) as pool:
        assert list(pool.map(answer, sets)) == first
