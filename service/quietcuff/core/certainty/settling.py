"""Measurements that would settle a label: more readings now, further visits, and how likely that is."""

from __future__ import annotations

from collections.abc import Callable
from math import sqrt

import msgspec

from quietcuff.core.certainty.mixture import Mixture, Prior, believe_with, chance_of_each, chance_of_either
from quietcuff.core.certainty.normal import Matrix, added, normal
from quietcuff.core.certainty.posterior import Belief, Evidence, Limits, evidence_of, evidence_of_visits
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
from quietcuff.core.model.rounding import four_decimals_half_up
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
    ``careful`` is the belief from the measurements alone with visits varying as much as they may. ``further`` is the covariance
    of a visit to come, ``further_with_care`` the cautious one. ``seen`` caches computed prospects.
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
    now: Prospect
    further: Matrix
    further_with_care: Matrix
    # Several labels ask for the same numbers of visits, so the prospects are kept between them.
    seen: dict[tuple[str, int], Prospect]

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
        ((_, flat),) = self.flat
        ((_, careful),) = self.careful
        more = evidence_of(flat.systolic, flat.diastolic, self.further).times(count)
        with_care = evidence_of(careful.systolic, careful.diastolic, self.further_with_care).times(count)
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
    if not is_likely(believe_with((), measured, outlook.varies), sides, enough):
        return False
    return not outlook.prior or is_likely(believe_with(outlook.prior, measured, outlook.varies), sides, enough)


def is_likely(mixture: Mixture, sides: LabelEdges, enough: float) -> bool:
    """True where the label has that chance.

    Where the pressures by themselves rule it in or out, the joint chance is not computed: either pressure is at or above its
    limit at least as often as each alone, and at most as often as the sum of the two.
    """
    least = most = 1.0
    if sides.own is not None:
        systolic, diastolic = chance_of_each(mixture, sides.own)
        least, most = max(systolic, diastolic), systolic + diastolic
    if sides.following is not None:
        systolic, diastolic = chance_of_each(mixture, sides.following)
        least, most = least - systolic - diastolic, min(most, 1.0) - max(systolic, diastolic)
    if least >= enough:
        return True
    # Compared as it is published, so that a published chance that suffices is never called not settled.
    return most >= enough - HALF_PUBLISHED and four_decimals_half_up(chance_of_label(mixture, sides)) >= enough


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
        ends = [settling_means(mean, sd, each / count, limit) for mean, sd, each in known]
        low, high = min([low for low, _ in ends]), max([high for _, high in ends])
        chance = 0.0
        for share, middle, sd in parts:
            spread = sqrt(sd * sd + variance / count)
            chance += share * (normal((middle - high) / spread) + normal((low - middle) / spread))
        found.append(SettledAfter(visits=count, chance=four_decimals_half_up(chance)))
    return found


def settling_means(mean: float, sd: float, variance: float, limit: float) -> tuple[float, float]:
    """Means of further visits at or below which, and at or above which, the side of a limit is settled.

    ``variance`` is that of their mean around the usual pressure.
    """
    gain = sd * sd / (sd * sd + variance)
    needed = ONE_SIDED_90 * sd * sqrt(1 - gain)
    return mean + (limit - needed - mean) / gain, mean + (limit + needed - mean) / gain
