"""What must not wait, of each set: the level, and the findings that say so."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietcuff.analytics.columns.attempts import AttemptColumns
from quietcuff.analytics.columns.block import SetBlock, last_place
from quietcuff.analytics.columns.codes import (
    LEVEL,
    NO_SITE,
    NOT_RECORDED,
    OFFICE,
    YES,
    Array,
    all_of,
    any_of,
    at_or_above,
)
from quietcuff.analytics.columns.labels import JudgedBlock
from quietcuff.analytics.columns.made import BatchRules
from quietcuff.analytics.columns.means import MeanColumns
from quietcuff.analytics.columns.people import POSTPARTUM, PREGNANT, PersonColumns
from quietcuff.analytics.columns.severity import SevereColumns, as_hundredths, is_severe
from quietcuff.core.rulebook.rulebook import Edge


@dataclass(frozen=True, slots=True)
class SafetyColumns:
    """The level of each set; the findings by code, of sets and of single readings; and readings with a low pressure."""

    level: Array
    findings: dict[str, Array]
    of_readings: dict[str, Array]
    symptoms: Array


def watch(judged: JudgedBlock) -> SafetyColumns:
    """The safety layer of one sitting of an adult."""
    block, attempts, people, severe = judged.block, judged.attempts, judged.people, judged.severe
    means, made = judged.means, judged.made
    answer = judged.columns.answers["acute_symptoms"][block.places]
    symptoms, unasked = answer == YES, answer == NOT_RECORDED
    can_repeat = any_of(people.may_use) & (block.facts.closed | (attempts.valid.sum(axis=0) < made.limits.most_readings_asked))
    low, low_any, low_waits = watch_low(block, attempts, made)
    raised = is_raised(block, attempts, means, made.limits.hypertension_expecting)
    at_risk = people.may_be_expecting & ~people.expecting
    high = at_risk & any_of(is_severe(block, attempts, *as_hundredths(made.limits.severe_expecting)))
    outside = block.facts.setting != OFFICE
    reaches = means.has & ((means.reported[0] >= severe.systolic / 100) | (means.reported[1] >= severe.diastolic / 100))
    stands = judged.selection.chain.count >= made.limits.severe_mean_readings
    ask = LEVEL["ask"]
    levels = (
        np.where(symptoms, LEVEL["urgent"], 0),
        level_of_severe(severe, people, can_repeat),
        np.where(reaches, level_of_mean(stands, people, can_repeat), 0),
        np.where(low_any & low_waits & unasked & ~severe.any, ask, 0),
        np.where(people.expecting & raised, np.where(outside, LEVEL["same-day"], np.where(unasked, ask, 0)), 0),
        np.where(high, ask, 0),
    )
    found = {
        "acute-symptoms": symptoms,
        "severe-confirmed": severe.confirmed,
        "severe-persistent": severe.confirmed & people.expecting & severe.persistent,
        "severe-not-confirmed": severe.any & ~severe.confirmed & ~severe.waiting,
        "severe-mean": reaches,
        "expecting-raised": people.expecting & raised,
        "pregnancy-not-recorded": at_risk & (high | raised),
        **person_findings(block, people),
    }
    of_readings = {"severe-reading": severe.severe, "low-reading": low}
    return SafetyColumns(level=np.max(np.stack(levels), axis=0), findings=found, of_readings=of_readings, symptoms=symptoms)


def level_of_severe(severe: SevereColumns, people: PersonColumns, can_repeat: Array) -> Array:
    """How pressing severe readings are."""
    confirmed = np.where(people.expecting, LEVEL["urgent"], LEVEL["same-day"])
    waiting = np.where(can_repeat, LEVEL["confirm"], LEVEL["same-day"])
    level = np.where(severe.confirmed, confirmed, np.where(severe.waiting, waiting, LEVEL["ask"]))
    return np.where(severe.any, level, 0)


def level_of_mean(stands: Array, people: PersonColumns, can_repeat: Array) -> Array:
    """How pressing a severe mean is."""
    standing = np.where(people.expecting, LEVEL["urgent"], LEVEL["same-day"])
    return np.where(stands, standing, np.where(can_repeat, LEVEL["confirm"], LEVEL["same-day"]))


def watch_low(block: SetBlock, attempts: AttemptColumns, made: BatchRules) -> tuple[Array, Array, Array]:
    """Readings with a low systolic, which sets have one, and whether no later sound reading has settled the last of them."""
    low = attempts.sound & (block.measured.systolic < at_or_above(made.limits.low_systolic_mmhg))
    some = any_of(low)
    if not some.any():
        return low, some, some
    last = last_place(low)
    site = block.measured.site[np.maximum(last, 0), np.arange(block.size)]
    later = np.arange(block.most)[:, None] > last
    settles = later & attempts.sound & ((site == NO_SITE) | (block.measured.site == site))
    return low, some, ~any_of(settles)


def is_raised(block: SetBlock, attempts: AttemptColumns, means: MeanColumns, edge: Edge) -> Array:
    """Whether the result is at a limit; where there is none, the last two sound readings, or the only one of a closed set."""
    reported = (means.reported[0] >= edge.systolic_mmhg) | (means.reported[1] >= edge.diastolic_mmhg)
    sound = attempts.sound
    reaching = is_severe(block, attempts, *as_hundredths(edge))
    after = np.cumsum(sound[::-1], axis=0)[::-1]
    last_two = sound & (after <= 2)
    count = sound.sum(axis=0)
    enough = (count >= 2) | ((count == 1) & block.facts.closed)
    return np.where(means.has, reported, enough & all_of(reaching | ~last_two))


def person_findings(block: SetBlock, people: PersonColumns) -> dict[str, Array]:
    """What was taken of the person for safety's sake, and what does not fit together."""
    facts = block.facts
    after_birth = facts.pregnancy == POSTPARTUM
    return {
        "pregnancy-sex-differ": facts.male & ((facts.pregnancy == PREGNANT) | after_birth),
        "delivery-day-assumed": people.expecting & after_birth & ~people.delivery_day_known,
    }
