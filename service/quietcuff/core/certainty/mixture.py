"""Priors and the beliefs that come of them: mixtures of normal distributions.

A prior is what is known of a person's usual pressure before it is measured, from a tenant, a survey or nobody.
"""

from __future__ import annotations

from math import erfc, exp, sqrt
from operator import add

import msgspec

from quietcuff.core.certainty.beliefs import (
    ROOT_HALF,
    Belief,
    BeliefSpread,
    Evidence,
    Limits,
    Matrix,
    added,
    chances_of_each,
    each_below,
    evidence_of,
    inverse,
    multiplied,
    plane,
    spread_of,
)
from quietcuff.core.certainty.quantiles import Cumulants, Parts, cumulants_of, ends_of
from quietcuff.core.model.evaluation import Interval
from quietcuff.core.rulebook.remembered import remembered

NEGLIGIBLE = 1e-7


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


class PartBeside(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One part of a prior beside measurements of one precision.

    ``apart`` is the precision of the measured value around the part's middle, (T + C)⁻¹, and ``dense`` the root of its
    determinant; ``weight`` is the share times that, and ``density`` -1/2, -1 and -1/2 of ``apart``, for the exponent.
    ``spread`` is that of the belief from both, and ``drawn`` how far its mean is drawn to the part's, S·T⁻¹, row by row.
    """

    share: float
    systolic: float
    diastolic: float
    information: tuple[float, float]
    apart: Matrix
    dense: float
    weight: float
    density: Matrix
    spread: BeliefSpread
    drawn: tuple[float, float, float, float]


class Weighing(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """How measurements of one precision are weighed: alone, and beside each part of a prior; ``widest`` is its widest one.

    No measured pressure is in it: people of one age who are measured as often share it.
    """

    precision: Matrix
    alone: BeliefSpread
    parts: tuple[PartBeside, ...]
    widest: int


def read_weighing(prior: Prior, precision: Matrix, varies: Limits) -> Weighing:
    """The weighing of measurements of a precision; ``varies`` multiplies each pressure's variance."""
    first, both, second = inverse(precision)
    spread = first * varies[0], both * sqrt(varies[0] * varies[1]), second * varies[1]
    parts = []
    for part in prior:
        apart = inverse(added(part.covariance, spread))
        dense = sqrt(apart[0] * apart[2] - apart[1] * apart[1])
        spread_beside = spread_of(added(part.evidence.precision, precision), varies)
        each = PartBeside(
            share=part.share,
            systolic=part.systolic,
            diastolic=part.diastolic,
            information=part.evidence.information,
            apart=apart,
            dense=dense,
            weight=part.share * dense,
            density=(-0.5 * apart[0], -apart[1], -0.5 * apart[2]),
            spread=spread_beside,
            drawn=multiplied(spread_beside.covariance, part.evidence.precision),
        )
        parts.append(each)
    widest = max(range(len(prior)), key=lambda place: prior[place].covariance[0], default=0)
    return Weighing(precision=precision, alone=spread_of(precision, varies), parts=tuple(parts), widest=widest)


weighing_of = remembered(read_weighing)


def believe_with(prior: Prior, measured: Evidence, varies: Limits = (1.0, 1.0)) -> Mixture:
    """Belief from a prior and measurements; without any part of a prior, from the measurements alone."""
    weighing = weighing_of(prior, measured.precision, varies)
    alone = weighing.alone.belief(*measured.information)
    return weigh_in(weighing, alone, measured.information) if prior else ((1.0, alone),)


def weigh_in(weighing: Weighing, alone: Belief, information: tuple[float, float]) -> Mixture:
    """Belief with a prior, from that of the measurements alone and their information.

    Part k with share w, middle m and spread T gives the belief of T⁻¹ and the measurements. Its new share is proportional to
    w·N(x̄; m, T + C), where x̄ is the measured value and C its covariance.
    """
    systolic, diastolic, total, shares = alone.systolic, alone.diastolic, 0.0, []
    for part in weighing.parts:
        first, both, second = part.apart
        along, across = systolic - part.systolic, diastolic - part.diastolic
        distance = along * (first * along + both * across) + across * (both * along + second * across)
        share = part.share * (part.dense * exp(-0.5 * distance))
        total += share
        shares.append(share)
    if total <= 0:
        # So far from all parts that their densities vanish: the widest says the least.
        return ((1.0, beside(weighing.parts[weighing.widest], information)),)
    # Parts of no weight are dropped here, because every chance after this sums over all parts.
    least = NEGLIGIBLE * total
    whole, kept = 0.0, []
    for share, part in zip(shares, weighing.parts, strict=True):
        if share > least:
            whole += share / total
            kept.append((share / total, beside(part, information)))
    return tuple([(share / whole, belief) for share, belief in kept])


def beside(part: PartBeside, information: tuple[float, float]) -> Belief:
    """The belief from a part of a prior and measurements together."""
    own = part.information
    return part.spread.belief(own[0] + information[0], own[1] + information[1])


def chance_of_either(mixture: Mixture, limits: Limits) -> float:
    """The chance that either usual pressure is at or above its limit."""
    return chances_of_either(mixture, [limits])[0]


def chances_of_either(mixture: Mixture, edges: list[Limits]) -> list[float]:
    """The same for several limits: what a part takes from its correlation and spread is looked up once for all of them."""
    totals: list[float] = []
    for share, belief in mixture:
        shared = plane(belief.correlation)
        below = each_below(belief.systolic, belief.systolic_sd, belief.diastolic, belief.diastolic_sd, edges, shared)
        reached = [share * (1 - chance) for chance in below]
        totals = list(map(add, totals, reached)) if totals else reached
    return totals


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


class Margin(msgspec.Struct, frozen=True, gc=False):
    """One pressure of a mixture by itself: its parts, its mean and standard deviation in mmHg, and its cumulants."""

    parts: Parts
    mean: float
    sd: float
    cumulants: Cumulants


def margin_of(parts: Parts) -> Margin:
    """A pressure by its parts."""
    cumulants = cumulants_of(parts)
    return Margin(parts, cumulants[0], parts[0][2] if len(parts) == 1 else sqrt(cumulants[1]), cumulants)


def margins_of(mixture: Mixture) -> tuple[Margin, Margin]:
    """The systolic and the diastolic pressure, each by itself."""
    return (
        margin_of([(share, belief.systolic, belief.systolic_sd) for share, belief in mixture]),
        margin_of([(share, belief.diastolic, belief.diastolic_sd) for share, belief in mixture]),
    )


def middle_95(margins: tuple[Margin, Margin], added_sd_mmhg: float = 0.0) -> Interval:
    """Middle 95 per cent of each pressure by itself; ``added_sd_mmhg`` is an error that no further measurement removes."""
    across, down = margins
    return Interval(
        systolic_mmhg=ends_of(across.parts, across.cumulants, added_sd_mmhg),
        diastolic_mmhg=ends_of(down.parts, down.cumulants, added_sd_mmhg),
    )
