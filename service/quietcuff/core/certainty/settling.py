"""Measurements that would settle a label: more readings now, further visits, and how likely that is."""

from __future__ import annotations

from collections.abc import Callable
from math import erfc, inf, sqrt

import msgspec

from quietcuff.core.certainty.mixture import Mixture, Prior, believe_with, bounds_of_either, chance_of_either
from quietcuff.core.certainty.normal import ROOT_HALF, Matrix, added
from quietcuff.core.certainty.posterior import Belief, Evidence, Limits, believe, evidence_of_visits
from quietcuff.core.certainty.visits import (
    Circumstances,
    SittingMeasurement,
    Visit,
    between_visits,
    visits_by_day,
    within_sitting,
)
from quietcuff.core.model.evaluation import SettledAfter
from quietcuff.core.model.fields import four_decimals_half_up
from quietcuff.core.rulebook.variability import Settling, Variability

ONE_SIDED_90 = 1.2815515655446004
HALF_PUBLISHED = 0.5e-4
# More than the joint chance, an integral by few points, can be off.
JOINT_ERROR = 1e-8


class LabelEdges(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The edges of a label: its row's own limits, None for the lowest row, and those of the next row, None for the highest."""

    own: Limits | None
    following: Limits | None


class View(msgspec.Struct, kw_only=True, gc=False):
    """Evidence now or after more of the same, and the belief that comes of it alone; with the prior once that is asked for."""

    measured: Evidence
    alone: Mixture
    weighed: Mixture | None = None


class Outlook(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Belief now, with the prior and without, and the evidence after more of the same.

    ``earlier`` are measurements of earlier days, ``today`` those of the newest day; more readings would join the last of them.
    ``careful`` are the circumstances ``at`` with visits varying as much as they may, ``now_with_care`` the view under them.
    ``spans`` are the mean and the standard deviation of each pressure with the prior, ``careful_spans`` those with care and
    without it. ``further`` is the covariance of a visit to come, ``further_with_care`` the cautious one, ``one_more`` the
    cautious evidence of one whose mean is the one so far. The dictionaries cache what labels share.
    """

    prior: Prior
    earlier: list[SittingMeasurement]
    today: list[SittingMeasurement]
    at: Circumstances
    careful: Circumstances
    rules: Variability
    varies: Limits
    visits: list[Visit]
    weighed: Mixture
    flat: Mixture
    spans: tuple[Limits, Limits]
    careful_spans: tuple[Limits, Limits]
    now: View
    now_with_care: View
    further: Matrix
    further_with_care: Matrix
    one_more: Evidence
    after_visits: dict[int, View]
    after_readings: dict[int, View]
    edges: dict[Limits, Limits]

    def reached(self, edge: Limits) -> Limits:
        """The chance that either usual pressure is at or above an edge, with the prior and without."""
        found = self.edges.get(edge)
        if found is None:
            flat = chance_of_either(self.flat, edge)
            found = flat if self.weighed is self.flat else chance_of_either(self.weighed, edge), flat
            self.edges[edge] = found
        return found

    def with_visits(self, count: int) -> View:
        """The cautious view after so many further visits with the same mean as those so far."""
        found = self.after_visits.get(count)
        if found is None:
            more = self.now_with_care.measured + self.one_more.times(count)
            found = self.after_visits[count] = self.view_of(more)
        return found

    def with_readings(self, count: int) -> View:
        """The cautious view after so many more readings in this sitting, its mean unchanged."""
        found = self.after_readings.get(count)
        if found is None:
            *others, last = self.today
            within = within_sitting(last.readings + count, self.at, self.rules, irregular=self.at.irregular)
            today = [*others, msgspec.structs.replace(last, within=added(last.spare, within))]
            more = evidence_of_visits(visits_by_day(self.earlier + today, self.careful, self.rules))
            found = self.after_readings[count] = self.view_of(more)
        return found

    def view_of(self, measured: Evidence) -> View:
        """The view of evidence."""
        return View(measured=measured, alone=((1.0, believe(measured, self.varies)),))

    def with_prior(self, view: View) -> Mixture:
        """The belief of a view's evidence with the prior."""
        found = view.weighed
        if found is None:
            found = view.weighed = believe_with(self.prior, view.measured, self.varies)
        return found


def further_visit(flat: Belief, at: Circumstances, rules: Variability) -> Matrix:
    """The covariance of one further visit as it is planned: with two readings, or a whole series."""
    between = between_visits(at, flat.systolic, flat.diastolic, rules.series.full_days, rules)
    return added(between, within_sitting(rules.settling.planned_readings, at, rules, irregular=at.irregular))


def chance_of_label(mixture: Mixture, sides: LabelEdges) -> float:
    """The chance that the usual pressure is in the label's row: at or above its own limits and not those of the next row."""
    reached = 1.0 if sides.own is None else chance_of_either(mixture, sides.own)
    return reached if sides.following is None else reached - chance_of_either(mixture, sides.following)


def is_settled(outlook: Outlook, sides: LabelEdges, enough: float) -> bool:
    """True where the label has the settling chance in every view.

    The views are the measurements alone and with the prior, each with the expected and with the largest variation of visits.
    """
    # The strictest view first: it fails most often, and then nothing else needs computing.
    return holds(outlook, outlook.now_with_care, sides, enough) and holds(outlook, outlook.now, sides, enough)


def holds(outlook: Outlook, view: View, sides: LabelEdges, enough: float) -> bool:
    """True where a label has that chance, both without and with the prior."""
    if not is_likely(view.alone, sides, enough):
        return False
    return not outlook.prior or is_likely(outlook.with_prior(view), sides, enough)


def is_likely(mixture: Mixture, sides: LabelEdges, enough: float) -> bool:
    """True where the label has that chance; where its bounds rule that in or out, the joint chance is not computed."""
    least = most = 1.0
    # Compared as it is published, so that a published chance that suffices is never called not settled.
    nearly = enough - HALF_PUBLISHED
    if sides.own is not None:
        least, most = bounds_of_either(mixture, sides.own)
        # The next row can only take away from it.
        if most < nearly - JOINT_ERROR:
            return False
    if sides.following is not None:
        taken_at_least, taken_at_most = bounds_of_either(mixture, sides.following)
        least, most = least - taken_at_most, (most if most < 1.0 else 1.0) - taken_at_least
    if least >= nearly + JOINT_ERROR:
        return True
    return most >= nearly - JOINT_ERROR and four_decimals_half_up(chance_of_label(mixture, sides)) >= enough


def fewest(most: int, settles: Callable[[int], bool]) -> int | None:
    """The fewest additions, at most ``most``, that settle the label; None where even the most do not settle it."""
    # The most first: where even they do not settle the label, the search ends after one step.
    if not settles(most):
        return None
    low, high = 1, most
    while low < high:
        middle = (low + high) // 2
        if settles(middle):
            high = middle
        else:
            low = middle + 1
    return low


def chances_to_settle(
    limit: float,
    parts: list[tuple[float, float, float]],
    known: list[tuple[float, float, float]],
    variance: float,
    rules: Settling,
) -> list[SettledAfter]:
    """For each planned number of further visits, the chance that they settle the side of one limit for one pressure.

    ``parts`` are share, mean and standard deviation of the present belief. The mean of further visits is spread around it with
    their ``variance``. The side is settled where every view in ``known`` is q·s_k beyond the limit; a view is a mean, a
    standard deviation and the variance of a visit. s_k² = 1/(1/s² + k/V), q = 1.2816. On the limit, one visit like the first
    settles one view with a chance of 0.2.
    """
    found = []
    for count in rules.planned_visits:
        low, high = inf, -inf
        # A side is settled by means at or below ``low``, and at or above ``high``, of every view.
        for mean, sd, each in known:
            own = sd * sd
            gain = own / (own + each / count)
            needed = ONE_SIDED_90 * sd * sqrt(1 - gain)
            own_low, own_high = mean + (limit - needed - mean) / gain, mean + (limit + needed - mean) / gain
            low, high = own_low if own_low < low else low, own_high if own_high > high else high
        chance, apart = 0.0, variance / count
        for share, middle, sd in parts:
            spread = sqrt(sd * sd + apart)
            above, below = erfc(-((middle - high) / spread) * ROOT_HALF), erfc(-((low - middle) / spread) * ROOT_HALF)
            chance += share * (0.5 * above + 0.5 * below)
        found.append(SettledAfter(visits=count, chance=four_decimals_half_up(chance)))
    return found
