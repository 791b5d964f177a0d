"""Priors: what is known of a person's usual pressure before it is measured, from a tenant, a survey or nobody."""

from __future__ import annotations

from math import exp

import msgspec

from quietcuff.core.certainty.beliefs import from_deviations
from quietcuff.core.certainty.mixture import Prior, PriorPart
from quietcuff.core.certainty.visits import Circumstances, SittingMeasurement
from quietcuff.core.model.evaluation import Assumption
from quietcuff.core.model.fields import Setting
from quietcuff.core.model.history import ReferencePart, ReferencePrior
from quietcuff.core.model.readings import Intake
from quietcuff.core.rulebook.remembered import remembered
from quietcuff.core.rulebook.variability import ByAge, Grounded, Variability
from quietcuff.core.rulebook.variability import Prior as SurveyPrior
from quietcuff.core.sitting.person import Person


class ChosenPrior(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """A prior by name; no parts where there is none, with the reason; and the ground it rests on."""

    name: str
    parts: Prior
    because: str
    ground: Assumption


def choose_prior(person: Person, setting: Setting, intake: Intake | None, rules: Variability, *, is_high: bool) -> ChosenPrior:
    """Choose the prior: the tenant's own people, else a survey's people of that age, else none.

    None where hypertension is known or treated, unless the tenant's prior includes such people. No survey's prior where the
    value is in the range of hypertension and treatment is not recorded: nobody knows which people such a person is like.
    Source: [NHANES1718] for adults in the office, the only people surveyed so. The rest is [DECISION].
    """
    if intake is not None and intake.without_prior:
        return no_prior("without-prior")
    if setting != "office" or person.expecting:
        return no_prior("expecting" if person.expecting else "not-office")
    own = None if intake is None else intake.prior
    # A tenant fits its prior to people neither known nor treated, unless it says that it includes these.
    if person.treated and (own is None or not own.includes_treated):
        return no_prior("known-or-treated")
    if own is not None:
        return prior_of_tenant(rules, figures_of_tenant(own))
    return survey_prior(person, setting, rules, is_high=is_high)


def survey_prior(person: Person, setting: Setting, rules: Variability, *, is_high: bool) -> ChosenPrior:
    """The prior of the survey that has this setting and age, if there is one and the person may be like its people."""
    age = person.age_years
    if age is None:
        return no_prior("age-not-recorded")
    for name, prior in rules.priors.items():
        if setting in prior.settings and age >= prior.from_years:
            if is_high and not person.treatment_recorded:
                return no_prior("treatment-not-recorded")
            return prior_of_age(prior, name, age)
    return no_prior("no-survey-of-this-age")


def read_prior(prior: SurveyPrior, name: str, age_years: int) -> ChosenPrior:
    """The prior of a survey for people of an age."""
    return ChosenPrior(name=name, parts=parts_at(prior, age_years), because="", ground=grounds("prior", name, prior))


prior_of_age = remembered(read_prior)


def no_prior(because: str) -> ChosenPrior:
    """No prior, and the reason."""
    ground = Assumption(code="no-prior", entry=because, basis="choice", source=["DECISION"])
    return ChosenPrior(name="none", parts=(), because=because, ground=ground)


def grounds(code: str, name: str, entry: Grounded) -> Assumption:
    """An entry of the rules as an assumption of a certainty."""
    return grounds_of(entry, code, name)


def name_grounds(entry: Grounded, code: str, name: str) -> Assumption:
    """An entry of the rules as an assumption of a certainty."""
    return Assumption(code=code, entry=name, basis=entry.basis, source=entry.source)


grounds_of = remembered(name_grounds)


def parts_at(prior: SurveyPrior, age_years: float) -> Prior:
    """The parts of a survey's prior at an age. Source: [NHANES1718], fitted as docs/certainty.md tells."""
    return parts_of_age(prior, age_years)


def read_parts(prior: SurveyPrior, age_years: float) -> Prior:
    """The parts of a survey's prior at an age, read off its figures."""
    higher = 1 / (1 + exp(-value_at(prior.higher_log_odds, age_years)))
    slope = value_at(prior.diastolic_per_systolic, age_years)
    at_line, beside = value_at(prior.diastolic_mmhg, age_years), value_at(prior.diastolic_variance, age_years)
    return tuple(
        PriorPart(
            share=share,
            systolic=middle,
            diastolic=at_line + slope * (middle - prior.line_at_systolic_mmhg),
            covariance=(sd * sd, slope * sd * sd, slope * slope * sd * sd + beside),
        )
        for share, middle, sd in (
            (1 - higher, value_at(prior.lower_systolic_mmhg, age_years), prior.lower_systolic_sd_mmhg),
            (higher, value_at(prior.higher_systolic_mmhg, age_years), prior.higher_systolic_sd_mmhg),
        )
    )


parts_of_age = remembered(read_parts)


def value_at(figures: ByAge, age_years: float) -> float:
    """A figure at an age: 10 at 20 years and 14 at 40 give 12 at 30, and 14 at 50."""
    ages, values = figures.at_years, figures.value
    if age_years <= ages[0]:
        return values[0]
    for place in range(1, len(ages)):
        if age_years < ages[place]:
            share = (age_years - ages[place - 1]) / (ages[place] - ages[place - 1])
            return values[place - 1] + share * (values[place] - values[place - 1])
    return values[-1]


# A share, two means and two standard deviations in mmHg, and a correlation.
Figures = tuple[float, float, float, float, float, float]


def figures_of(share: float, part: ReferencePrior | ReferencePart) -> Figures:
    """The figures of one part of a tenant's prior."""
    means = part.systolic_mmhg, part.diastolic_mmhg
    return share, *means, part.systolic_sd_mmhg, part.diastolic_sd_mmhg, part.correlation


def figures_of_tenant(prior: ReferencePrior) -> tuple[Figures, ...]:
    """The figures of a tenant's own prior: the parts it names, else one part of everybody."""
    if not prior.parts:
        return (figures_of(1.0, prior),)
    return tuple([figures_of(part.share, part) for part in prior.parts])


def read_tenant(rules: Variability, figures: tuple[Figures, ...]) -> ChosenPrior:
    """A tenant's own prior, from its figures; of the rules nothing is taken."""
    parts = [
        PriorPart(share=share, systolic=systolic, diastolic=diastolic, covariance=from_deviations(across, down, correlation))
        for share, systolic, diastolic, across, down, correlation in figures
    ]
    ground = Assumption(code="prior", entry="tenant", basis="choice", source=[])
    return ChosenPrior(name="tenant", parts=tuple(parts), because="", ground=ground)


# One object for each tenant's figures, so that what is remembered for its prior is found again.
prior_of_tenant = remembered(read_tenant)


def assumptions(person: Person, at: Circumstances, measured: list[SittingMeasurement], rules: Variability) -> list[Assumption]:
    """Assumptions behind the figures beside the prior, each with its ground."""
    fewer_days = at.setting == "home" and any(each.days < rules.series.full_days for each in measured)
    corrected = tuple(dict.fromkeys([each.rule for each in measured if each.rule in rules.corrections]))
    no_adult = "under-18" if person.age_years is not None and person.age_years < 18 else ""
    group = "expecting" if person.expecting else no_adult
    return grounds_beside(rules, at, fewer_days, corrected, group)


def read_grounds(
    rules: Variability,
    at: Circumstances,
    fewer_days: bool,
    corrected: tuple[str, ...],
    group: str,
) -> list[Assumption]:
    """The assumptions in some circumstances, with the corrected rules, and the group that adults stand for."""
    spread = (at.between, at.towards) if 0 < at.towards_share < 1 else (at.towards if at.towards_share else at.between,)
    found = [grounds("between-visits", name, rules.between[name]) for name in spread]
    if len(spread) > 1:
        found.append(grounds("older", "older", rules.older))
    if at.setting == "office":
        found.append(grounds("within-sitting", "office", rules.within))
        if at.irregular:
            found.append(grounds("within-sitting", "irregular", rules.irregular))
    if fewer_days:
        found.append(grounds("fewer-days", "series", rules.series))
    found += [grounds("value-correction", rule, rules.corrections[rule]) for rule in corrected]
    if group:
        found.append(Assumption(code="variability-of-adults", entry=group, basis="assumed", source=["DECISION"]))
    return [*found, grounds("device", "device", rules.device)]


grounds_beside = remembered(read_grounds)


def rules_of_tenant(intake: Intake | None, rules: Variability) -> Variability:
    """The rules, with the spread of visits that a tenant measured in its own untreated people. Source: [DECISION]."""
    seen = None if intake is None or intake.prior is None else intake.prior.visits
    if seen is None:
        return rules
    return spread_of_tenant(rules, seen.systolic_sd_mmhg, seen.diastolic_sd_mmhg, seen.correlation)


def put_spread(rules: Variability, systolic_sd_mmhg: float, diastolic_sd_mmhg: float, correlation: float) -> Variability:
    """The rules with another spread of visits of untreated people."""
    entry = rules.between["office-untreated"]
    own = msgspec.structs.replace(
        entry,
        systolic=systolic_sd_mmhg,
        diastolic=diastolic_sd_mmhg,
        correlation=correlation,
        # A tenant with calm visits must not settle labels sooner than the cautious figures of the rules allow.
        at_most_systolic=max(systolic_sd_mmhg, entry.at_most_systolic or 0),
        at_most_diastolic=max(diastolic_sd_mmhg, entry.at_most_diastolic or 0),
    )
    return msgspec.structs.replace(rules, between=rules.between | {"office-untreated": own})


# One object for each tenant's figures, so that what is remembered for the rules is found again.
spread_of_tenant = remembered(put_spread)
