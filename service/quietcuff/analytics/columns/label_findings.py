"""What is to be said of the labels of each set, and how the guidelines want them confirmed."""

from __future__ import annotations

import numpy as np

from quietcuff.analytics.columns.block import SetBlock, at_place
from quietcuff.analytics.columns.codes import AUSCULTATORY, NEVER, NO, NOTHING, OFFICE, THIGHS, Array, any_of, is_in
from quietcuff.analytics.columns.columns import BatchColumns
from quietcuff.analytics.columns.findings import Found
from quietcuff.analytics.columns.guidelines import WAYS
from quietcuff.analytics.columns.labels import LabelColumns, place, reaches_hypertension
from quietcuff.analytics.columns.made import BatchRules
from quietcuff.analytics.columns.means import MeanColumns, round_half_up
from quietcuff.analytics.columns.people import InForceColumns, PersonColumns, in_population
from quietcuff.analytics.columns.selection import LOWER, SelectionColumns
from quietcuff.analytics.columns.severity import SevereColumns


def label_findings(
    block: SetBlock,
    columns: BatchColumns,
    people: PersonColumns,
    rules: InForceColumns,
    selection: SelectionColumns,
    means: MeanColumns,
    labels: LabelColumns,
    made: BatchRules,
) -> Found:
    """The findings about the requested guidelines, then about the categories where there is a result."""
    table = made.protocols
    classifies = table.classifies[rules.protocol]
    asks_ear = (table.auscultated[rules.protocol] < NEVER) & np.isfinite(table.one_systolic_mmhg[rules.protocol])
    high = (means.reported[0] >= table.one_systolic_mmhg[rules.protocol]) | (
        means.reported[1] >= table.one_diastolic_mmhg[rules.protocol]
    )
    can = columns.answers["auscultation_possible"][block.places] != NO
    thigh = any_of(selection.counted & is_in(block.measured.site, THIGHS))
    return {
        **guideline_findings(rules, people, classifies, made),
        **isolated_findings(rules, means, made),
        **lower_findings(block, rules, selection, means, made),
        "rounding-decides": classifies & means.has & rounding_decides(rules, means, labels, made),
        "thigh-no-category": thigh,
        "auscultation-confirms": asks_ear & means.has & (selection.method != AUSCULTATORY) & high & can,
        "other-guideline-severe": severe_elsewhere(block, people, rules, means, made),
    }


def guideline_findings(rules: InForceColumns, people: PersonColumns, classifies: Array, made: BatchRules) -> Found:
    """Guidelines that are not for this person, of another family than the protocol, or that assume an age."""
    table = made.guidelines
    none = len(table.rows) - 1
    asked = rules.guidelines != none
    families = sorted({family for family in made.protocols.family if family is not None} | set(table.family))
    of_protocol = np.array([NOTHING if family is None else families.index(family) for family in made.protocols.family])
    of_guideline = np.array([families.index(family) for family in table.family])
    own = of_protocol[rules.protocol]
    other = any_of(asked & (of_guideline[rules.guidelines] != own)) & (own != NOTHING)
    return {
        "home-readings-too-few": ~classifies,
        "guideline-not-for-this-person": classifies & any_of(asked & ~rules.applicable),
        "protocol-guideline-differ": classifies & other,
        "age-not-recorded": classifies & ~people.age_known,
    }


def isolated_findings(rules: InForceColumns, means: MeanColumns, made: BatchRules) -> Found:
    """One pressure in the hypertension range and the other not, where a requested guideline names that."""
    found: Found = {}
    limits = made.guidelines.isolated
    is_named = any_of(np.isfinite(limits[:, :, 1]).T)[rules.guidelines].any()
    for number, code in enumerate(("isolated-systolic", "isolated-diastolic")):
        own, other = means.reported[number], means.reported[1 - number]
        holds = np.zeros(means.has.shape, dtype=np.bool_)
        for pattern in range(limits.shape[1] if is_named else 0):
            kind, at_or_above, below = (limits[:, pattern, part][rules.guidelines] for part in range(3))
            holds |= any_of(rules.applicable & (kind == number) & (own >= at_or_above) & (other < below))
        found[code] = holds & means.has
    return found


def rounding_decides(rules: InForceColumns, means: MeanColumns, labels: LabelColumns, made: BatchRules) -> Array:
    """Whether the exact mean would fall in another category than the reported value."""
    moved = np.zeros(means.has.shape, dtype=np.bool_)
    some = np.flatnonzero(means.has & any_of(means.mean != means.reported))
    if len(some):
        exact = place(made.guidelines, rules.guidelines[:, some], *means.mean[:, some])
        moved[some] = any_of(rules.applicable[:, some] & (exact.rank != labels.placed.rank[:, some]))
    return moved


def lower_findings(
    block: SetBlock, rules: InForceColumns, selection: SelectionColumns, means: MeanColumns, made: BatchRules
) -> Found:
    """Where the lower of the last two is recorded: whether their mean would be high, and whether they cross."""
    decides, ambiguous = (np.zeros(block.size, dtype=np.bool_) for _ in range(2))
    by_lower = made.protocols.counts[rules.protocol] == LOWER
    some = np.flatnonzero(by_lower & means.has & (selection.chain.count >= 2) & (means.count == 1))
    if len(some):
        pressures = np.stack([block.measured.systolic, block.measured.diastolic]).astype(np.int64)
        chain = selection.chain
        one, other = (
            np.stack([at_place(pressure, place_) for pressure in pressures])[:, some]
            for place_ in (chain.last_but_one, chain.last)
        )
        mean = round_half_up(one + other, np.full(len(some), 2))
        guidelines, applicable = rules.guidelines[:, some], rules.applicable[:, some]
        compared = reaches_hypertension(made.guidelines, guidelines, *mean)
        recorded = reaches_hypertension(made.guidelines, guidelines, *means.reported[:, some])
        decides[some] = any_of(applicable & compared & ~recorded)
        ambiguous[some] = np.prod(one - other, axis=0) < 0
    return {"lower-of-two-decides": decides, "lower-reading-ambiguous": ambiguous}


def severe_elsewhere(
    block: SetBlock, people: PersonColumns, rules: InForceColumns, means: MeanColumns, made: BatchRules
) -> Array:
    """Whether a guideline that was not asked for would call the value severe, where none that was asked does."""
    table, lowest = made.guidelines, made.limits.severe_expecting
    elsewhere = np.zeros(block.size, dtype=np.bool_)
    reaching = (means.reported[0] >= lowest.systolic_mmhg) | (means.reported[1] >= lowest.diastolic_mmhg)
    some = np.flatnonzero(means.has & reaching & (block.facts.setting == OFFICE))
    if not len(some):
        return elsewhere
    asked = np.zeros(len(some), dtype=np.bool_)
    person = PersonColumns(*(getattr(people, name)[..., some] for name in PersonColumns.__slots__))
    reported, applicable, named = means.reported[:, some], rules.applicable[:, some], rules.guidelines[:, some]
    for number in np.flatnonzero(table.severe[: table.count].any(axis=1)):
        one = np.full((1, len(some)), number)
        is_severe = table.severe[number][place(table, one, *reported).rank[0]]
        if not is_severe.any():
            continue
        asked |= is_severe & any_of(applicable & (named == number))
        is_for = table.places_pressures[number] & in_population(one, block.facts.setting[some], person, made)[0]
        elsewhere[some] |= is_severe & is_for
    elsewhere[some] &= ~asked
    return elsewhere


def advice_findings(
    block: SetBlock, people: PersonColumns, rules: InForceColumns, severe: SevereColumns, labels: LabelColumns, made: BatchRules
) -> Found:
    """How the guidelines want the result confirmed; known or treated hypertension is compared with its target instead."""
    table, treated = made.guidelines, block.facts.treated
    rank, number = labels.placed.rank, rules.guidelines
    ways = np.where(labels.unconfirmed, table.asks_ways_unconfirmed[number, rank], table.asks_ways[number, rank])
    also = np.where(labels.unconfirmed, table.also_out_unconfirmed[number, rank], table.also_out[number, rank])
    asked = labels.given & ~treated & ~(people.expecting & severe.confirmed)
    found: Found = {"compare-with-target": treated & any_of(labels.given)}
    for bit, way in enumerate(WAYS):
        found[f"confirm-{way}"] = any_of(asked & (ways & 1 << bit != 0))
    found["confirm-out-of-office"] = found["confirm-out-of-office"] | any_of(asked & also)
    return found
