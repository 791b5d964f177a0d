"""The usual pressure from the newest sitting, earlier ones that measured the same, and a prior; and what more would settle.

Sitting i gives xᵢ ~ N(μ, Vᵢ) with Vᵢ = B + Wᵢ, between visits and within a sitting; prior μ ~ N(m₀, T). Further readings and
visits are weighed in the same way: whether they would settle a label, and how likely that is.
"""

from __future__ import annotations

from collections.abc import Callable
from math import erfc, inf, sqrt
from typing import Literal

import msgspec

from quietcuff.core.certainty.beliefs import (
    ROOT_HALF,
    Belief,
    Evidence,
    Limits,
    Matrix,
    Visit,
    added,
    believe,
    evidence_of,
    evidence_of_visits,
    excess_variation,
)
from quietcuff.core.certainty.mixture import (
    Mixture,
    Prior,
    assumptions,
    believe_with,
    bounds_of_either,
    chance_of_either,
    choose_prior,
    middle_95,
    moments_of_each,
    parts_of,
)
from quietcuff.core.certainty.visits import (
    Circumstances,
    SittingMeasurement,
    between_visits,
    visits_by_day,
    within_sitting,
)
from quietcuff.core.model.evaluation import Assumption, Interval, SettledAfter
from quietcuff.core.model.fields import four_decimals_half_up
from quietcuff.core.model.readings import Intake
from quietcuff.core.rulebook.remembered import remembered
from quietcuff.core.rulebook.rulebook import Row
from quietcuff.core.rulebook.variability import Settling, Variability
from quietcuff.core.sitting.person import Person

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
    settled_after: dict[tuple[bool, float], list[SettledAfter]]

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


class Known(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Figures that all labels of one evaluation share.

    ``outlook`` has the belief with the named prior and without any; ``without_because`` says why there is none,
    ``prior_age_years`` for which age it is.
    """

    interval_95: Interval
    with_device_95: Interval
    outlook: Outlook
    prior: str
    without_because: str
    prior_age_years: int | None
    assumptions: list[Assumption]


def weigh(
    earlier: list[SittingMeasurement],
    now: SittingMeasurement,
    at: Circumstances,
    person: Person,
    intake: Intake | None,
    rules: Variability,
    *,
    is_high: bool,
) -> Known:
    """The usual pressure from the newest sitting, earlier ones and the prior.

    ``is_high`` where the value was measured in the range of hypertension.
    """
    chosen = choose_prior(person, at.setting, intake, rules, is_high=is_high)
    outlook = look_ahead(earlier, now, chosen.parts, at, rules)
    return Known(
        interval_95=middle_95(outlook.weighed),
        with_device_95=middle_95(outlook.weighed, rules.device.sd_mmhg),
        outlook=outlook,
        prior=chosen.name,
        without_because=chosen.because,
        prior_age_years=person.age_years,
        assumptions=[chosen.ground, *assumptions(person, at, [*earlier, now], rules)],
    )


def look_ahead(
    earlier: list[SittingMeasurement], now: SittingMeasurement, prior: Prior, at: Circumstances, rules: Variability
) -> Outlook:
    """The visits, the newest day's last, and the belief now and after more of the same."""
    today = [each for each in earlier if each.day == now.day] + [now]
    before = [each for each in earlier if each.day != now.day]
    visits = visits_by_day(before, at, rules) + visits_by_day(today, at, rules)
    varies = excess_variation(visits, rules.settling)
    cautious = msgspec.structs.replace(at, cautious=True)
    measured, with_care = evidence_of_visits(visits), evidence_of_visits(visits_by_day(before + today, cautious, rules))
    alone = believe(measured, varies)
    flat = ((1.0, alone),)
    weighed = believe_with(prior, measured, varies) if prior else flat
    careful = believe(with_care, varies)
    further = further_visit(alone, at, rules)
    further_with_care = further_visit(alone, cautious, rules)
    return Outlook(
        prior=prior,
        earlier=before,
        today=today,
        at=at,
        careful=cautious,
        rules=rules,
        varies=varies,
        visits=visits,
        weighed=weighed,
        flat=flat,
        spans=moments_of_each(weighed),
        careful_spans=moments_of_each(((1.0, careful),)),
        now=View(measured=measured, alone=flat, weighed=weighed),
        now_with_care=View(measured=with_care, alone=((1.0, careful),)),
        further=further,
        further_with_care=further_with_care,
        one_more=evidence_of(careful.systolic, careful.diastolic, further_with_care),
        after_visits={},
        after_readings={},
        edges={},
        settled_after={},
    )


def edges_of(rows: list[Row]) -> list[Limits]:
    """Lower limits of every row but the lowest, as ``read_edges`` says."""
    return edges_of_rows(rows)


def read_edges(rows: list[Row]) -> list[Limits]:
    """Lower limits of every row but the lowest: a pressure at or above either limit is in that row or higher.

    A row without a limit for one pressure takes the next row's: 120 and 130/80 give (120, 80) and (130, 80).
    """
    systolic = diastolic = inf
    edges = []
    # From the top down, since a missing limit is the one of the row above.
    for row in reversed(rows[1:]):
        systolic = row.systolic_mmhg if row.systolic_mmhg is not None else systolic
        diastolic = row.diastolic_mmhg if row.diastolic_mmhg is not None else diastolic
        edges.append((systolic, diastolic))
    return edges[::-1]


edges_of_rows = remembered(read_edges)


def what_settles(outlook: Outlook, sides: LabelEdges, *, alone: bool) -> tuple[int | None, int | None]:
    """The fewest further readings now, and the fewest further visits, that settle the label; None where none do.

    One sitting in irregular rhythm never settles it, however many readings it has.
    """
    settling = outlook.rules.settling
    enough = settling.settled_from
    # Only the cautious views are tested; the others leave less open.
    visits = fewest(settling.most_visits, lambda count: holds(outlook, outlook.with_visits(count), sides, enough))
    # Outside the office the result is a whole series or recording, to which single readings are not added.
    if visits is None or alone or outlook.at.setting != "office":
        return None, visits
    return fewest(settling.most_readings, lambda count: holds(outlook, outlook.with_readings(count), sides, enough)), visits


def why_not_now(
    readings: int | None, visits: int | None, *, alone: bool
) -> Literal["visit-variation-dominates", "too-close-to-call", "one-irregular-sitting"] | None:
    """Reason why no number of readings in this sitting would settle the label; None where some would."""
    if readings is not None:
        return None
    if visits is None:
        return "too-close-to-call"
    return "one-irregular-sitting" if alone else "visit-variation-dominates"


def chances_at_edge(outlook: Outlook, edge: Limits) -> list[SettledAfter]:
    """The chances that further visits settle the side of an edge, for the pressure that is higher against its own limit."""
    (across, across_sd), (down, down_sd) = outlook.spans
    systolic = (across - edge[0]) / across_sd >= (down - edge[1]) / down_sd
    place, limit = (0, edge[0]) if systolic else (2, edge[1])
    found = outlook.settled_after.get((systolic, limit))
    if found is not None:
        return found
    varies = outlook.varies[0 if systolic else 1]
    variance = varies * outlook.further[place]
    known = [
        ((across, across_sd) if systolic else (down, down_sd)) + (variance,),
        (*outlook.careful_spans[0 if systolic else 1], varies * outlook.further_with_care[place]),
    ]
    parts = parts_of(outlook.weighed, systolic=systolic)
    found = chances_to_settle(limit, parts, known, variance, outlook.rules.settling)
    outlook.settled_after[systolic, limit] = found
    return found
