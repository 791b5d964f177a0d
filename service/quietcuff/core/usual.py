"""What is known of a person's usual pressure: from this sitting, from earlier visits that measured the same, and before them.

Sitting i gives xᵢ ~ N(μ, Vᵢ) with Vᵢ = B + Wᵢ, between visits and within a sitting; prior μ ~ N(m₀, T).
"""

from __future__ import annotations

import msgspec

from quietcuff.core.arms import Comparison
from quietcuff.core.belief import Belief, Evidence, believe, evidence_of, evidence_of_visits, excess_variation, interval_95
from quietcuff.core.covariance import from_deviations
from quietcuff.core.outcome import Assumption, Category, Finding, Interval, Result
from quietcuff.core.person import Person
from quietcuff.core.readings import ReferencePrior
from quietcuff.core.selection import Selection, first_is_dropped
from quietcuff.core.settling import Outlook, further_visit
from quietcuff.core.sitting import Sitting
from quietcuff.core.sitting_value import arm_chooser, value_sitting
from quietcuff.core.variability import BetweenVisits, Grounded, Prior, Variability
from quietcuff.core.visits import (
    Circumstances,
    Measurement,
    earlier_sittings,
    is_whole,
    measure,
    measure_earlier,
    visits_by_day,
)


class Known(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What all labels of one evaluation share. ``belief`` is with the prior named, ``outlook.flat`` without any."""

    belief: Belief
    interval_95: Interval
    with_device_95: Interval
    outlook: Outlook
    prior: str
    assumptions: list[Assumption]
    bias: list[str]


def measures_usual(sitting: Sitting, selection: Selection, result: Result) -> bool:
    """Whether the result estimates a usual pressure. Source: [DECISION]."""
    reading_set = sitting.reading_set
    return (
        reading_set.context.care == "ordinary"
        and sitting.protocol.classifies_mean
        and result.position in ("sitting", "not-recorded")
        and is_whole(reading_set.setting, len(selection.counted), days_counted(selection), sitting.rulebook.variability)
    )


def days_counted(selection: Selection) -> int:
    """On how many days the readings that count were taken, each by its own clock."""
    return len({attempt.taken_at.date() for attempt in selection.counted})


def weigh(
    sitting: Sitting,
    comparison: Comparison,
    selection: Selection,
    result: Result,
    labelled: list[Category],
    findings: list[Finding],
) -> Known:
    """The usual pressure as this sitting, earlier visits and the prior have it."""
    rules = sitting.rulebook.variability
    name, entry = between_entry(sitting, rules)
    reading_set = sitting.reading_set
    at = Circumstances(
        setting=reading_set.setting,
        attendance=reading_set.attendance,
        site=result.site,
        between=entry,
        irregular=sitting.irregular,
    )
    changed_on = reading_set.subject.treatment_changed_on
    past = earlier_sittings(sitting.history, at, result.taken_from, changed_on, rules)
    now = measure_now(sitting, comparison, selection, at, rules)
    earlier = [measure_earlier(each, at, rules) for each in past]
    prior_name, prior, ground = choose_prior(sitting, rules)
    outlook = look_ahead(earlier, now, prior, at, rules)
    belief = outlook.flat if prior is None else believe(outlook.so_far, outlook.varies)
    harmless = rules.visits.reasons_without_bias
    reasons = [reason for entry in labelled for reason in entry.provisional_because if reason not in harmless]
    effects = [finding.code for finding in findings if finding.code in sitting.rulebook.effects]
    return Known(
        belief=belief,
        interval_95=interval_95(belief),
        with_device_95=interval_95(belief, rules.device.sd_mmhg),
        outlook=outlook,
        prior=prior_name,
        assumptions=[ground, *assumptions(sitting, name, at, [*earlier, now], rules)],
        bias=list(dict.fromkeys(effects + reasons)),
    )


def between_entry(sitting: Sitting, rules: Variability) -> tuple[str, BetweenVisits]:
    """The entry for how visits vary in this setting and, in the office, in this person's group."""
    age = sitting.person.age_years
    older = age is not None and age >= rules.older_from_years
    group = "treated-or-older" if sitting.person.treated or older else "untreated"
    setting = sitting.reading_set.setting
    return next(
        (name, entry)
        for name, entry in rules.between.items()
        if entry.setting == setting and entry.group in (group, "everyone")
    )


def measure_now(
    sitting: Sitting, comparison: Comparison, selection: Selection, at: Circumstances, rules: Variability
) -> Measurement:
    """This sitting's value, with the correction that its rule needs."""
    arm, counted = selection.arm, selection.counted
    chooser = arm_chooser(sitting.valid, at.site) if comparison.basis == "this-sitting" else None
    value = value_sitting(
        sitting.protocol, arm, counted, chooser=chooser, first_dropped=first_is_dropped(sitting, arm, counted)
    )
    day = counted[0].taken_at.date()
    return measure(value, day, days_counted(selection), at, rules, irregular=at.irregular)


def choose_prior(sitting: Sitting, rules: Variability) -> tuple[str, Prior | ReferencePrior | None, Assumption]:
    """What is known of such people before measuring: the tenant's own, else the survey's by age, else nothing.

    Source: [NHANES1718] for adults in the office; nobody else was surveyed so.
    """
    intake, person = sitting.reading_set.intake, sitting.person
    setting = sitting.reading_set.setting
    if intake is not None and intake.without_prior:
        return "none", None, no_prior("without-prior")
    if setting != "office" or person.expecting:
        return "none", None, no_prior("expecting" if person.expecting else "not-office")
    if intake is not None and intake.prior is not None:
        return "tenant", intake.prior, Assumption(code="prior", entry="tenant", basis="choice", source=[])
    if person.age_years is None:
        return "none", None, no_prior("age-not-recorded")
    for name, prior in rules.priors.items():
        if is_of_age(prior, person) and setting in prior.settings:
            return name, prior, grounds("prior", name, prior)
    return "none", None, no_prior("no-survey-of-this-age")


def is_of_age(prior: Prior, person: Person) -> bool:
    """Whether a prior is for people of this person's age."""
    age = person.age_years
    return age is not None and prior.age_from_years <= age and (prior.age_below_years is None or age < prior.age_below_years)


def no_prior(because: str) -> Assumption:
    """That no prior was used, and why."""
    return Assumption(code="no-prior", entry=because, basis="choice", source=["DECISION"])


def grounds(code: str, name: str, entry: Grounded) -> Assumption:
    """An entry of the rules as what a certainty rests on."""
    return Assumption(code=code, entry=name, basis=entry.basis, source=entry.source)


def look_ahead(
    earlier: list[Measurement], now: Measurement, prior: Prior | ReferencePrior | None, at: Circumstances, rules: Variability
) -> Outlook:
    """The visits, this day's last, and what would be believed after more of the same."""
    today = [each for each in earlier if each.day == now.day] + [now]
    visits = visits_by_day([each for each in earlier if each.day != now.day], at, rules) + visits_by_day(today, at, rules)
    varies = excess_variation(visits, rules.settling)
    measured = evidence_of_visits(visits)
    known = Evidence() if prior is None else evidence_of_prior(prior)
    flat = believe(measured, varies)
    return Outlook(
        prior=known,
        so_far=known + measured,
        visits=visits,
        today=today,
        at=at,
        rules=rules,
        varies=varies,
        flat=flat,
        further=further_visit(flat, at, rules),
        seen={},
    )


def evidence_of_prior(prior: Prior | ReferencePrior) -> Evidence:
    """The evidence of what is known before measuring."""
    spread = from_deviations(prior.systolic_sd_mmhg, prior.diastolic_sd_mmhg, prior.correlation)
    return evidence_of(prior.systolic_mmhg, prior.diastolic_mmhg, spread)


def assumptions(
    sitting: Sitting, name: str, at: Circumstances, measured: list[Measurement], rules: Variability
) -> list[Assumption]:
    """What the figures rest on beside the prior, each with its ground."""
    found = [grounds("between-visits", name, at.between)]
    if at.setting == "office":
        found.append(grounds("within-sitting", "office", rules.within))
    if at.irregular:
        found.append(grounds("within-sitting", "irregular", rules.irregular))
    if at.setting == "home" and any(each.days < rules.series.full_days for each in measured):
        found.append(grounds("fewer-days", "series", rules.series))
    rules_used = dict.fromkeys(each.rule for each in measured)
    found += [grounds("value-correction", rule, rules.corrections[rule]) for rule in rules_used if rule in rules.corrections]
    person = sitting.person
    if person.expecting or (person.age_years is not None and person.age_years < 18):
        entry = "expecting" if person.expecting else "under-18"
        found.append(Assumption(code="variability-of-adults", entry=entry, basis="assumed", source=["DECISION"]))
    return [*found, grounds("device", "device", rules.device)]
