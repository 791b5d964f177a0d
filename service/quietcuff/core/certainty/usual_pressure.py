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
    Visit,
    added,
    applied,
    evidence_of_visits,
    excess_variation,
    inverse,
    scaled,
)
from quietcuff.core.certainty.mixture import (
    Margin,
    Mixture,
    Prior,
    Weighing,
    chances_of_either,
    margins_of,
    middle_95,
    read_weighing,
    weigh_in,
    weighing_of,
)
from quietcuff.core.certainty.priors import assumptions, choose_prior
from quietcuff.core.certainty.visits import (
    Circumstances,
    DayValue,
    SittingMeasurement,
    between_visits,
    values_by_day,
    visits_by_day,
    within_sitting,
)
from quietcuff.core.model.evaluation import Assumption, Interval, SettledAfter
from quietcuff.core.model.fields import four_decimals_half_up
from quietcuff.core.model.readings import Intake
from quietcuff.core.rulebook.remembered import remembered
from quietcuff.core.rulebook.variability import Variability
from quietcuff.core.sitting.person import Person

AS_EXPECTED: Limits = (1.0, 1.0)
# The chance to reach a row or a higher one: with the prior and without, and both as they are published.
Reached = tuple[float, float, float, float]
LOWEST_ROW: Reached = (1.0, 1.0, 1, 1)
ABOVE_ALL_ROWS: Reached = (0.0, 0.0, 0, 0)


class View(msgspec.Struct, frozen=True, gc=False):
    """Measurements, those of now or more of the same: how they are weighed, their information, and the means that give."""

    weighing: Weighing
    information: tuple[float, float]
    systolic: float
    diastolic: float

    def alone(self) -> Belief:
        """The belief from the measurements alone."""
        spread = self.weighing.alone
        return Belief(self.systolic, spread.systolic_sd, self.diastolic, spread.diastolic_sd, spread.correlation)

    def with_prior(self) -> Mixture:
        """The belief with the prior; without any part of a prior, that of the measurements alone."""
        alone = self.alone()
        return weigh_in(self.weighing, alone, self.information) if self.weighing.parts else ((1.0, alone),)


def see(weighing: Weighing, along: float, across: float) -> View:
    """The view of so much information, precision times mean."""
    first, both, second = weighing.alone.covariance
    return View(weighing, (along, across), first * along + both * across, both * along + second * across)


def see_value(weighing: Weighing, systolic: float, diastolic: float) -> View:
    """The view of one value."""
    along, across = applied(weighing.precision, systolic, diastolic)
    return see(weighing, along, across)


def view_of(prior: Prior, measured: Evidence, varies: Limits = AS_EXPECTED) -> View:
    """The view of measurements."""
    return see(weighing_of(prior, measured.precision, varies), *measured.information)


class Scheme(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """How visits are weighed, and more of them: what follows from their covariances alone, without any pressure.

    ``further`` is the covariance of a visit to come, ``further_with_care`` the cautious one, ``one_more`` the precision of
    that. The dictionaries fill up with how everything is weighed after so many further visits, or more readings.
    """

    weighing: Weighing
    with_care: Weighing
    further: Matrix
    further_with_care: Matrix
    one_more: Matrix
    after_visits: dict[int, Weighing]
    after_readings: dict[int, Weighing]


class Outlook(msgspec.Struct, frozen=True, gc=False):
    """Belief now, and after more of the same.

    ``earlier`` are measurements of earlier days, ``today`` those of the newest day; more readings would join the last of them.
    ``careful`` are the circumstances ``at`` with visits varying as much as they may, ``now_with_care`` the view under them.
    ``flat`` is the belief from the measurements alone, ``weighed`` that with the prior, and
    ``margins`` each pressure of it by itself. ``one_more`` is the cautious information of one visit whose mean is the one so
    far. The dictionaries cache what labels share.
    """

    prior: Prior
    earlier: list[SittingMeasurement]
    today: list[SittingMeasurement]
    at: Circumstances
    careful: Circumstances
    rules: Variability
    varies: Limits
    visits: int
    scheme: Scheme
    flat: Mixture
    weighed: Mixture
    now_with_care: View
    margins: tuple[Margin, Margin]
    one_more: tuple[float, float]
    settled_after: dict[tuple[bool, float], list[SettledAfter]]

    def reached(self, edges: list[Limits]) -> dict[Limits, Reached]:
        """The chance that either usual pressure is at or above each of some edges."""
        flat = chances_of_either(self.flat, edges)
        chances = chances_of_either(self.weighed, edges) if self.prior else flat
        return {
            edge: (chance, alone, four_decimals_half_up(chance), four_decimals_half_up(alone))
            for edge, chance, alone in zip(edges, chances, flat, strict=True)
        }

    def weighed_after(self, count: int) -> Weighing:
        """The cautious weighing after so many further visits."""
        known = self.scheme.after_visits
        weighing = known.get(count)
        if weighing is None:
            precision = added(self.now_with_care.weighing.precision, scaled(self.scheme.one_more, count))
            weighing = known[count] = read_weighing(self.prior, precision, self.varies)
        return weighing

    def with_visits(self, count: int) -> View:
        """The cautious view after so many further visits with the same mean as those so far."""
        (along, across), (beside, below) = self.now_with_care.information, self.one_more
        return see(self.weighed_after(count), along + count * beside, across + count * below)

    def with_readings(self, count: int) -> View:
        """The cautious view after so many more readings in this sitting, its mean unchanged."""
        known, last = self.scheme.after_readings, self.today[-1]
        weighing = known.get(count) if self.visits == len(self.today) == 1 else None
        if weighing is not None:
            return see_value(weighing, last.systolic, last.diastolic)
        within = within_sitting(last.readings + count, self.at, self.rules, irregular=self.at.irregular)
        today = [*self.today[:-1], msgspec.structs.replace(last, within=added(last.spare, within))]
        found = view_of(
            self.prior, evidence_of_visits(visits_by_day(self.earlier + today, self.careful, self.rules)), self.varies
        )
        known[count] = found.weighing
        return found


class Steady(msgspec.Struct, frozen=True, kw_only=True, eq=False, gc=False):
    """Covariances of office visits under some circumstances, whatever their pressures are; those of the cautious view too.

    ``further`` is a visit as it is planned. Two of these are the same only where they are one object.
    """

    careful: Circumstances
    between: Matrix
    between_with_care: Matrix
    further: Matrix
    further_with_care: Matrix


def read_steady(rules: Variability, at: Circumstances) -> Steady:
    """The covariances of office visits in these circumstances."""
    careful = msgspec.structs.replace(at, cautious=True)
    return Steady(
        careful=careful,
        between=between_visits(at, 0, 0, 1, rules),
        between_with_care=between_visits(careful, 0, 0, 1, rules),
        further=further_visit(0, 0, at, rules),
        further_with_care=further_visit(0, 0, careful, rules),
    )


steady_of = remembered(read_steady)


def further_visit(systolic: float, diastolic: float, at: Circumstances, rules: Variability) -> Matrix:
    """The covariance of one further visit as it is planned: with two readings, or a whole series."""
    between = between_visits(at, systolic, diastolic, rules.series.full_days, rules)
    return added(between, within_sitting(rules.settling.planned_readings, at, rules, irregular=at.irregular))


def read_scheme(prior: Prior, steady: Steady, within: Matrix, readings: int) -> Scheme:
    """How one office visit is weighed: so many readings, which leave so much open."""
    precision, with_care = inverse(added(steady.between, within)), inverse(added(steady.between_with_care, within))
    return read_scheme_of_visits(prior, steady, precision, with_care, AS_EXPECTED)


def read_scheme_of_visits(prior: Prior, steady: Steady, precision: Matrix, with_care: Matrix, varies: Limits) -> Scheme:
    """How office visits of these precisions together are weighed."""
    return Scheme(
        weighing=read_weighing(prior, precision, varies),
        with_care=read_weighing(prior, with_care, varies),
        further=steady.further,
        further_with_care=steady.further_with_care,
        one_more=inverse(steady.further_with_care),
        after_visits={},
        after_readings={},
    )


scheme_of = remembered(read_scheme)
scheme_of_visits = remembered(read_scheme_of_visits)


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
    steadily = at.setting == "office" and rules.between[at.between].unit == "mmhg"
    if steadily and not earlier:
        return look_from_one(now, prior, at, rules)
    today = [each for each in earlier if each.day == now.day] + [now]
    before = [each for each in earlier if each.day != now.day]
    if steadily:
        return look_from_many(before, today, prior, at, rules)
    visits = visits_by_day(before + today, at, rules)
    varies = excess_variation(visits, rules.settling)
    careful = msgspec.structs.replace(at, cautious=True)
    seen = view_of(prior, evidence_of_visits(visits), varies)
    with_care = view_of(prior, evidence_of_visits(visits_by_day(before + today, careful, rules)), varies)
    further = further_visit(seen.systolic, seen.diastolic, at, rules)
    further_with_care = further_visit(seen.systolic, seen.diastolic, careful, rules)
    scheme = Scheme(
        weighing=seen.weighing,
        with_care=with_care.weighing,
        further=further,
        further_with_care=further_with_care,
        one_more=inverse(further_with_care),
        after_visits={},
        after_readings={},
    )
    return outlook_of(prior, before, today, at, careful, rules, varies, len(visits), scheme, seen, with_care)


def look_from_one(now: SittingMeasurement, prior: Prior, at: Circumstances, rules: Variability) -> Outlook:
    """The same of an office visit without earlier ones, which most sittings are: its scheme is known from other people."""
    steady = steady_of(rules, at)
    scheme = scheme_of(prior, steady, now.within, now.readings)
    seen = see_value(scheme.weighing, now.systolic, now.diastolic)
    with_care = see_value(scheme.with_care, now.systolic, now.diastolic)
    return outlook_of(prior, [], [now], at, steady.careful, rules, AS_EXPECTED, 1, scheme, seen, with_care)


def look_from_many(
    before: list[SittingMeasurement], today: list[SittingMeasurement], prior: Prior, at: Circumstances, rules: Variability
) -> Outlook:
    """The same of office visits: their scheme is known from people of this age who were measured as often."""
    steady, values = steady_of(rules, at), values_by_day(before + today)
    visits = visits_with(values, steady.between)
    varies = excess_variation(visits, rules.settling)
    measured, with_care = evidence_of_visits(visits), evidence_of_visits(visits_with(values, steady.between_with_care))
    scheme = scheme_of_visits(prior, steady, measured.precision, with_care.precision, varies)
    seen, careful = see(scheme.weighing, *measured.information), see(scheme.with_care, *with_care.information)
    return outlook_of(prior, before, today, at, steady.careful, rules, varies, len(visits), scheme, seen, careful)


def visits_with(values: list[DayValue], between: Matrix) -> list[Visit]:
    """The values of days as visits that vary so."""
    return [
        Visit(systolic=systolic, diastolic=diastolic, covariance=added(between, within))
        for systolic, diastolic, within, _ in values
    ]


def outlook_of(
    prior: Prior,
    earlier: list[SittingMeasurement],
    today: list[SittingMeasurement],
    at: Circumstances,
    careful: Circumstances,
    rules: Variability,
    varies: Limits,
    visits: int,
    scheme: Scheme,
    now: View,
    with_care: View,
) -> Outlook:
    """The outlook, with nothing asked of it yet."""
    flat: Mixture = ((1.0, now.alone()),)
    weighed = now.with_prior() if prior else flat
    # The first by place: a call with more than fifteen names takes several times as long.
    return Outlook(
        prior,
        earlier,
        today,
        at,
        careful=careful,
        rules=rules,
        varies=varies,
        visits=visits,
        scheme=scheme,
        flat=flat,
        weighed=weighed,
        now_with_care=with_care,
        margins=margins_of(weighed),
        one_more=applied(scheme.one_more, with_care.systolic, with_care.diastolic),
        settled_after={},
    )
