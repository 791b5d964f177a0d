"""``quietcuff prior``: fit a prior for people's usual pressures to a tenant's own history."""

from __future__ import annotations

import argparse
import sys
from functools import partial
from typing import Any
from uuid import UUID

import msgspec

from quietcuff.analytics.extras import require
from quietcuff.analytics.prior_fit import OwnFit, OwnVisits, fit_prior
from quietcuff.application import AppContext, Caller
from quietcuff.application.stored import EVALUATION_DECODER, SET_DECODER
from quietcuff.cli.keys import on_store
from quietcuff.cli.support.desk import on_desk
from quietcuff.cli.support.tenant_work import named
from quietcuff.cli.support.words import say
from quietcuff.core.certainty.priors import parts_at
from quietcuff.core.certainty.visits import (
    SittingMeasurement,
    between_visits,
    circumstances_of,
    measure_earlier,
    sittings_of_same,
    visits_by_day,
)
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.history import HistorySitting, ReferencePart, ReferencePrior
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.over_visits.history import remember
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.core.sitting.person import Person, describe_person
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.rows.tenants import Tenant, save_settings
from quietcuff.storage.rows.versions import AnsweredVersion, newest_answers_after

PAGE = 500
FIRST = UUID(int=0)
COMMAND = "prior fit"


class RememberedSitting(msgspec.Struct, frozen=True):
    """One sitting of a person's history, with the person as on that day."""

    sitting: HistorySitting
    person: Person


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    fit = actions.add_parser("fit", help="fit a prior to a tenant's own office sittings, and tell how well it holds")
    fit.add_argument("--includes-treated", action="store_true", help="people with known or treated hypertension as well")
    fit.add_argument("--apply", action="store_true", help="use it from now on; without it nothing is changed")
    fit.set_defaults(run=run_fit)
    clear = actions.add_parser("clear", help="go back to the prior of the rules")
    clear.set_defaults(run=run_clear)
    for action in (fit, clear):
        action.add_argument("--tenant", required=True, help="whose history")


def run_fit(arguments: argparse.Namespace) -> int:
    """Fit a prior, report it, and store it if asked.

    Raises:
        NotInstalled: the packages for fitting are missing.
    """
    require("analytics")
    book = load_rulebook()

    rules = book.variability

    def read(connection: Any, tenant_id: int) -> list[OwnVisits]:
        return people_of(connection, tenant_id, book, includes_treated=arguments.includes_treated)

    async def look(desk: AppContext, caller: Caller) -> list[OwnVisits]:
        return await desk.store.read(caller.tenant_id, partial(read, tenant_id=caller.tenant_id))

    tenant = on_store(lambda connection: named(connection, arguments.tenant))
    people = on_desk(arguments.tenant, COMMAND, look)
    if len(people) < rules.tenant_fit.least_people:
        accepted = f"At least {rules.tenant_fit.least_people} people with an office visit that counts; there are {len(people)}."
        raise NotAcceptable.of(parameter="tenant", code="out-of-range", detail=accepted)
    entry = rules.between["office-untreated"]
    both = entry.correlation * entry.systolic * entry.diastolic
    between = (entry.systolic**2, both, entry.diastolic**2)
    found = fit_prior(people, between, rules.tenant_fit, includes_treated=arguments.includes_treated)
    for line in report_of(found, tenant, book):
        sys.stdout.write(line + "\n")
    if not arguments.apply:
        say("Nothing was changed; --apply uses it from now on.")
        return 0
    on_store(lambda connection: keep(connection, arguments.tenant, found))
    say("Set. Servers notice within five seconds; what was evaluated before stays as it was.")
    return 0


def run_clear(arguments: argparse.Namespace) -> int:
    """Remove a tenant's own prior."""
    on_store(lambda connection: keep(connection, arguments.tenant, None))
    say("Set. Servers notice within five seconds; what was evaluated before stays as it was.")
    return 0


def keep(connection: Any, name: str, found: OwnFit | None) -> None:
    """Store a fit, or none, in the tenant's settings."""
    tenant = named(connection, name)
    prior = None if found is None else found.prior
    # Either way a prior is used from now on, the tenant's own or that of the rules, so an earlier choice of none ends.
    settings = msgspec.structs.replace(tenant.settings, prior=prior, without_prior=False)
    save_settings(connection, tenant.tenant_id, settings)


def people_of(connection: Any, tenant_id: int, book: Rulebook, *, includes_treated: bool) -> list[OwnVisits]:
    """The visits of every person that count: measured in the same way, and not before the last change of treatment."""
    seen: dict[UUID, list[RememberedSitting]] = {}
    after = FIRST
    # Page by page: the evaluations of a whole tenant do not fit in memory, the few numbers kept of each do.
    while page := newest_answers_after(connection, tenant_id, after, PAGE):
        for answered in page:
            found = seen_in(answered, book, includes_treated=includes_treated)
            if found is not None:
                seen.setdefault(answered.subject_id, []).append(found)
        after = page[-1].set_id
    people = [visits_of(sittings, book) for sittings in seen.values()]
    return [person for person in people if person is not None]


def seen_in(answered: AnsweredVersion, book: Rulebook, *, includes_treated: bool) -> RememberedSitting | None:
    """Remembered office sitting of a stored set, for adults. Pregnancy is left out, and treated people too unless asked for."""
    if answered.status != "active":
        return None
    reading_set: ReadingSet = SET_DECODER.decode(answered.document)
    if not reading_set.closed:
        return None
    sitting = remember(reading_set, EVALUATION_DECODER.decode(answered.evaluation), book).sitting
    if sitting is None or sitting.setting != "office":
        return None
    person = describe_person(reading_set.subject, sitting.taken_from.date(), book.limits)
    adult = person.age_years is not None and person.age_years >= 18
    if not adult or person.expecting or (person.treated and not includes_treated):
        return None
    return RememberedSitting(sitting, person)


def visits_of(seen: list[RememberedSitting], book: Rulebook) -> OwnVisits | None:
    """Visits of one person: those measured like the newest one, within the window of the rules."""
    rules = book.variability
    newest = max(seen, key=lambda each: each.sitting.taken_from)
    at_newest = newest.sitting
    place = (at_newest.setting, at_newest.attendance, at_newest.site or "not-recorded")
    at = circumstances_of(newest.person, place, rules, irregular=False)
    recent = [
        each.sitting
        for each in seen
        if (at_newest.taken_from.date() - each.sitting.taken_from.date()).days <= rules.visits.window_days
    ]
    counted = sittings_of_same(sorted(recent, key=lambda each: each.taken_from), at, rules)
    measured: list[SittingMeasurement] = [measure_earlier(each, at, rules) for each in counted]
    if not measured:
        return None
    visits = visits_by_day(measured, at, rules)
    level = between_visits(at, visits[0].systolic, visits[0].diastolic, 1, rules)
    # The variance of a visit includes how visits vary; the fit adds that itself, so here it is taken out.
    within = [tuple(a - b for a, b in zip(visit.covariance, level, strict=True)) for visit in visits]
    values = [(visit.systolic, visit.diastolic) for visit in visits]
    return OwnVisits(values=values, within=[(each[0], each[1], each[2]) for each in within])


def report_of(found: OwnFit, tenant: Tenant, book: Rulebook) -> list[str]:
    """Report of a fit: the fitted prior, its distance from the present one, and how well it holds."""
    prior, entry = found.prior, book.variability.between["office-untreated"]
    lines = [f"{found.people} people, {found.visits} visits; {found.people_with_two_visits} people with two visits or more."]
    lines.append(f"Everybody: {spread_in_words(prior)}.")
    lines += [f"  {100 * part.share:.1f} % of people: {spread_in_words(part)}." for part in prior.parts]
    before = tenant.settings.prior
    if before is not None:
        moved = prior.systolic_mmhg - before.systolic_mmhg, prior.diastolic_mmhg - before.diastolic_mmhg
        lines.append(f"Moved from the tenant's prior of now by {moved[0]:+.1f}/{moved[1]:+.1f}.")
    lines += [f"Moved from the rules' prior at {age} years by {moved}." for age, moved in from_survey(found, book)]
    if prior.visits is not None:
        across, down = prior.visits.systolic_sd_mmhg, prior.visits.diastolic_sd_mmhg
        moved_by = f"{across - entry.systolic:+.1f}/{down - entry.diastolic:+.1f}"
        lines.append(
            f"Visits vary by {across:g}/{down:g}; moved from the rules' {entry.systolic:g}/{entry.diastolic:g} by {moved_by}."
        )
    else:
        lines.append("Too few people came twice: visits vary as the rules have it.")
    lines += [
        f"Mean systolic at or above {check.limit_mmhg}: seen {100 * check.seen:.1f} %, by the fit {100 * check.fitted:.1f} %."
        for check in found.checks
    ]
    return lines


def spread_in_words(figures: ReferencePrior | ReferencePart) -> str:
    """Mean and spread of usual pressures in words."""
    spread = f"{figures.systolic_sd_mmhg:g}/{figures.diastolic_sd_mmhg:g}"
    level = f"{figures.systolic_mmhg:g}/{figures.diastolic_mmhg:g}"
    return f"{level}, standard deviation {spread}, correlation {figures.correlation:g}"


def from_survey(found: OwnFit, book: Rulebook) -> list[tuple[int, str]]:
    """Distance of the mean and spread of systolic pressure from the survey's, at three ages."""
    moved = []
    for prior in book.variability.priors.values():
        for age in (30, 50, 70):
            parts = parts_at(prior, age)
            mean = sum(part.share * part.systolic for part in parts)
            variance = sum(part.share * (part.covariance[0] + (part.systolic - mean) ** 2) for part in parts)
            away = f"{found.prior.systolic_mmhg - mean:+.1f} systolic, standard deviation "
            moved.append((age, away + f"{found.prior.systolic_sd_mmhg - variance**0.5:+.1f}"))
    return moved
