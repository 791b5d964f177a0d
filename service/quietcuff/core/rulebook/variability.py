"""The types of ``variability.toml`` and ``drift.toml``: variation of pressures, priors, and the test for a change.

Every entry names its sources and its ground: ``published`` figures, ``computed`` from public data, a reasoned ``choice``
between figures, or ``assumed``, with no source at all. Pressures and their standard deviations are mmHg.
"""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta

from quietcuff.core.model.fields import Setting
from quietcuff.core.rulebook.base import RuleStruct

Ground = Literal["published", "computed", "choice", "assumed"]
Group = Literal["everyone", "untreated", "treated-or-older"]
Positive = Annotated[float, Meta(gt=0)]
Correlation = Annotated[float, Meta(ge=-0.9, le=0.9)]
Share = Annotated[float, Meta(gt=0, lt=1)]
Count = Annotated[int, Meta(ge=1)]


class Grounded(RuleStruct, frozen=True, kw_only=True):
    """An entry with its ground, a note where one is needed, and its sources."""

    basis: Ground
    note: str = ""
    source: list[str]


class BetweenVisits(Grounded, frozen=True, kw_only=True):
    """The standard deviations of visits around the usual pressure, in mmHg or in per cent of the measured level. A label is
    settled only where it would be with those of ``at_most`` as well."""

    setting: Setting
    group: Group
    unit: Literal["mmhg", "percent"]
    systolic: Positive
    diastolic: Positive
    correlation: Correlation
    at_most_systolic: Positive | None = None
    at_most_diastolic: Positive | None = None


class WithinSitting(Grounded, frozen=True, kw_only=True):
    """The standard deviations of readings around their sitting's level, and how alike neighbouring readings are."""

    systolic_sd_mmhg: Positive
    systolic_autocorrelation: Annotated[float, Meta(ge=0, lt=1)]
    diastolic_sd_mmhg: Positive
    diastolic_autocorrelation: Annotated[float, Meta(ge=0, lt=1)]
    correlation: Correlation


class IrregularWithin(Grounded, frozen=True, kw_only=True):
    """By how much the standard deviations within a sitting grow in irregular rhythm."""

    deviation_times: Positive


class SeriesDays(Grounded, frozen=True, kw_only=True):
    """The conditions that make a series one visit; its standard deviation grows by sqrt(1 + day_share·(full_days/days - 1))
    where it has fewer days."""

    least_readings: Count
    least_days: Count
    full_days: Count
    day_share: Share


class ValueCorrection(Grounded, frozen=True, kw_only=True):
    """The addition to a mean of so many readings that were chosen by their values, and to its variance (mmHg²); a mean of more
    readings takes a smaller share."""

    readings: Count
    systolic_mmhg: float
    diastolic_mmhg: float
    added_variance: float


class OlderAges(Grounded, frozen=True, kw_only=True):
    """From which age to which visits of untreated people come to vary as those of the other group do, evenly by the year."""

    from_years: Count
    to_years: Count


class ByAge(RuleStruct, frozen=True, kw_only=True):
    """Figures at some ages, in order; evenly between them, and the same beyond the first and the last."""

    at_years: list[Count]
    value: list[float]


class Prior(Grounded, frozen=True, kw_only=True):
    """The spread of usual pressures among adults of an age, in two normal parts, the lower and the higher.

    The systolic pressure has a share of people in the higher part (as log odds), a middle of each part by age and a spread that
    does not change with it. The diastolic one is spread around a line: ``diastolic_mmhg`` at ``line_at_systolic_mmhg``, rising
    with the systolic by ``diastolic_per_systolic``, with the variance ``diastolic_variance`` (mmHg²).
    """

    name: str
    settings: list[Setting]
    from_years: Count
    higher_log_odds: ByAge
    lower_systolic_mmhg: ByAge
    lower_systolic_sd_mmhg: Positive
    higher_systolic_mmhg: ByAge
    higher_systolic_sd_mmhg: Positive
    line_at_systolic_mmhg: Positive
    diastolic_mmhg: ByAge
    diastolic_per_systolic: ByAge
    diastolic_variance: ByAge


class TenantFit(Grounded, frozen=True, kw_only=True):
    """The number of people a tenant needs for a prior of its own, and with two visits or more for how its visits vary; a
    part with a smaller share than ``least_share`` is none."""

    least_people: Count
    least_people_with_two_visits: Count
    least_share: Share


class DeviceBias(Grounded, frozen=True, kw_only=True):
    """The standard deviation of a device's own bias, which no number of readings averages out."""

    sd_mmhg: Positive


class VisitRules(Grounded, frozen=True, kw_only=True):
    """The earlier sittings that are visits: at most so many days back, and provisional for no other reason than these, which
    are no bias."""

    window_days: Count
    reasons_without_bias: list[str]


class Settling(Grounded, frozen=True, kw_only=True):
    """The thresholds of a settled label, how far the search for it goes, and when visits vary more than expected."""

    settled_from: Share
    most_readings: Count
    most_visits: Count
    planned_visits: list[Count]
    planned_readings: Count
    vary_from_visits: Annotated[int, Meta(ge=2)]
    vary_below_chance: Share


class Variability(RuleStruct, frozen=True, kw_only=True):
    """Everything that the certainty of a label is computed from."""

    version: str
    older: OlderAges
    between: dict[str, BetweenVisits]
    within: WithinSitting
    irregular: IrregularWithin
    series: SeriesDays
    corrections: dict[str, ValueCorrection]
    priors: dict[str, Prior]
    tenant_fit: TenantFit
    device: DeviceBias
    visits: VisitRules
    settling: Settling


class ChangeLimit(RuleStruct, frozen=True, kw_only=True):
    """The limit that the largest statistic of so many visits must reach: where people stand still, and where values move."""

    visits: Annotated[int, Meta(ge=2)]
    still: Annotated[float, Meta(gt=0)]
    moving: Annotated[float, Meta(gt=0)]


class ChangeTest(Grounded, frozen=True, kw_only=True):
    """The type of ``drift.toml``: limits for the test of a change, which rise with the number of visits.

    Where the pressure stands still the test is wrong in at most these shares. From ``scatter_from_visits`` visits on, a scatter
    beyond the expected one weakens it.
    """

    version: str
    wrong_where_still: Share
    wrong_where_moving: Share
    scatter_from_visits: Count
    limits: Annotated[list[ChangeLimit], Meta(min_length=1)]

    def limit(self, visits: int, *, moving: bool) -> float:
        """The limit for so many visits: the entry of that number, else of the next larger one, else the last."""
        entry = next((each for each in self.limits if each.visits >= visits), self.limits[-1])
        return entry.moving if moving else entry.still
