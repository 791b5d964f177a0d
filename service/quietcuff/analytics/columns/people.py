"""The person on the day of the sitting, and what rules: visit, protocol and guidelines of each set."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietcuff.analytics.columns.block import SetBlock
from quietcuff.analytics.columns.codes import (
    FIRST_VISIT,
    LATER_VISIT,
    NO_VISIT,
    NOTHING,
    SETTINGS,
    Array,
    any_of,
    is_in,
)
from quietcuff.analytics.columns.earlier import EarlierPairs
from quietcuff.analytics.columns.made import BatchRules

PREGNANT, POSTPARTUM, PREGNANCY_NOT_RECORDED = 1, 2, 3
UNKNOWN_AGE = -1000
HOME, AMBULATORY = SETTINGS.index("home"), SETTINGS.index("ambulatory")
ADULT_FROM_YEARS = 18
SITUATIONS = ("first_visit", "follow_up", "unattended", "expecting", "home", "home_expecting", "ambulatory")
FIRST, FOLLOW_UP, UNATTENDED, EXPECTING, AT_HOME, HOME_EXPECTING, RECORDED = range(len(SITUATIONS))


@dataclass(frozen=True, slots=True)
class PersonColumns:
    """The person of each set. ``may_use`` has a row an upper arm, left first; ``refused`` where only the person refuses it."""

    age: Array
    age_known: Array
    child: Array
    expecting: Array
    may_be_expecting: Array
    delivery_day_known: Array
    may_use: Array
    closed: Array
    restricted: Array


@dataclass(frozen=True, slots=True)
class InForceColumns:
    """What rules each set. ``protocol`` is a row of the table of protocols, ``guidelines`` rows of that of guidelines, a row a
    place in the request; ``unsure`` where the core must choose."""

    visit: Array
    protocol: Array
    guidelines: Array
    first_dropped: Array
    applicable: Array
    compares: Array
    unsure: Array
    unknown: Array


def describe_people(block: SetBlock, made: BatchRules) -> PersonColumns:
    """The person as of the day of the sitting."""
    facts, limits, day = block.facts, made.limits, block.day
    known = ~np.isnat(facts.born_to)
    born = np.where(known, facts.born_to, day)
    age = np.where(known, years_between(born, day), UNKNOWN_AGE)
    delivery_known = ~np.isnat(facts.delivered_on)
    since = (day - np.where(delivery_known, facts.delivered_on, day)).astype(np.int64)
    after_birth = facts.pregnancy == POSTPARTUM
    by_day = delivery_known & (~after_birth | (since >= 0))
    in_window = (since >= 0) & (since <= limits.postpartum_days)
    possible = limits.possible_pregnancy_years
    closed = np.stack([facts.left_closed, facts.right_closed])
    return PersonColumns(
        age=age,
        age_known=known,
        child=known & (age < ADULT_FROM_YEARS),
        expecting=(facts.pregnancy == PREGNANT) | np.where(by_day, in_window, after_birth),
        may_be_expecting=~facts.male
        & (facts.pregnancy == PREGNANCY_NOT_RECORDED)
        & known
        & (age >= possible.lowest)
        & (age <= possible.highest),
        delivery_day_known=delivery_known & (since >= 0),
        may_use=closed == 0,
        closed=closed,
        restricted=any_of(closed != 0),
    )


def years_between(born: Array, day: Array) -> Array:
    """Completed years."""
    born_month, month = born.astype("datetime64[M]"), day.astype("datetime64[M]")
    months = (month - born_month).astype(np.int64)
    in_month = (day - month.astype("datetime64[D]")).astype(np.int64)
    born_in_month = (born - born_month.astype("datetime64[D]")).astype(np.int64)
    return (months - (in_month < born_in_month)) // 12


def put_in_force(block: SetBlock, people: PersonColumns, earlier: EarlierPairs, made: BatchRules) -> InForceColumns:
    """The visit, the protocol and the guidelines: as named, else as the situation has it."""
    facts = block.facts
    stored = (facts.earlier_sittings > 0) | (earlier.count > 0)
    by_history = np.where(facts.has_history, np.where(stored, LATER_VISIT, FIRST_VISIT), NO_VISIT)
    visit = np.where(facts.visit >= 0, facts.visit, by_history)
    situation = choose_situation(block, people, earlier, visit)
    named = made.protocol_of[facts.protocol]
    protocol = np.where(named == NOTHING, made.situation_protocol[situation], named)
    unknown = protocol < 0
    protocol = np.maximum(protocol, 0)
    combination = choose_guidelines(block, made, situation, protocol)
    unknown |= made.combination_unknown[combination]
    unknown |= made.default_unknown[facts.default_guidelines]
    place = made.combinations[combination].T
    table = made.guidelines
    guidelines = np.where(place < 0, len(table.rows) - 1, table.count * facts.setting.astype(np.int64) + place)
    arms = made.protocols.arms[protocol]
    return InForceColumns(
        visit=visit,
        protocol=protocol,
        guidelines=guidelines,
        first_dropped=made.protocols.first_dropped[protocol] | dropped_as_recorded(block, made, protocol),
        applicable=find_applicable(guidelines, facts.setting, people, made),
        compares=(arms == made.both_arms) | ((arms == made.both_at_first) & (visit == FIRST_VISIT)),
        unsure=earlier.borderline & (visit != FIRST_VISIT) & is_in(situation, (FIRST, FOLLOW_UP)),
        unknown=unknown,
    )


def choose_situation(block: SetBlock, people: PersonColumns, earlier: EarlierPairs, visit: Array) -> Array:
    """What rules where nothing is named: by setting, pregnancy, attendance and visit. Of children the core decides."""
    facts = block.facts
    office = np.where((visit == FIRST_VISIT) | earlier.compares_again, FIRST, FOLLOW_UP)
    office = np.where(facts.unattended, UNATTENDED, office)
    office = np.where(people.expecting, EXPECTING, office)
    home = np.where(people.expecting, HOME_EXPECTING, AT_HOME)
    return np.where(facts.setting == AMBULATORY, RECORDED, np.where(facts.setting == HOME, home, office))


def choose_guidelines(block: SetBlock, made: BatchRules, situation: Array, protocol: Array) -> Array:
    """Which list of guidelines rules: as named, the protocol's own, the clinic's own for adults, else the situation's."""
    facts = block.facts
    named = made.names_of[facts.guidelines]
    own = made.protocol_names[protocol]
    preferred = np.where(made.situation_for_adults[situation], made.default_names_of[facts.default_guidelines], NOTHING)
    usual = np.where(preferred == NOTHING, made.situation_names[situation], preferred)
    return np.where(named != NOTHING, named, np.where(own != NOTHING, own, usual))


def dropped_as_recorded(block: SetBlock, made: BatchRules, protocol: Array) -> Array:
    """Where the device left the first reading out of its own mean, and that reading was sent along."""
    facts = block.facts
    asked = facts.average_first_dropped & made.protocols.first_as_recorded[protocol]
    if not asked.any():
        return asked
    sent = (block.live & block.measured.has_systolic).sum(axis=0)
    return asked & (sent == facts.average_readings + 1)


def find_applicable(guidelines: Array, setting: Array, people: PersonColumns, made: BatchRules) -> Array:
    """Which guidelines are for the person and the setting, and place pressures."""
    table = made.guidelines
    return table.places_pressures[guidelines] & in_population(guidelines, setting, people, made)


def in_population(guidelines: Array, setting: Array, people: PersonColumns, made: BatchRules) -> Array:
    """Whether the person and the setting are in each guideline's population."""
    table = made.guidelines
    pregnancy = table.pregnancy[guidelines]
    fits = (pregnancy == 2) | (people.expecting == (pregnancy == 1))
    age = np.where(
        people.age_known,
        (table.age_from[guidelines] <= people.age) & (people.age < table.age_below[guidelines]),
        table.age_unknown_accepted[guidelines],
    )
    return table.for_setting[guidelines, setting] & fits & age
