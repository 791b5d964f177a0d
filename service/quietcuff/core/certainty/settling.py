"""Measurements that would settle a label: more readings now, further visits, and how likely that is."""

from __future__ import annotations

from collections.abc import Callable
from math import erfc, inf, sqrt

import msgspec

from quietcuff.core.certainty.mixture import Mixture, Prior, believe_with, chance_of_each, chance_of_either
from quietcuff.core.certainty.normal import ROOT_HALF, Matrix, added
from quietcuff.core.certainty.posterior import Belief, Evidence, Limits, believe, evidence_of_visits
from quietcuff.core.certainty.visits import (
    Circumstances,
    SittingMeasurement,
    Visit,
    between_visits,
    visit_of,
    visits_by_day,
    within_sitting,
)
from quietcuff.core.model.evaluation import SettledAfter
from quietcuff.core.model.fields import four_decimals_half_up
from quietcuff.core.rulebook.variability import Settling, Variability

ONE_SIDED_90 = 1.2815515655446004
HALF_PUBLISHED = 0.5e-4


class LabelEdges(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The edges of a label: its row's own limits, None for the lowest row, and those of the next row, None for the highest."""

    own: Limits | None
    following: Limits | None


class Prospect(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Evidence now or after more of the same; and the cautious evidence, with visits varying as much as they may."""

    measured: Evidence
    with_care: Evidence


class Outlook(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Belief now, with the prior and without, and the evidence after more of the same.

    ``earlier`` are measurements of earlier days, ``today`` those of the newest day; more readings would join the last of them.
    ``careful`` is the belief from the measurements alone with visits varying as much as they may. ``spans`` are the mean and
    the standard deviation of each pressure in ``weighed``, ``careful_spans`` those in ``careful``. ``further`` is the
    covariance of a visit to come, ``further_with_care`` the cautious one, ``one_more`` its evidence where its mean is the one
    so far. ``seen``, ``beliefs`` and ``edges`` cache what labels share.
    """

    prior: Prior
    earlier: list[SittingMeasurement]
    today: list[SittingMeasurement]
    at: Circumstances
    rules: Variability
    varies: Limits
    visits: list[Visit]
    weighed: Mixture
    flat: Mixture
    careful: Mixture
    spans: tuple[Limits, Limits]
    careful_spans: tuple[Limits, Limits]
    now: Prospect
    further: Matrix
    further_with_care: Matrix
    one_more: Prospect
    # Several labels ask for the same numbers of visits, so the prospects are kept between them.
    seen: dict[tuple[str, int], Prospect]
    beliefs: dict[Evidence, Mixture]
    edges: dict[Limits, Limits]

    def reached(self, edge: Limits) -> Limits:
        """The chance that either usual pressure is at or above an edge, with the prior and without."""
        found = self.edges.get(edge)
        if found is None:
            flat = chance_of_either(self.flat, edge)
            found = flat if self.weighed is self.flat else chance_of_either(self.weighed, edge), flat
            self.edges[edge] = found
        return found

    def believed(self, measured: Evidence) -> Mixture:
        """The belief of evidence with the prior."""
        found = self.beliefs.get(measured)
        if found is None:
            found = self.beliefs[measured] = believe_with(self.prior, measured, self.varies)
        return found

    def after_visits(self, count: int) -> Prospect:
        """Evidence after so many further visits with the same mean as those so far."""
        return self.remembered("visits", count, self.visits_added)

    def after_readings(self, count: int) -> Prospect:
        """Evidence after so many more readings in this sitting, its mean unchanged."""
        return self.remembered("readings", count, self.readings_added)

    def remembered(self, kind: str, count: int, work_out: Callable[[int], Prospect]) -> Prospect:
        """The cached prospect, computed where it is not cached yet."""
        found = self.seen.get((kind, count))
        if found is None:
            found = self.seen[kind, count] = work_out(count)
        return found

    def visits_added(self, count: int) -> Prospect:
        more, with_care = self.one_more.measured.times(count), self.one_more.with_care.times(count)
        return Prospect(measured=self.now.measured + more, with_care=self.now.with_care + with_care)

    def readings_added(self, count: int) -> Prospect:
        *others, last = self.today
        within = within_sitting(last.readings + count, self.at, self.rules, irregular=self.at.irregular)
        today = [*others, msgspec.structs.replace(last, within=added(last.spare, within))]
        newest = evidence_of_visits([*self.visits[:-1], visit_of(today, self.at, self.rules)])
        return Prospect(measured=newest, with_care=evidence_with_care(self.earlier + today, self.at, self.rules))


def evidence_with_care(measured: list[SittingMeasurement], at: Circumstances, rules: Variability) -> Evidence:
    """Evidence of all visits, assuming that they vary as much as they may."""
    careful = msgspec.structs.replace(at, cautious=True)
    return evidence_of_visits(visits_by_day(measured, careful, rules))


def further_visit(flat: Belief, at: Circumstances, rules: Variability) -> Matrix:
    """The covariance of one further visit as it is planned: with two readings, or a whole series."""
    between = between_visits(at, flat.systolic, flat.diastolic, rules.series.full_days, rules)
    return added(between, within_sitting(rules.settling.planned_readings, at, rules, irregular=at.irregular))


def chance_of_label(mixture: Mixture, sides: LabelEdges) -> float:
    """The chance that the usual pressure is in the label's row: at or above its own limits and not those of the next row."""
    reached = 1.0 if sides.own is None else chance_of_either(mixture, sides.own)
    return reached if sides.following is None else reached - chance_of_either(mixture, sides.following)


def is_settled(outlook: Outlook, known: Prospect, sides: LabelEdges, enough: float) -> bool:
    """True where the label has the settling chance in every view.

    The views are the measurements alone and with the prior, each with the expected and with the largest variation of visits.
    """
    # The strictest view first: it fails most often, and then nothing else needs computing.
    return would_settle(outlook, known, sides, enough) and holds(outlook, known.measured, sides, enough)


def would_settle(outlook: Outlook, known: Prospect, sides: LabelEdges, enough: float) -> bool:
    """True where more of the same would settle the label. Only the strict views are tested; the others leave less open."""
    return holds(outlook, known.with_care, sides, enough)


def holds(outlook: Outlook, measured: Evidence, sides: LabelEdges, enough: float) -> bool:
    """True where a label has that chance, both without and with the prior."""
    if not is_likely(((1.0, believe(measured, outlook.varies)),), sides, enough):
        return False
    return not outlook.prior or is_likely(outlook.believed(measured), sides, enough)


def is_likely(mixture: Mixture, sides: LabelEdges, enough: float) -> bool:
    """True where the label has that chance.

    Where the pressures by themselves rule it in or out, the joint chance is not computed: either pressure is at or above its
    limit at least as often as each alone, and at most as often as the sum of the two.
    """
    least = most = 1.0
    # Compared as it is published, so that a published chance that suffices is never called not settled.
    nearly = enough - HALF_PUBLISHED
    if sides.own is not None:
        systolic, diastolic = chance_of_each(mixture, sides.own)
        least, most = systolic if systolic > diastolic else diastolic, systolic + diastolic
        # The next row can only take away from it.
        if most < nearly:
            return False
    if sides.following is not None:
        systolic, diastolic = chance_of_each(mixture, sides.following)
        higher = systolic if systolic > diastolic else diastolic
        least, most = least - systolic - diastolic, (most if most < 1.0 else 1.0) - higher
    if least >= enough:
        return True
    return most >= nearly and four_decimals_half_up(chance_of_label(mixture, sides)) >= enough


def fewest(most: int, after: Callable[[int], Prospect], settles: Callable[[Prospect], bool]) -> int | None:
    """The fewest additions, at most ``most``, after which the label is settled; None where even the most do not settle it."""
    # The most first: where even they do not settle the label, the search ends after one step.
    if not settles(after(most)):
        return None
    low, high = 1, most
    while low < high:
        middle = (low + high) // 2
        if settles(after(middle)):
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
        for mean, sd, each in known:
            own_low, own_high = settling_means(mean, sd, each / count, limit)
            low, high = own_low if own_low < low else low, own_high if own_high > high else high
        chance = 0.0
        for share, middle, sd in parts:
            spread = sqrt(sd * sd + variance / count)
            above, below = erfc(-((middle - high) / spread) * ROOT_HALF), erfc(-((low - middle) / spread) * ROOT_HALF)
            chance += share * (0.5 * above + 0.5 * below)
        found.append(SettledAfter(visits=count, chance=four_decimals_half_up(chance)))
    return found


def settling_means(mean: float, sd: float, variance: float, limit: float) -> tuple[float, float]:
    """Means of further visits at or below which, and at or above which, the side of a limit is settled.

    ``variance`` is that of their mean around the usual pressure.
    """
    own = sd * sd
    gain = own / (own + variance)
    needed = ONE_SIDED_90 * sd * sqrt(1 - gain)
    return mean + (limit - needed - mean) / gain, mean + (limit + needed - mean) / gain
