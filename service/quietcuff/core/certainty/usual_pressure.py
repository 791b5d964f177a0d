"""The usual pressure from the newest sitting, earlier ones that measured the same, and a prior.

Sitting i gives xᵢ ~ N(μ, Vᵢ) with Vᵢ = B + Wᵢ, between visits and within a sitting; prior μ ~ N(m₀, T).
"""

from __future__ import annotations

import msgspec

from quietcuff.core.certainty.mixture import Prior, believe_with, middle_95, moments_of_each
from quietcuff.core.certainty.posterior import believe, evidence_of, evidence_of_visits, excess_variation
from quietcuff.core.certainty.prior import choose_prior, grounds
from quietcuff.core.certainty.settling import Outlook, View, further_visit
from quietcuff.core.certainty.visits import Circumstances, SittingMeasurement, visits_by_day
from quietcuff.core.model.evaluation import Assumption, Interval
from quietcuff.core.model.fields import Attendance, Setting, Site
from quietcuff.core.model.readings import Intake
from quietcuff.core.rulebook.remembered import remembered
from quietcuff.core.rulebook.variability import Variability
from quietcuff.core.sitting.person import Person

OLDER: dict[str, str] = {"office-untreated": "office-treated-or-older"}


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


def circumstances_of(
    person: Person,
    newest: tuple[Setting, Attendance, Site],
    rules: Variability,
    *,
    irregular: bool,
) -> Circumstances:
    """The circumstances that visits must share with the newest one, and the entries for how visits vary in them."""
    setting, attendance, site = newest
    name = between_entry(person, setting, rules)
    older = OLDER.get(name, "")
    return Circumstances(
        setting=setting,
        attendance=attendance,
        site=site,
        between=name,
        irregular=irregular,
        towards=older,
        towards_share=share_older(person.age_years, rules) if older else 0.0,
    )


def between_entry(person: Person, setting: Setting, rules: Variability) -> str:
    """The name of the entry for how visits vary in this setting and, in the office, in this person's group."""
    groups = ("everyone", "treated-or-older" if person.treated else "untreated")
    return next(name for name, entry in rules.between.items() if entry.setting == setting and entry.group in groups)


def share_older(age_years: int | None, rules: Variability) -> float:
    """Share, 0 to 1, to which visits of an untreated person vary as those of older people do.

    It grows evenly with age, so that no birthday is a step.
    """
    if age_years is None:
        return 0.0
    older = rules.older
    return min(1.0, max(0.0, (age_years - older.from_years) / (older.to_years - older.from_years)))


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
    )


def assumptions(person: Person, at: Circumstances, measured: list[SittingMeasurement], rules: Variability) -> list[Assumption]:
    """Assumptions behind the figures beside the prior, each with its ground."""
    fewer_days = at.setting == "home" and any(each.days < rules.series.full_days for each in measured)
    corrected = tuple(dict.fromkeys([each.rule for each in measured if each.rule in rules.corrections]))
    no_adult = "under-18" if person.age_years is not None and person.age_years < 18 else ""
    group = "expecting" if person.expecting else no_adult
    spread = (at.between, at.towards) if 0 < at.towards_share < 1 else (at.towards if at.towards_share else at.between,)
    return grounds_beside(rules, spread, at.setting, at.irregular, fewer_days, corrected, group)


def read_grounds(
    rules: Variability,
    spread: tuple[str, ...],
    setting: Setting,
    irregular: bool,
    fewer_days: bool,
    corrected: tuple[str, ...],
    group: str,
) -> list[Assumption]:
    """The assumptions, by the entries for how visits vary, the corrected rules, and the group that adults stand for."""
    found = [grounds("between-visits", name, rules.between[name]) for name in spread]
    if len(spread) > 1:
        found.append(grounds("older", "older", rules.older))
    if setting == "office":
        found.append(grounds("within-sitting", "office", rules.within))
        if irregular:
            found.append(grounds("within-sitting", "irregular", rules.irregular))
    if fewer_days:
        found.append(grounds("fewer-days", "series", rules.series))
    found += [grounds("value-correction", rule, rules.corrections[rule]) for rule in corrected]
    if group:
        found.append(Assumption(code="variability-of-adults", entry=group, basis="assumed", source=["DECISION"]))
    return [*found, grounds("device", "device", rules.device)]


grounds_beside = remembered(read_grounds)
