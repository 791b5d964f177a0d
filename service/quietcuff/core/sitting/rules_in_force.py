"""The protocol and guidelines that apply to a sitting, with their limits for the person and the setting."""

from __future__ import annotations

from datetime import date

import msgspec

from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.rulebook import Guideline, Protocol, Rulebook, Situation
from quietcuff.core.sitting.percentiles import Norms, find_norms, fit_guideline, fit_protocol
from quietcuff.core.sitting.person import Person


class InForce(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The rules in force. ``norms`` are a child's where a guideline uses percentiles, ``lacking`` codes of missing facts."""

    protocol: Protocol
    guidelines: list[Guideline]
    norms: Norms | None
    lacking: list[str]


def put_in_force(
    reading_set: ReadingSet, person: Person, day: date, situation: Situation, usual: list[str], rulebook: Rulebook
) -> InForce:
    """The protocol and guidelines that the caller names, else the protocol's own guidelines, else the ``usual`` ones."""
    protocol = rulebook.protocols[reading_set.protocol or situation.protocol]
    guidelines = [rulebook.guidelines[name] for name in reading_set.guidelines or protocol.guidelines or usual]
    if reading_set.setting != "office":
        guidelines = [in_setting(guideline, reading_set.setting) for guideline in guidelines]
    child = next((each for each in guidelines if each.measures == "percentile"), None)
    norms: Norms | None = None
    lacking: list[str] = []
    if child is not None and in_population(child, person, reading_set.setting):
        norms, lacking = find_norms(child, reading_set.subject, person, day, rulebook)
    # One place for the child's limits: everything after this treats a percentile guideline like any other.
    if norms is not None:
        guidelines = [fit_guideline(guideline, norms) for guideline in guidelines]
        protocol = fit_protocol(protocol, norms)
    if reading_set.device_average is not None:
        protocol = as_recorded(protocol, reading_set)
    return InForce(protocol=protocol, guidelines=guidelines, norms=norms, lacking=lacking)


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


def applies(guideline: Guideline, protocol: Protocol, person: Person, setting: str) -> bool:
    """True where a guideline is for this person and setting, and for what the protocol measures."""
    if protocol.standing is not None:
        return guideline.measures == "fall-on-standing" and in_population(guideline, person, setting)
    return is_for(guideline, person, setting)


def is_for(guideline: Guideline, person: Person, setting: str) -> bool:
    """True where a pressure of this person in this setting can be looked up in the guideline's table."""
    return guideline.places_pressures and in_population(guideline, person, setting)


def in_population(guideline: Guideline, person: Person, setting: str) -> bool:
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
