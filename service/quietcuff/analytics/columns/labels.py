"""What each guideline calls the result of each set, which pressure decided, and why the label is provisional.

A block with what was decided of it before safety and labels look at it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from quietcuff.analytics.columns.arms import ArmColumns
from quietcuff.analytics.columns.attempts import AttemptColumns
from quietcuff.analytics.columns.block import SetBlock
from quietcuff.analytics.columns.codes import (
    AUSCULTATORY,
    EARLIER_SITTINGS,
    NO,
    NO_POSITION,
    NO_SITE,
    NOTHING,
    RIGHT,
    THIGHS,
    Array,
    any_of,
    as_bits,
    at_or_above,
    is_in,
)
from quietcuff.analytics.columns.columns import ANSWER_WORDS, BatchColumns
from quietcuff.analytics.columns.equipment import FITS
from quietcuff.analytics.columns.guidelines import GuidelineTable
from quietcuff.analytics.columns.made import BatchRules
from quietcuff.analytics.columns.means import MeanColumns
from quietcuff.analytics.columns.people import InForceColumns, PersonColumns
from quietcuff.analytics.columns.selection import NOT_DUE, SelectionColumns
from quietcuff.analytics.columns.severity import SevereColumns
from quietcuff.core.labels.classification import DOUBTFUL_DIASTOLIC
from quietcuff.core.rulebook.rulebook import Rulebook


@dataclass(frozen=True, slots=True)
class JudgedBlock:
    """Which readings of each set count, and their mean, with everything that led to it."""

    block: SetBlock
    columns: BatchColumns
    made: BatchRules
    people: PersonColumns
    rules: InForceColumns
    attempts: AttemptColumns
    comparison: ArmColumns
    severe: SevereColumns
    selection: SelectionColumns
    means: MeanColumns


OF_THE_SITTING = (
    "single-sitting",
    "further-reading-needed",
    "readings-vary",
    "other-arm-not-measured",
    "not-arm-of-record",
    DOUBTFUL_DIASTOLIC,
    "irregular-rhythm",
    "sitting-gap",
    "device-wrist",
    "device-not-validated",
    "cuff-doubtful",
    "site-not-recorded",
    "position-not-recorded",
    "pain",
    "anxiety-or-stress",
)
OF_THE_LABEL = ("age-not-recorded", "severe-unconfirmed")


@dataclass(frozen=True, slots=True)
class RowRanks:
    """Pressures in tables: the row of each and the one that decides, a row a guideline in the order of the request."""

    rank: Array
    systolic: Array
    diastolic: Array


@dataclass(frozen=True, slots=True)
class LabelColumns:
    """One label a guideline and set. ``given`` where there is a category; ``reasons`` are bits, in the order of ``names``."""

    placed: RowRanks
    given: Array
    unconfirmed: Array
    reasons: Array


def reasons_of(rulebook: Rulebook) -> tuple[str, ...]:
    """Every reason why a label of one sitting may be provisional, in the order of their bits."""
    faults = tuple(code for code, effect in rulebook.effects.items() if effect.correctable)
    return tuple(dict.fromkeys((*OF_THE_SITTING, *faults, *OF_THE_LABEL)))


def place(table: GuidelineTable, guidelines: Array, systolic: Array, diastolic: Array) -> RowRanks:
    """The rows that two pressures reach; the higher row decides. Few tables are met, so each is gone through once."""
    ranks = np.zeros((2, *guidelines.shape), dtype=np.int8)
    for slot, asked in enumerate(guidelines):
        met = np.flatnonzero(np.bincount(asked, minlength=1))
        for number in met:
            here: Any = np.flatnonzero(asked == number) if len(met) > 1 else slice(None)
            for pressure, value in enumerate((systolic, diastolic)):
                ranks[pressure, slot, here] = rank_in(table, int(number), pressure, value[here])
    return RowRanks(rank=np.maximum(*ranks), systolic=ranks[0], diastolic=ranks[1])


def rank_in(table: GuidelineTable, number: int, pressure: int, value: Array) -> Array:
    """The highest row of one table that a pressure reaches by itself."""
    rank = np.zeros(value.shape, dtype=np.int8)
    for row, edge in enumerate(table.edges[number, :, pressure]):
        if np.isfinite(edge):
            reached = value > edge if table.above[number, row] else value >= edge
            np.maximum(rank, reached.view(np.int8) * np.int8(row), out=rank)
    return rank


def reaches_hypertension(table: GuidelineTable, guidelines: Array, systolic: Array, diastolic: Array) -> Array:
    """Whether a value is at each guideline's limit for hypertension or above it."""
    limit = table.hypertension[guidelines]
    return (systolic >= limit[..., 0]) | (diastolic >= limit[..., 1])


def needs_muffling(block: SetBlock, attempts: AttemptColumns, made: BatchRules) -> Array:
    """An auscultated diastolic so low, with a plausible systolic, that the fourth phase is to be used."""
    measured, limits = block.measured, made.limits
    lowest, highest = 100 * limits.plausible_systolic.lowest, 100 * limits.plausible_systolic.highest
    return (
        (attempts.method == AUSCULTATORY)
        & attempts.has_pressures
        & (measured.diastolic < at_or_above(limits.muffling_diastolic_below_mmhg))
        & (lowest <= measured.systolic)
        & (measured.systolic <= highest)
    )


def label(judged: JudgedBlock, symptoms: Array) -> LabelColumns:
    """The category under each requested guideline."""
    block, rules, means, severe, made = judged.block, judged.rules, judged.means, judged.severe, judged.made
    table, guidelines = made.guidelines, rules.guidelines
    systolic, diastolic = means.reported
    placed = place(table, guidelines, systolic, diastolic)
    hypertensive = reaches_hypertension(table, guidelines, systolic, diastolic)
    high = means.has & any_of(rules.applicable & hypertensive)
    low = means.has & any_of(rules.applicable & ~hypertensive)
    held = reservations(judged)
    faults = faults_that_matter(judged, high, low)
    for code, found in (*restless(block, judged.columns, high & ~severe.any).items(), *faults.items()):
        held[code] = held.get(code, False) | found
    names = reasons_of(made.rules.rulebook)
    (bits,) = as_bits(held, names, np.uint64, (block.size,)).astype(np.int64)
    severe_row = table.severe[guidelines, placed.rank]
    doubtful = held[DOUBTFUL_DIASTOLIC] & ~((placed.systolic > 0) & table.raised[guidelines, placed.systolic])
    given = rules.applicable & means.has & ~is_withheld(judged, symptoms)
    given &= (block.facts.ordinary_care | severe_row) & ~doubtful
    no_age = ~judged.people.age_known & table.asks_age[guidelines]
    unconfirmed = table.unconfirmed[guidelines, placed.rank] & ~severe.confirmed & given
    reasons = bits | (no_age.astype(np.int64) << names.index("age-not-recorded"))
    reasons |= unconfirmed.astype(np.int64) << names.index("severe-unconfirmed")
    return LabelColumns(placed=placed, given=given, unconfirmed=unconfirmed, reasons=np.where(given, reasons, 0))


def is_withheld(judged: JudgedBlock, symptoms: Array) -> Array:
    """Whether no category may be given although there is a result."""
    counted, measured, made = judged.selection.counted, judged.block.measured, judged.made
    thigh = any_of(counted & is_in(measured.site, THIGHS))
    low = any_of(counted & (measured.systolic < at_or_above(made.limits.low_systolic_mmhg)))
    return ~made.protocols.classifies[judged.rules.protocol] | thigh | (symptoms & low)


def reservations(judged: JudgedBlock) -> dict[str, Array]:
    """What stands against the result under every guideline."""
    attempts, comparison, selection, means = judged.attempts, judged.comparison, judged.selection, judged.means
    rules, counted = judged.rules, judged.selection.counted

    def any_counted(holds: Array) -> Array:
        return any_of(counted & holds)

    one_position = judged.made.protocols.one_position[rules.protocol]
    holds = {
        "single-sitting": means.has,
        "further-reading-needed": selection.due != NOT_DUE,
        "readings-vary": selection.vary,
        "other-arm-not-measured": rules.compares & (comparison.other_due != NOTHING),
        "not-arm-of-record": not_arm_of_record(comparison),
        DOUBTFUL_DIASTOLIC: any_counted(needs_muffling(judged.block, attempts, judged.made)),
        "irregular-rhythm": attempts.irregular & any_counted(attempts.method != AUSCULTATORY),
        "sitting-gap": attempts.gap & ~judged.severe.any,
        "device-wrist": any_counted(attempts.at_wrist),
        "device-not-validated": any_counted(attempts.validated == NO),
        "cuff-doubtful": any_counted(attempts.fit == FITS.index("cuff-doubtful")),
        "site-not-recorded": means.site == NO_SITE,
        "position-not-recorded": (means.position == NO_POSITION) & one_position,
    }
    return {name: value & means.has for name, value in holds.items()}


def not_arm_of_record(comparison: ArmColumns) -> Array:
    """The result is from an arm that earlier comparisons do not point to."""
    site = comparison.result_site
    on_arm = (site >= 0) & (site <= RIGHT)
    return (comparison.basis == EARLIER_SITTINGS) & on_arm & (site != comparison.earlier)


def restless(block: SetBlock, columns: BatchColumns, high: Array) -> dict[str, Array]:
    """States in which a high result that is not severe is to be repeated when settled."""
    states = (("pain", "pain"), ("anxiety-or-stress", "anxiety_or_stress"))
    return {code: high & answered(block, columns, name, ["yes"]) for code, name in states}


def faults_that_matter(judged: JudgedBlock, high: Array, low: Array) -> dict[str, Array]:
    """Correctable faults on the side that matters."""
    block, made = judged.block, judged.made
    sides = {"raises": high, "lowers": low, "either": high | low}
    found = {}
    for code, effect in made.rules.rulebook.effects.items():
        if not effect.correctable:
            continue
        if code == "rest-too-short":
            present = rest_too_short(block, judged.rules, made)
        elif effect.field is None:
            present = any_of(judged.selection.counted & (judged.attempts.fit == fit_code(code)))
        else:
            present = answered(block, judged.columns, effect.field, effect.answers)
        found[code] = present & sides[effect.direction]
    return found


def fit_code(code: str) -> int:
    """The number of a fit, where the code is of one."""
    return FITS.index(code) if code in FITS else -2


def rest_too_short(block: SetBlock, rules: InForceColumns, made: BatchRules) -> Array:
    """Whether the person rested less than the protocol asks."""
    return block.facts.rest_minutes < made.protocols.rest_minutes[rules.protocol]


def answered(block: SetBlock, columns: BatchColumns, field: str, answers: list[str]) -> Array:
    """Whether a question of the context was answered with one of some words."""
    words = ANSWER_WORDS.get(field, ())
    return is_in(columns.answers[field][block.places], [words.index(word) for word in answers if word in words])
