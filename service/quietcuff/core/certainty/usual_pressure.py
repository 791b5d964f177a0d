"""The usual pressure from the newest sitting, earlier ones that measured the same, and a prior; and what more would settle.

Sitting i gives xᵢ ~ N(μ, Vᵢ) with Vᵢ = B + Wᵢ, between visits and within a sitting; prior μ ~ N(m₀, T). Further readings and
visits are weighed in the same way: whether they would settle a label, and how likely that is.
"""

from __future__ import annotations

import msgspec

from quietcuff.core.certainty.beliefs import (
    Belief,
    Evidence,
    Limits,
    Matrix,
    added,
    evidence_of,
    evidence_of_visits,
    excess_variation,
    scaled,
)
from quietcuff.core.certainty.mixture import (
    Margin,
    Mixture,
    Prior,
    Weighing,
    chance_of_either,
    margins_of,
    middle_95,
    read_weighing,
    weigh_in,
    weighing_of,
)
from quietcuff.core.certainty.priors import assumptions, choose_prior
from quietcuff.core.certainty.visits import (
    Circumstances,
    SittingMeasurement,
    between_visits,
    visits_by_day,
    within_sitting,
)
from quietcuff.core.model.evaluation import Assumption, Interval, SettledAfter
from quietcuff.core.model.readings import Intake
from quietcuff.core.rulebook.remembered import remembered
from quietcuff.core.rulebook.variability import Variability
from quietcuff.core.sitting.person import Person


class View(msgspec.Struct, gc=False):
    """Belief from measurements, now or after more of the same: alone, and with the prior once that is asked for."""

    weighing: Weighing
    information: tuple[float, float]
    alone: Mixture
    weighed: Mixture | None = None

    def with_prior(self) -> Mixture:
        """The belief with the prior; without any part of a prior, that of the measurements alone."""
        found = self.weighed
        if found is None:
            parts = self.weighing.parts
            found = self.weighed = weigh_in(self.weighing, self.alone[0][1], self.information) if parts else self.alone
        return found


def view_of(prior: Prior, measured: Evidence, varies: Limits) -> View:
    """The view of measurements."""
    return look_with(weighing_of(prior, measured.precision, varies), measured.information)


def look_with(weighing: Weighing, information: tuple[float, float]) -> View:
    """The view of measurements with this information, weighed so."""
    return View(weighing, information, ((1.0, weighing.alone.belief(*information)),))


class Outlook(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Belief now, and the evidence after more of the same.

    ``earlier`` are measurements of earlier days, ``today`` those of the newest day; more readings would join the last of them.
    ``careful`` are the circumstances ``at`` with visits varying as much as they may, ``now_with_care`` the view under them.
    ``margins`` are each pressure by itself, with the prior. ``further`` is the covariance of a visit to come,
    ``further_with_care`` the cautious one, ``one_more`` the cautious evidence of one whose mean is the one so far, and
    ``weighings`` how so many of them are weighed. The other dictionaries cache what labels share.
    """

    prior: Prior
    earlier: list[SittingMeasurement]
    today: list[SittingMeasurement]
    at: Circumstances
    careful: Circumstances
    rules: Variability
    varies: Limits
    visits: int
    now: View
    now_with_care: View
    margins: tuple[Margin, Margin]
    further: Matrix
    further_with_care: Matrix
    one_more: Evidence
    weighings: dict[int, Weighing]
    after_visits: dict[int, View]
    after_readings: dict[int, View]
    edges: dict[Limits, Limits]
    settled_after: dict[tuple[bool, float], list[SettledAfter]]

    def reached(self, edge: Limits) -> Limits:
        """The chance that either usual pressure is at or above an edge, with the prior and without."""
        found = self.edges.get(edge)
        if found is None:
            flat = chance_of_either(self.now.alone, edge)
            found = chance_of_either(self.now.with_prior(), edge) if self.prior else flat, flat
            self.edges[edge] = found
        return found

    def with_visits(self, count: int) -> View:
        """The cautious view after so many further visits with the same mean as those so far."""
        found = self.after_visits.get(count)
        if found is None:
            now, more = self.now_with_care, self.one_more
            weighing = self.weighings.get(count)
            if weighing is None:
                precision = added(now.weighing.precision, scaled(more.precision, count))
                weighing = self.weighings[count] = read_weighing(self.prior, precision, self.varies)
            (along, across), (beside, below) = now.information, more.information
            found = self.after_visits[count] = look_with(weighing, (along + count * beside, across + count * below))
        return found

    def with_readings(self, count: int) -> View:
        """The cautious view after so many more readings in this sitting, its mean unchanged."""
        found = self.after_readings.get(count)
        if found is None:
            *others, last = self.today
            within = within_sitting(last.readings + count, self.at, self.rules, irregular=self.at.irregular)
            today = [*others, msgspec.structs.replace(last, within=added(last.spare, within))]
            more = evidence_of_visits(visits_by_day(self.earlier + today, self.careful, self.rules))
            found = self.after_readings[count] = view_of(self.prior, more, self.varies)
        return found


def no_weighings(prior: Prior, now: Matrix, more: Matrix, varies: Limits) -> dict[int, Weighing]:
    """The weighings of so many more visits beside those of now, each put here when it was asked for first."""
    return {}


weighings_after = remembered(no_weighings)


def further_visit(flat: Belief, at: Circumstances, rules: Variability) -> Matrix:
    """The covariance of one further visit as it is planned: with two readings, or a whole series."""
    between = between_visits(at, flat.systolic, flat.diastolic, rules.series.full_days, rules)
    return added(between, within_sitting(rules.settling.planned_readings, at, rules, irregular=at.irregular))


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
        interval_95=middle_95(outlook.margins),
        with_device_95=middle_95(outlook.margins, rules.device.sd_mmhg),
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
    seen = view_of(prior, evidence_of_visits(visits), varies)
    with_care = view_of(prior, evidence_of_visits(visits_by_day(before + today, cautious, rules)), varies)
    alone, careful = seen.alone[0][1], with_care.alone[0][1]
    further_with_care = further_visit(alone, cautious, rules)
    one_more = evidence_of(careful.systolic, careful.diastolic, further_with_care)
    return Outlook(
        prior=prior,
        earlier=before,
        today=today,
        at=at,
        careful=cautious,
        rules=rules,
        varies=varies,
        visits=len(visits),
        now=seen,
        now_with_care=with_care,
        margins=margins_of(seen.with_prior()),
        further=further_visit(alone, at, rules),
        further_with_care=further_with_care,
        one_more=one_more,
        weighings=weighings_after(prior, with_care.weighing.precision, one_more.precision, varies),
        after_visits={},
        after_readings={},
        edges={},
        settled_after={},
    )
