"""The visits behind a usual pressure: sittings that are visits, and the covariance of each."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from math import sqrt

import msgspec

from quietcuff.core.certainty.beliefs import Matrix, Visit, added, applied, from_deviations, inverse, scaled
from quietcuff.core.certainty.sitting_value import DAYTIME, SittingValue
from quietcuff.core.model.fields import Attendance, Setting, Site
from quietcuff.core.model.history import History, HistorySitting
from quietcuff.core.rulebook.remembered import remembered
from quietcuff.core.rulebook.variability import BetweenVisits, Variability, WithinSitting
from quietcuff.core.sitting.person import Person

OLDER: dict[str, str] = {"office-untreated": "office-treated-or-older"}


NO_SPREAD: Matrix = (0.0, 0.0, 0.0)


class Circumstances(msgspec.Struct, frozen=True, kw_only=True, gc=False, cache_hash=True):
    """Circumstances that sittings must share to be visits of one usual pressure.

    ``between`` names the entry for how visits vary; a share of ``towards_share`` goes to the entry ``towards``. With
    ``cautious`` visits vary as much as they may.
    """

    setting: Setting
    attendance: Attendance
    site: Site
    between: str
    irregular: bool
    towards: str = ""
    towards_share: float = 0.0
    cautious: bool = False


class SittingMeasurement(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One sitting's value, in mmHg, with the covariance within it.

    ``spare`` is the part of that covariance that came with a correction; ``rule`` names the correction.
    """

    day: date
    systolic: float
    diastolic: float
    readings: int
    days: int
    rule: str
    spare: Matrix
    within: Matrix


def earlier_sittings(
    history: History | None, at: Circumstances, before: datetime, changed_on: date | None, rules: Variability
) -> list[HistorySitting]:
    """The earlier sittings that measure the same.

    Same setting, attendance and arm, seated, of ordinary care, without bias. At most so many days back, and not from before the
    last change of treatment. Source: [DECISION].
    """
    if history is None:
        return []
    today = before.date()
    since = today - timedelta(days=rules.visits.window_days)
    # Two sources of that day: this sitting's facts and the snapshot's; the later one in the window rules.
    for day in (changed_on, history.treatment_changed_on):
        if day is not None and since < day <= today:
            since = day
    known = [each for each in history.sittings if each.taken_from < before and each.taken_from.date() >= since]
    return sittings_of_same(known, at, rules)


def sittings_of_same(sittings: list[HistorySitting], at: Circumstances, rules: Variability) -> list[HistorySitting]:
    """The sittings that measured the same under these circumstances, of ordinary care and without bias. Source: [DECISION]."""
    harmless = frozenset(rules.visits.reasons_without_bias)
    return [
        sitting
        for sitting in sittings
        if (sitting.setting, sitting.attendance, sitting.site) == (at.setting, at.attendance, at.site)
        and at.site != "not-recorded"
        and sitting.care == "ordinary"
        and harmless.issuperset(sitting.provisional_because)
        and is_visit(sitting, rules)
    ]


def is_visit(sitting: HistorySitting, rules: Variability) -> bool:
    """True where the sitting can be a visit: seated in the office, a whole series at home, the daytime of a recording."""
    if sitting.setting == "ambulatory":
        return sitting.value_rule == DAYTIME
    seated = sitting.position in ("sitting", "not-recorded")
    return seated and is_whole(sitting.setting, sitting.readings_counted, sitting.days, rules)


def is_whole(setting: Setting, readings: int, days: int, rules: Variability) -> bool:
    """True where a home series is long enough to be a visit; always true in other settings."""
    return setting != "home" or (readings >= rules.series.least_readings and days >= rules.series.least_days)


def measure(
    value: SittingValue, day: date, days: int, at: Circumstances, rules: Variability, *, irregular: bool
) -> SittingMeasurement:
    """A sitting's value with its rule's correction, and the variance of its readings.

    A first reading dropped for its value adds 2.4 mmHg to the mean of the next two, and 1 mmHg² to its variance.
    """
    correction = rules.corrections.get(value.rule)
    systolic, diastolic = value.systolic_mmhg, value.diastolic_mmhg
    spare = NO_SPREAD
    if correction is not None:
        share = correction.readings / value.readings
        systolic, diastolic = systolic + share * correction.systolic_mmhg, diastolic + share * correction.diastolic_mmhg
        spare = (correction.added_variance, 0.0, correction.added_variance)
    return SittingMeasurement(
        day=day,
        systolic=systolic,
        diastolic=diastolic,
        readings=value.readings,
        days=days,
        rule=value.rule,
        spare=spare,
        within=added(spare, within_sitting(value.readings, at, rules, irregular=irregular)),
    )


def measure_earlier(sitting: HistorySitting, at: Circumstances, rules: Variability) -> SittingMeasurement:
    """An earlier sitting as its snapshot holds it."""
    value = SittingValue(
        systolic_mmhg=sitting.systolic_mmhg,
        diastolic_mmhg=sitting.diastolic_mmhg,
        readings=sitting.readings_counted,
        rule=sitting.value_rule,
    )
    # A snapshot keeps the sitting's own doubt: once irregular, that sitting's readings stay less certain.
    irregular = at.irregular or "irregular-rhythm" in sitting.provisional_because
    return measure(value, sitting.taken_from.date(), sitting.days, at, rules, irregular=irregular)


def within_sitting(readings: int, at: Circumstances, rules: Variability, *, irregular: bool) -> Matrix:
    """The covariance that so many readings leave in their mean: 10.7584 and 9.8865 mmHg² for two.

    Zero in a series or a recording, where it is part of the figure between visits. Source: [NHANES1718].
    """
    if at.setting != "office":
        return NO_SPREAD
    return spread_within(rules.within, readings, rules.irregular.deviation_times if irregular else 1.0)


def work_out_within(within: WithinSitting, readings: int, times: float) -> Matrix:
    """The covariance of the mean of so many readings, whose standard deviations grow so many times."""
    systolic = times * within.systolic_sd_mmhg * sqrt(mean_factor(readings, within.systolic_autocorrelation))
    diastolic = times * within.diastolic_sd_mmhg * sqrt(mean_factor(readings, within.diastolic_autocorrelation))
    return from_deviations(systolic, diastolic, within.correlation)


spread_within = remembered(work_out_within)


def mean_factor(count: int, autocorrelation: float) -> float:
    """The variance of the mean of ``count`` autocorrelated readings, each of variance one.

    [n + 2·Σ (n - l)·ρˡ]/n² over l from 1 to n - 1, summed: 2 readings at 0.28 give 0.64.
    """
    apart = 1 - autocorrelation
    lagged = autocorrelation * (count * apart - 1 + autocorrelation**count) / (apart * apart)
    return (count + 2 * lagged) / (count * count)


def between_visits(at: Circumstances, systolic: float, diastolic: float, days: int, rules: Variability) -> Matrix:
    """The covariance of visits at a level: (56.25, 18.9, 17.64) mmHg² for untreated office visits. Source: the entry's own."""
    matrix, series = spread_between(rules, at), rules.series
    if matrix is None:
        entry = rules.between[at.between]
        across, down = deviations_in(rules, at)
        matrix = from_deviations(across * systolic / 100, down * diastolic / 100, entry.correlation)
    if at.setting == "home" and days < series.full_days:
        return scaled(matrix, 1 + series.day_share * (series.full_days / days - 1))
    return matrix


def deviations_in(rules: Variability, at: Circumstances) -> tuple[float, float]:
    """Variation of visits in these circumstances, in the unit of their entry."""
    across, down = deviations_of(rules.between[at.between], cautious=at.cautious)
    if at.towards_share:
        other, share = deviations_of(rules.between[at.towards], cautious=at.cautious), at.towards_share
        across, down = across + share * (other[0] - across), down + share * (other[1] - down)
    return across, down


def work_out_between(rules: Variability, at: Circumstances) -> Matrix | None:
    """The covariance of visits in these circumstances; None where it follows from the level."""
    entry = rules.between[at.between]
    return None if entry.unit == "percent" else from_deviations(*deviations_in(rules, at), entry.correlation)


spread_between = remembered(work_out_between)


def deviations_of(entry: BetweenVisits, *, cautious: bool) -> tuple[float, float]:
    """Variation of visits in the entry's unit, or the largest variation that they may have."""
    if not cautious:
        return entry.systolic, entry.diastolic
    return entry.at_most_systolic or entry.systolic, entry.at_most_diastolic or entry.diastolic


# One day's level of the pressures, in mmHg, with the covariance that its readings leave, and the days of its series.
DayValue = tuple[float, float, Matrix, int]


def visits_by_day(measurements: list[SittingMeasurement], at: Circumstances, rules: Variability) -> list[Visit]:
    """One visit for each day: sittings of one day share that day's level. Source: [DECISION]."""
    return [visit_at(value, at, rules) for value in values_by_day(measurements)]


def values_by_day(measurements: list[SittingMeasurement]) -> list[DayValue]:
    """The value of each day, in the order in which days come first."""
    days: dict[date, list[SittingMeasurement]] = {}
    for measurement in measurements:
        days.setdefault(measurement.day, []).append(measurement)
    return [value_of_day(of_day) for of_day in days.values()]


def visit_of(of_day: list[SittingMeasurement], at: Circumstances, rules: Variability) -> Visit:
    """The sittings of one day as one visit."""
    return visit_at(value_of_day(of_day), at, rules)


def visit_at(value: DayValue, at: Circumstances, rules: Variability) -> Visit:
    """A day's value as a visit in these circumstances."""
    systolic, diastolic, within, days = value
    between = between_visits(at, systolic, diastolic, days, rules)
    return Visit(systolic=systolic, diastolic=diastolic, covariance=added(between, within))


def value_of_day(of_day: list[SittingMeasurement]) -> DayValue:
    """The value of one day's sittings, each weighed by the precision of its readings."""
    first = of_day[0]
    if len(of_day) > 1:
        # A sitting without error of its own is that day's level, whatever the others say.
        first = next((each for each in of_day if each.within == NO_SPREAD), first)
    systolic, diastolic, within = first.systolic, first.diastolic, first.within
    # The day's level is shared, so only the readings' own error may weigh one sitting against another.
    if len(of_day) > 1 and within != NO_SPREAD:
        precision, information = NO_SPREAD, (0.0, 0.0)
        for each in of_day:
            own = inverse(each.within)
            part = applied(own, each.systolic, each.diastolic)
            precision = added(precision, own)
            information = (information[0] + part[0], information[1] + part[1])
        within = inverse(precision)
        systolic, diastolic = applied(within, *information)
    return systolic, diastolic, within, first.days


def circumstances_of(
    person: Person,
    newest: tuple[Setting, Attendance, Site],
    rules: Variability,
    *,
    irregular: bool,
) -> Circumstances:
    """The circumstances that visits must share with the newest one, and the entries for how visits vary in them."""
    return circumstances_in(rules, *newest, person.treated, person.age_years, irregular)


def read_circumstances(
    rules: Variability,
    setting: Setting,
    attendance: Attendance,
    site: Site,
    treated: bool,
    age_years: int | None,
    irregular: bool,
) -> Circumstances:
    """The circumstances of everyone of an age, treated or not, who is measured in the same way."""
    name = between_entry(rules, setting, treated=treated)
    older = OLDER.get(name, "")
    return Circumstances(
        setting=setting,
        attendance=attendance,
        site=site,
        between=name,
        irregular=irregular,
        towards=older,
        towards_share=share_older(age_years, rules) if older else 0.0,
    )


circumstances_in = remembered(read_circumstances)


def between_entry(rules: Variability, setting: Setting, *, treated: bool) -> str:
    """The name of the entry for how visits vary in this setting and, in the office, in this person's group."""
    groups = ("everyone", "treated-or-older" if treated else "untreated")
    return next(name for name, entry in rules.between.items() if entry.setting == setting and entry.group in groups)


def share_older(age_years: int | None, rules: Variability) -> float:
    """Share, 0 to 1, to which visits of an untreated person vary as those of older people do.

    It grows evenly with age, so that no birthday is a step.
    """
    if age_years is None:
        return 0.0
    older = rules.older
    return min(1.0, max(0.0, (age_years - older.from_years) / (older.to_years - older.from_years)))
