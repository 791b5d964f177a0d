"""The rules in force for a sitting: the protocol and the guidelines, with their limits for the person and the setting."""

from __future__ import annotations

import math
from datetime import date

import msgspec

from quietcuff.core.model.evaluation import RuleReference
from quietcuff.core.model.history import History
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.remembered import remembered
from quietcuff.core.rulebook.rulebook import Edge, Guideline, Limits, Protocol, Row, Rulebook, Situation
from quietcuff.core.sitting.percentiles import Norms, find_norms, fit_guideline, fit_protocol
from quietcuff.core.sitting.person import Person


class Demographics(msgspec.Struct, frozen=True, gc=False):
    """What guidelines tell people apart by."""

    age_years: int | None
    expecting: bool


class InForce(msgspec.Struct, frozen=True, gc=False):
    """The rules in force; not to be changed.

    ``applicable`` are the guidelines for the person, the setting and what the protocol measures; a reading is severe from the
    lowest of all limits on, ``severe``. ``percentiles`` is the guideline for this child, whose pressures are ``norms``, with
    ``lacking``, the codes of missing facts for them.
    """

    protocol: Protocol
    reference: RuleReference
    guidelines: list[Guideline]
    applicable: list[Guideline]
    severe: Edge
    percentiles: Guideline | None = None
    norms: Norms | None = None
    lacking: list[str] = []


def put_in_force(
    reading_set: ReadingSet, history: History | None, person: Person, visit: str, day: date, rulebook: Rulebook
) -> InForce:
    """The protocol and guidelines that the caller names, else the protocol's own guidelines, else the usual ones."""
    situation = choose_situation(reading_set, history, person, visit, rulebook)
    name = reading_set.protocol or situation.protocol
    guidelines = reading_set.guidelines or rulebook.protocols[name].guidelines
    if not guidelines:
        preferred = reading_set.intake.default_guidelines if reading_set.intake is not None else None
        guidelines = default_guidelines(situation, preferred, rulebook)
    rules = rules_of(rulebook, name, tuple(guidelines), reading_set.setting, person.age_years, person.expecting)
    if rules.percentiles is not None:
        rules = fit_to_child(rules, reading_set, person, day, rulebook)
    if reading_set.device_average is not None:
        rules = msgspec.structs.replace(rules, protocol=as_recorded(rules.protocol, reading_set))
    return rules


def read_rules(
    rulebook: Rulebook, name: str, asked: tuple[str, ...], setting: str, age_years: int | None, expecting: bool
) -> InForce:
    """The rules for all people of a group in a setting; of a child's percentiles no more than that they are asked for."""
    group, protocol = Demographics(age_years, expecting), rulebook.protocols[name]
    guidelines = [rulebook.guidelines[each] for each in asked]
    if setting != "office":
        guidelines = [in_setting(guideline, setting) for guideline in guidelines]
    child = next((each for each in guidelines if each.measures == "percentile"), None)
    applicable = [each for each in guidelines if applies(each, protocol, group, setting)]
    return InForce(
        protocol=protocol,
        reference=RuleReference(id=name, version=protocol.version, digest=rulebook.digests[name]),
        guidelines=guidelines,
        applicable=applicable,
        severe=severe_edge(applicable, rulebook.limits, expecting=group.expecting),
        percentiles=child if child is not None and in_population(child, group, setting) else None,
    )


# Ages, guidelines and settings come again: a hundred and some are all that a clinic has.
rules_of = remembered(read_rules)


def fit_to_child(rules: InForce, reading_set: ReadingSet, person: Person, day: date, rulebook: Rulebook) -> InForce:
    """The rules with the percentiles as pressures of this child, where those can be known."""
    if rules.percentiles is None:
        return rules
    norms, lacking = find_norms(rules.percentiles, reading_set.subject, person, day, rulebook)
    # One place for the child's limits: everything after this treats a percentile guideline like any other.
    if norms is None:
        return msgspec.structs.replace(rules, lacking=lacking)
    guidelines = [fit_guideline(guideline, norms) for guideline in rules.guidelines]
    protocol = fit_protocol(rules.protocol, norms)
    return msgspec.structs.replace(
        rules,
        protocol=protocol,
        guidelines=guidelines,
        applicable=[each for each in guidelines if applies(each, protocol, person, reading_set.setting)],
        norms=norms,
        lacking=lacking,
    )


def severe_edge(applicable: list[Guideline], limits: Limits, *, expecting: bool) -> Edge:
    """The lowest limit that applies.

    180/110 for everybody, 160/110 in pregnancy and the weeks after birth, and the severe row of every chosen guideline that is
    for this person in this setting.
    """
    edges = [limits.severe, *([limits.severe_expecting] if expecting else [])]
    edges += [severe_of_rows(guideline.rows) for guideline in applicable if guideline.measures == "pressure"]
    return lowest(edges)


def lowest(edges: list[Edge]) -> Edge:
    """The lowest limit of each pressure."""
    return Edge(
        systolic_mmhg=min(edge.systolic_mmhg for edge in edges), diastolic_mmhg=min(edge.diastolic_mmhg for edge in edges)
    )


def severe_of_rows(rows: list[Row]) -> Edge:
    """The lowest limits of the severe rows of a table; infinity where there is none."""
    severe = [row for row in rows if row.severe]
    return Edge(
        systolic_mmhg=min((row.systolic_mmhg for row in severe if row.systolic_mmhg is not None), default=math.inf),
        diastolic_mmhg=min((row.diastolic_mmhg for row in severe if row.diastolic_mmhg is not None), default=math.inf),
    )


def in_setting(guideline: Guideline, setting: str) -> Guideline:
    """The guideline with its table for the setting.

    For the office its own rows; for the ambulatory setting the table of its first deciding part.
    """
    bands = next((each for each in guideline.out_of_office if each.setting == setting and each.decides), None)
    if bands is None:
        return guideline
    return msgspec.structs.replace(guideline, rows=bands.rows, hypertension=bands.hypertension, isolated=[])


def as_recorded(protocol: Protocol, reading_set: ReadingSet) -> Protocol:
    """The protocol that drops the first reading where the device's own mean did so too.

    Only where that first reading was sent along.
    """
    average = reading_set.device_average
    if average is None or not average.first_dropped or not protocol.first_dropped_as_recorded:
        return protocol
    # One reading more than the device averaged means that the dropped one is among them.
    sent = sum(not reading.voided and reading.systolic_mmhg is not None for reading in reading_set.readings)
    return msgspec.structs.replace(protocol, first_dropped=True) if sent == average.readings + 1 else protocol


def applies(guideline: Guideline, protocol: Protocol, person: Person | Demographics, setting: str) -> bool:
    """True where a guideline is for this person and setting, and for what the protocol measures."""
    if protocol.standing is not None:
        return guideline.measures == "fall-on-standing" and in_population(guideline, person, setting)
    return is_for(guideline, person, setting)


def is_for(guideline: Guideline, person: Person | Demographics, setting: str) -> bool:
    """True where a pressure of this person in this setting can be looked up in the guideline's table."""
    return guideline.places_pressures and in_population(guideline, person, setting)


def in_population(guideline: Guideline, person: Person | Demographics, setting: str) -> bool:
    """True where the person and the setting are in the guideline's population."""
    population = guideline.population
    if setting not in population.settings:
        return False
    if population.pregnancy != "either" and person.expecting != (population.pregnancy == "only"):
        return False
    if person.age_years is None:
        return population.age_unknown == "provisional"
    return population.age_from_years <= person.age_years and (
        population.age_below_years is None or person.age_years < population.age_below_years
    )


def choose_situation(
    reading_set: ReadingSet, history: History | None, person: Person, visit: str, rulebook: Rulebook
) -> Situation:
    """The rules where the caller names nothing: by setting, pregnancy, age, attendance and visit."""
    defaults = rulebook.defaults
    if reading_set.setting == "ambulatory":
        return defaults.ambulatory
    if reading_set.setting == "home":
        guidelines = defaults.expecting.guidelines if person.expecting else defaults.home.guidelines
        return msgspec.structs.replace(defaults.home, guidelines=guidelines)
    if person.expecting:
        return defaults.expecting
    if person.age_years is not None and person.age_years < 18:
        return defaults.under_18 if person.age_years >= 13 else defaults.under_13
    if reading_set.attendance == "unattended":
        return defaults.unattended
    if visit == "first" or compares_again(history, rulebook.limits):
        return defaults.first_visit
    return defaults.follow_up


def compares_again(history: History | None, limits: Limits) -> bool:
    """After one comparison that differed by 10 or more, the next visit compares again."""
    if history is None or len({pair.day for pair in history.pairs}) != 1:
        return False
    # One large difference may be chance; the arm of record needs the same again on another day.
    count = len(history.pairs)
    systolic = sum(pair.systolic_difference_mmhg for pair in history.pairs) / count
    diastolic = sum(pair.diastolic_difference_mmhg for pair in history.pairs) / count
    return count < limits.record_pairs and max(abs(systolic), abs(diastolic)) >= limits.arm_difference_mmhg


def default_guidelines(situation: Situation, preferred: list[str] | None, rulebook: Rulebook) -> list[str]:
    """The tenant's own guidelines for adults; in pregnancy and for children the rulebook's."""
    adults = rulebook.defaults.follow_up.guidelines
    return preferred if preferred is not None and situation.guidelines == adults else situation.guidelines
