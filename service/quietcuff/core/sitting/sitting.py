"""One sitting as the rules see it: the person, the rules in force, the attempts in order, and the origin of each choice.

The rules in force are the protocol and guidelines that apply, with their limits for the person and the setting.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Any, Literal

import msgspec

from quietcuff.core.model.evaluation import Chosen
from quietcuff.core.model.history import History
from quietcuff.core.model.readings import Reading, ReadingSet, opened_at
from quietcuff.core.rulebook.rulebook import Guideline, Limits, Protocol, Rulebook, Situation
from quietcuff.core.sitting.attempts import Attempt, in_order, judge_attempts
from quietcuff.core.sitting.percentiles import Norms, find_norms, fit_guideline, fit_protocol
from quietcuff.core.sitting.person import Person, describe_person


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


class Sitting(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Everything known before anything is decided.

    ``attempts`` are in order of time; ``made`` are those that are not voided, ``valid`` those without a fault. ``answers`` are
    those of the context by name. ``compares_arms`` is true where both arms are due. ``applicable`` are the requested
    guidelines for this person, setting and protocol, with their limits for these. ``norms`` are a child's, ``lacking`` the
    codes of missing facts for them.
    """

    reading_set: ReadingSet
    history: History | None
    rulebook: Rulebook
    limits: Limits
    answers: dict[str, Any]
    person: Person
    chosen: Chosen
    protocol: Protocol
    guidelines: list[Guideline]
    applicable: list[Guideline]
    day: date
    attempts: list[Attempt]
    made: list[Attempt]
    valid: list[Attempt]
    compares_arms: bool
    irregular: bool
    has_gap: bool
    norms: Norms | None
    lacking: list[str]

    @property
    def last(self) -> Attempt | None:
        """The last attempt that is not voided."""
        return self.made[-1] if self.made else None

    @property
    def not_before(self) -> datetime | None:
        """The earliest moment of the next reading: the interval after the last attempt, in that attempt's offset."""
        last = self.last
        return None if last is None else last.taken_at + timedelta(seconds=self.protocol.interval_seconds)


def describe_sitting(reading_set: ReadingSet, history: History | None, rulebook: Rulebook) -> Sitting:
    """Gather what the rules need; the names of protocol and guidelines are known to be in the rulebook."""
    order = in_order(reading_set.readings)
    day = day_of(reading_set, order)
    person = describe_person(reading_set.subject, day, rulebook.limits)
    visit, visit_by = choose_visit(reading_set, history)
    situation = choose_situation(reading_set, history, person, visit, rulebook)
    preferred = reading_set.intake.default_guidelines if reading_set.intake is not None else None
    rules = put_in_force(reading_set, person, day, situation, default_guidelines(situation, preferred, rulebook), rulebook)
    protocol = rules.protocol
    attempts = judge_attempts(reading_set, order, person, protocol, rulebook.limits, rulebook.cuffs[rulebook.defaults.cuffs])
    made = [attempt for attempt in attempts if attempt.fault != "voided"]
    return Sitting(
        reading_set=reading_set,
        history=history,
        rulebook=rulebook,
        limits=rulebook.limits,
        answers=msgspec.structs.asdict(reading_set.context),
        person=person,
        chosen=say_chosen(reading_set, visit, visit_by),
        protocol=protocol,
        guidelines=rules.guidelines,
        applicable=[each for each in rules.guidelines if applies(each, protocol, person, reading_set.setting)],
        day=day,
        attempts=attempts,
        made=made,
        valid=[attempt for attempt in made if attempt.fault is None],
        compares_arms=protocol.arms == "both" or (protocol.arms == "both-at-first-visit" and visit == "first"),
        irregular=sees_irregular(reading_set, person, made),
        has_gap=sees_gap(reading_set, made, rulebook.limits),
        norms=rules.norms,
        lacking=rules.lacking,
    )


def day_of(reading_set: ReadingSet, order: list[tuple[int, Reading]]) -> date:
    """The local day of the first reading; before there is one, the day on which the set came in."""
    first = next((reading for _, reading in order if not reading.voided), order[0][1] if order else None)
    opened = opened_at(reading_set) if first is None else first.taken_at
    return opened.date() if opened is not None else date.min


def say_chosen(
    reading_set: ReadingSet,
    visit: Literal["first", "follow-up", "not-recorded"],
    visit_by: Literal["caller", "service", "none"],
) -> Chosen:
    """The choices, and who made each."""
    return Chosen(
        visit=visit,
        visit_by=visit_by,
        protocol_by="caller" if reading_set.protocol is not None else "service",
        guidelines_by="caller" if reading_set.guidelines is not None else "service",
    )


def choose_visit(
    reading_set: ReadingSet, history: History | None
) -> tuple[Literal["first", "follow-up", "not-recorded"], Literal["caller", "service", "none"]]:
    """The visit as the caller says, else first when history says that nothing is stored."""
    if reading_set.visit is not None:
        return reading_set.visit, "caller"
    if history is None:
        return "not-recorded", "none"
    return ("follow-up" if history.sittings or history.pairs else "first"), "service"


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


def sees_gap(reading_set: ReadingSet, made: list[Attempt], limits: Limits) -> bool:
    """True where more than 30 minutes lie between two attempts of an office sitting. Source: [DECISION]."""
    if reading_set.setting != "office" or not made:
        return False
    limit = timedelta(minutes=limits.sitting_gap_minutes)
    if made[-1].taken_at - made[0].taken_at <= limit:
        return False
    return any(later.taken_at - earlier.taken_at > limit for earlier, later in pairwise(made))


def sees_irregular(reading_set: ReadingSet, person: Person, made: list[Attempt]) -> bool:
    """An irregular rhythm by a reading, a device's flag, a palpated pulse or what is known of the person."""
    if person.irregular_known or reading_set.context.pulse_palpated == "irregular":
        return True
    return any(attempt.reading.rhythm == "irregular" or "irregular-pulse" in attempt.reading.device_flags for attempt in made)
