"""What is known of a usual pressure: from the newest sitting, from earlier ones that measured the same, and from a prior.

Sitting i gives xᵢ ~ N(μ, Vᵢ) with Vᵢ = B + Wᵢ, between visits and within a sitting; prior μ ~ N(m₀, T).
"""

from __future__ import annotations

import msgspec

from quietcuff.core.belief import Belief, Evidence, believe, evidence_of, evidence_of_visits, excess_variation, interval_95
from quietcuff.core.covariance import from_deviations
from quietcuff.core.outcome import Assumption, Interval
from quietcuff.core.person import Person
from quietcuff.core.readings import Intake, ReferencePrior, Setting
from quietcuff.core.settling import Outlook, further_visit
from quietcuff.core.variability import BetweenVisits, Grounded, Prior, Variability
from quietcuff.core.visits import Circumstances, Measurement, visits_by_day


class Known(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What all labels of one evaluation share. ``belief`` is with the prior named, ``outlook.flat`` without any."""

    belief: Belief
    interval_95: Interval
    with_device_95: Interval
    outlook: Outlook
    prior: str
    assumptions: list[Assumption]


def weigh(
    earlier: list[Measurement],
    now: Measurement,
    at: Circumstances,
    person: Person,
    intake: Intake | None,
    rules: Variability,
) -> Known:
    """The usual pressure as the newest sitting, earlier ones and the prior have it."""
    name, prior, ground = choose_prior(person, at.setting, intake, rules)
    outlook = look_ahead(earlier, now, prior, at, rules)
    belief = outlook.flat if prior is None else believe(outlook.so_far, outlook.varies)
    return Known(
        belief=belief,
        interval_95=interval_95(belief),
        with_device_95=interval_95(belief, rules.device.sd_mmhg),
        outlook=outlook,
        prior=name,
        assumptions=[ground, *assumptions(person, at, [*earlier, now], rules)],
    )


def between_entry(person: Person, setting: Setting, rules: Variability) -> str:
    """The name of the entry for how visits vary in this setting and, in the office, in this person's group."""
    age = person.age_years
    older = age is not None and age >= rules.older_from_years
    groups = ("everyone", "treated-or-older" if person.treated or older else "untreated")
    return next(name for name, entry in rules.between.items() if entry.setting == setting and entry.group in groups)


def choose_prior(
    person: Person, setting: Setting, intake: Intake | None, rules: Variability
) -> tuple[str, Prior | ReferencePrior | None, Assumption]:
    """What is known of such people before measuring: the tenant's own, else the survey's by age, else nothing.

    Source: [NHANES1718] for adults in the office; nobody else was surveyed so.
    """
    if intake is not None and intake.without_prior:
        return "none", None, no_prior("without-prior")
    if setting != "office" or person.expecting:
        return "none", None, no_prior("expecting" if person.expecting else "not-office")
    if intake is not None and intake.prior is not None:
        return "tenant", intake.prior, Assumption(code="prior", entry="tenant", basis="choice", source=[])
    age = person.age_years
    if age is None:
        return "none", None, no_prior("age-not-recorded")
    for name, prior in rules.priors.items():
        if prior.age_from_years <= age and (prior.age_below_years is None or age < prior.age_below_years):
            return name, prior, grounds("prior", name, prior)
    return "none", None, no_prior("no-survey-of-this-age")


def no_prior(because: str) -> Assumption:
    """That no prior was used, and why."""
    return Assumption(code="no-prior", entry=because, basis="choice", source=["DECISION"])


def grounds(code: str, name: str, entry: Grounded) -> Assumption:
    """An entry of the rules as what a certainty rests on."""
    return Assumption(code=code, entry=name, basis=entry.basis, source=entry.source)


def look_ahead(
    earlier: list[Measurement], now: Measurement, prior: Prior | ReferencePrior | None, at: Circumstances, rules: Variability
) -> Outlook:
    """The visits, the newest day's last, and what would be believed after more of the same."""
    today = [each for each in earlier if each.day == now.day] + [now]
    visits = visits_by_day([each for each in earlier if each.day != now.day], at, rules) + visits_by_day(today, at, rules)
    varies = excess_variation(visits, rules.settling)
    measured = evidence_of_visits(visits)
    known = Evidence() if prior is None else evidence_of_prior(prior)
    flat = believe(measured, varies)
    further = further_visit(flat, at, rules)
    return Outlook(
        prior=known,
        so_far=known + measured,
        visits=visits,
        today=today,
        at=at,
        rules=rules,
        varies=varies,
        flat=flat,
        further=further,
        one_more=evidence_of(flat.systolic, flat.diastolic, further),
        seen={},
    )


def evidence_of_prior(prior: Prior | ReferencePrior) -> Evidence:
    """The evidence of what is known before measuring."""
    spread = from_deviations(prior.systolic_sd_mmhg, prior.diastolic_sd_mmhg, prior.correlation)
    return evidence_of(prior.systolic_mmhg, prior.diastolic_mmhg, spread)


def assumptions(person: Person, at: Circumstances, measured: list[Measurement], rules: Variability) -> list[Assumption]:
    """What the figures rest on beside the prior, each with its ground."""
    entry: BetweenVisits = rules.between[at.between]
    found = [grounds("between-visits", at.between, entry)]
    if at.setting == "office":
        found.append(grounds("within-sitting", "office", rules.within))
        if at.irregular:
            found.append(grounds("within-sitting", "irregular", rules.irregular))
    if at.setting == "home" and any(each.days < rules.series.full_days for each in measured):
        found.append(grounds("fewer-days", "series", rules.series))
    corrected = dict.fromkeys(each.rule for each in measured if each.rule in rules.corrections)
    found += [grounds("value-correction", rule, rules.corrections[rule]) for rule in corrected]
    if person.expecting or (person.age_years is not None and person.age_years < 18):
        group = "expecting" if person.expecting else "under-18"
        found.append(Assumption(code="variability-of-adults", entry=group, basis="assumed", source=["DECISION"]))
    return [*found, grounds("device", "device", rules.device)]
