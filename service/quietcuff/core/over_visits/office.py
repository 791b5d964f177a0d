"""The pooled office value: its categories, the guidelines' limits for the person, and its certainty."""

from __future__ import annotations

from datetime import date

import msgspec

from quietcuff.core.certainty.certainty import Sureness, circumstances_then, judge_visits
from quietcuff.core.certainty.changes import PressureChange, is_moving, keep_since_change
from quietcuff.core.certainty.visits import measure_earlier
from quietcuff.core.labels.classification import DOUBTFUL_DIASTOLIC, label_placing, no_category, place
from quietcuff.core.model.evaluation import Category, Percentile
from quietcuff.core.model.readings import Facts
from quietcuff.core.over_visits.history import remember
from quietcuff.core.over_visits.pooling import CurrentSitting, SortedSets
from quietcuff.core.over_visits.result import LeftOut, Pooled
from quietcuff.core.rulebook.rulebook import Guideline, Rulebook
from quietcuff.core.sitting.in_force import in_population, is_for
from quietcuff.core.sitting.percentiles import Norms, find_norms, fit_guideline, report_percentile
from quietcuff.core.sitting.person import Person


class Tables(msgspec.Struct, frozen=True, kw_only=True):
    """The requested guidelines, with a child's percentiles as pressures; ``lacking`` are codes of facts missing for those."""

    guidelines: list[Guideline]
    person: Person
    norms: Norms | None
    lacking: list[str]

    def by_name(self) -> dict[str, Guideline]:
        """The guidelines by id."""
        return {guideline.id: guideline for guideline in self.guidelines}


def fit_tables(names: list[str], person: Person, facts: Facts, day: date, rulebook: Rulebook) -> Tables:
    """The guidelines for a person as measured on a day; ``facts`` are those of that day, a child's height among them."""
    guidelines = [rulebook.guidelines[name] for name in names]
    child = next((each for each in guidelines if each.measures == "percentile" and in_population(each, person, "office")), None)
    norms, lacking = (None, []) if child is None else find_norms(child, facts, person, day, rulebook)
    if norms is not None:
        guidelines = [fit_guideline(guideline, norms) for guideline in guidelines]
    return Tables(guidelines=guidelines, person=person, norms=norms, lacking=lacking)


def leave_out_before_change(
    kept: SortedSets, person: Person, facts: Facts, rulebook: Rulebook
) -> tuple[SortedSets, PressureChange | None]:
    """The sets without the office visits before the last change of the office pressure, and that change."""
    known = [(sitting, remember(sitting.reading_set, sitting.evaluation, rulebook).sitting) for sitting in kept.office]
    visits = [(sitting, visit) for sitting, visit in known if visit is not None]
    if len(visits) < 2:
        return kept, None
    newest = visits[-1][1]
    at = circumstances_then(newest, person, rulebook.variability)
    measured = [measure_earlier(visit, at, rulebook.variability) for _, visit in visits]
    moving = is_moving(facts, person, measured[-1].day, rulebook)
    change = keep_since_change(measured[:-1], measured[-1], at, rulebook, moving=moving).change
    if change is None:
        return kept, None
    before = {sitting.set_id for (sitting, _), each in zip(visits, measured, strict=True) if each.day < change.since} - {
        visits[-1][0].set_id
    }
    office = [sitting for sitting in kept.office if sitting.set_id not in before]
    left_out = [LeftOut(set=sitting.set_id, because="before-change") for sitting in kept.office if sitting.set_id in before]
    return msgspec.structs.replace(kept, office=office, left_out=kept.left_out + left_out), change


def days_needed(person: Person, rulebook: Rulebook) -> int:
    """Number of days on which a label must stand. Source: [RJC26], for children [FR04]."""
    child = person.age_years is not None and person.age_years < 18
    return rulebook.limits.label_days_under_18 if child else rulebook.limits.label_days


def classify_office(tables: Tables, pooled: Pooled | None, counted: list[CurrentSitting], rulebook: Rulebook) -> list[Category]:
    """The category of the pooled office value under each guideline.

    Provisional until it stands on enough days, and where automated readings were taken in irregular rhythm.
    """
    reasons = []
    if pooled is not None and pooled.days < days_needed(tables.person, rulebook):
        reasons.append("single-sitting" if pooled.days == 1 else "too-few-visits")
    if any("irregular-rhythm" in entry.provisional_because for sitting in counted for entry in sitting.evaluation.categories):
        reasons.append("irregular-rhythm")
    if any(doubts_diastolic(sitting) for sitting in counted):
        reasons.append(DOUBTFUL_DIASTOLIC)
    confirmed = severe_is_confirmed(counted)
    return [
        label_placing(
            guideline,
            place(guideline, pooled.systolic_mmhg, pooled.diastolic_mmhg),
            tables.person,
            rulebook,
            reasons,
            confirmed=confirmed,
        )
        if pooled is not None and is_for(guideline, tables.person, "office")
        else no_category(guideline, rulebook.digests[guideline.id])
        for guideline in tables.guidelines
    ]


def doubts_diastolic(sitting: CurrentSitting) -> bool:
    """True where sounds went on to zero in a reading that counts."""
    evaluation = sitting.evaluation
    places = [finding.reading for finding in evaluation.findings if finding.code == DOUBTFUL_DIASTOLIC]
    return any(place is not None and evaluation.readings[place].counts for place in places)


def percentile_over_visits(tables: Tables, pooled: Pooled | None) -> Percentile | None:
    """The percentiles of a child's pooled office value."""
    if pooled is None or tables.norms is None:
        return None
    return report_percentile(tables.norms, pooled.systolic_mmhg, pooled.diastolic_mmhg)


def severe_is_confirmed(counted: list[CurrentSitting]) -> bool:
    """True where a severe value was confirmed in a sitting, or seen on two days. Source: [DECISION]."""
    found = [(sitting.day, {finding.code for finding in sitting.evaluation.findings}) for sitting in counted]
    days = {day for day, codes in found if "severe-reading" in codes}
    return len(days) > 1 or any("severe-confirmed" in codes for _, codes in found)


def weigh_office(tables: Tables, categories: list[Category], counted: list[CurrentSitting], rulebook: Rulebook) -> Sureness:
    """The certainty of the labels of the pooled office value, from the visits behind it."""
    left = [remember(sitting.reading_set, sitting.evaluation, rulebook).sitting for sitting in counted]
    visits = [sitting for sitting in left if sitting is not None]
    if not visits:
        return Sureness(certainty=[], findings=[])
    return judge_visits(visits, categories, tables.person, counted[-1].reading_set.intake, rulebook, tables.by_name())
