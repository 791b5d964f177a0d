"""The kernel: an Arrow batch of sets in, an Arrow batch of answers out, equal to ``core.evaluate`` set by set.

Sets of one sitting of an adult are decided here, a block of sets with about as many readings at a time. Children, series, tests
of standing and rare states go through the core; ``engine`` says which.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from quietcuff.analytics.columns import findings as told
from quietcuff.analytics.columns import label_findings as label_told
from quietcuff.analytics.columns.answer import (
    BY_COLUMNS,
    OF_READINGS,
    REFUSED,
    AnswerColumns,
    AnswerNames,
    as_answer,
    blank,
    name_words,
)
from quietcuff.analytics.columns.arms import compare_arms
from quietcuff.analytics.columns.attempts import AttemptColumns, judge_attempts
from quietcuff.analytics.columns.block import SetBlock, cut
from quietcuff.analytics.columns.codes import NOTHING, Array, all_of, any_of, as_bits
from quietcuff.analytics.columns.columns import BatchColumns, read_columns
from quietcuff.analytics.columns.earlier import EarlierPairs, sum_up
from quietcuff.analytics.columns.equipment import DeviceTable, FitTable, judge_cuffs, judge_devices
from quietcuff.analytics.columns.labels import JudgedBlock, LabelColumns, label
from quietcuff.analytics.columns.made import BatchRules, OtherRules, RuleTables, check_what_if, make, tabulate
from quietcuff.analytics.columns.means import estimate
from quietcuff.analytics.columns.people import (
    InForceColumns,
    PersonColumns,
    describe_people,
    in_population,
    put_in_force,
)
from quietcuff.analytics.columns.routed import evaluate_routed
from quietcuff.analytics.columns.safety import SafetyColumns, watch
from quietcuff.analytics.columns.selection import select
from quietcuff.analytics.columns.severity import see_severe
from quietcuff.core.rulebook.rulebook import Rulebook

# A set with more readings than the last is no ordinary sitting: the core takes it.
PLACES = (2, 3, 4, 5, 6, 8, 12, 16)
SETS_IN_A_BLOCK = 8_192
AS_THEY_ARE = OtherRules()


class Kernel:
    """The rules of a rulebook over columns; made once, used for any number of batches."""

    def __init__(self, rulebook: Rulebook, what_if: OtherRules = AS_THEY_ARE, *, threads: int = 1) -> None:
        check_what_if(what_if, rulebook)
        self.rules: RuleTables = tabulate(rulebook)
        self.names: AnswerNames = name_words(self.rules)
        self.what_if = what_if
        self.threads = threads

    def evaluate(self, batch: pa.RecordBatch) -> pa.RecordBatch:
        """The answer to each set of a batch, in its order.

        Raises:
            NotAcceptable: a column is missing or of another type.
        """
        columns = read_columns(batch)
        made = make(self.rules, columns, self.what_if)
        answers = blank(columns, self.names, made.combinations.shape[1])
        shared = SharedByBlocks(
            columns=columns,
            made=made,
            earlier=sum_up(columns, made.limits),
            devices=judge_devices(columns, self.rules.rulebook),
            cuffs=judge_cuffs(columns, self.rules.rulebook),
            names=self.names,
        )
        blocks = list(cut_blocks(columns))
        if self.threads > 1 and len(blocks) > 1:
            with ThreadPoolExecutor(self.threads) as pool:
                list(pool.map(lambda cutting: decide(shared, answers, *cutting), blocks))
        else:
            for places, most in blocks:
                decide(shared, answers, places, most)
        routed = np.flatnonzero(answers.engine == NOTHING)
        evaluate_routed(batch, routed, columns, answers, self.names, self.rules.rulebook, self.what_if)
        return as_answer(batch, columns, answers, self.names)


@dataclass(frozen=True, slots=True)
class SharedByBlocks:
    """What every block of a batch looks at."""

    columns: BatchColumns
    made: BatchRules
    earlier: EarlierPairs
    devices: DeviceTable
    cuffs: FitTable
    names: AnswerNames


def cut_blocks(columns: BatchColumns) -> Iterator[tuple[Array, int]]:
    """Rows of sets with about as many readings, and how many places they need."""
    counts = columns.facts.counts
    fewest = 0
    for most in PLACES:
        rows = np.flatnonzero((counts > fewest) & (counts <= most))
        for start in range(0, len(rows), SETS_IN_A_BLOCK):
            yield rows[start : start + SETS_IN_A_BLOCK], most
        fewest = most


def decide(shared: SharedByBlocks, answers: AnswerColumns, rows: Array, most: int) -> None:
    """Decide a block, as far as it can be decided here, and fill in the answers."""
    columns, made = shared.columns, shared.made
    block = cut(columns, rows, most)
    people = describe_people(block, made)
    earlier = shared.earlier.take(rows)
    rules = put_in_force(block, people, earlier, made)
    attempts = judge_attempts(block, people, rules, shared.devices, shared.cuffs, made)
    refused = is_refused(block, rules, attempts, made)
    answers.engine[rows[refused]] = REFUSED
    kept = ~refused & ~needs_core(block, people, rules, attempts, made)
    if not kept.all():
        rows = rows[kept]
        if not len(rows):
            return
        block = cut(columns, rows, most)
        people = describe_people(block, made)
        earlier = shared.earlier.take(rows)
        rules = put_in_force(block, people, earlier, made)
        attempts = judge_attempts(block, people, rules, shared.devices, shared.cuffs, made)
    comparison = compare_arms(block, attempts, people, rules, earlier, made)
    severe = see_severe(block, attempts, people, rules, made)
    selection = select(block, attempts, people, rules, comparison, severe, made)
    means = estimate(block, selection.counted, rules, made)
    judged = JudgedBlock(block, columns, made, people, rules, attempts, comparison, severe, selection, means)
    safety = watch(judged)
    fill_in(shared, judged, safety, label(judged, safety.symptoms), earlier, answers)


def is_refused(block: SetBlock, rules: InForceColumns, attempts: AttemptColumns, made: BatchRules) -> Array:
    """Whether the core would accept no such set: names that are not known, one pressure alone, more than one sitting, a birth
    after the readings."""
    facts, measured = block.facts, block.measured
    named = made.protocol_of[facts.protocol] != NOTHING
    elsewhere = named & ~made.protocols.in_setting[rules.protocol, facts.setting]
    one_alone = any_of(block.live & (measured.has_systolic != measured.has_diastolic))
    first_day = np.where(block.live, measured.day, np.iinfo(np.int64).max).min(axis=0)
    born = np.where(np.isnat(facts.born_from), np.datetime64(0, "D"), facts.born_from).astype(np.int64)
    unborn = ~np.isnat(facts.born_from) & block.any_live & (born > first_day)
    return facts.named_twice | rules.unknown | elsewhere | one_alone | attempts.over | unborn


def needs_core(
    block: SetBlock, people: PersonColumns, rules: InForceColumns, attempts: AttemptColumns, made: BatchRules
) -> Array:
    """Whether the core must decide: a child, a series, a test of standing, percentiles, or an open sitting in trouble."""
    table = made.guidelines
    norms = table.by_percentile[rules.guidelines]
    if norms.any():
        norms = norms & in_population(rules.guidelines, block.facts.setting, people, made)
    failing = block.live & (attempts.fault != NOTHING)
    left = np.cumsum(block.live[::-1], axis=0)[::-1]
    last_fail = all_of(failing | ~(block.live & (left <= made.limits.failed_attempts_one_cause)))
    trouble = last_fail | (block.live.sum(axis=0) >= made.limits.most_attempts_asked)
    return (
        people.child
        | ~made.protocols.one_sitting[rules.protocol]
        | rules.unsure
        | any_of(norms)
        | block.facts.has_sleep
        | (~block.facts.closed & trouble)
    )


def fill_in(
    shared: SharedByBlocks,
    judged: JudgedBlock,
    safety: SafetyColumns,
    labels: LabelColumns,
    earlier: EarlierPairs,
    answers: AnswerColumns,
) -> None:
    """Fill in what was decided of a block."""
    block, means, selection = judged.block, judged.means, judged.selection
    rows, has = block.places, means.has
    answers.engine[rows] = BY_COLUMNS
    answers.protocol[rows] = judged.rules.protocol
    answers.visit[rows] = judged.rules.visit
    answers.state[rows] = selection.state
    answers.level[rows] = safety.level
    figures = np.concatenate([means.reported, means.mean, means.deviation])
    answers.figures[:, rows] = np.where(has, figures, np.nan)
    answers.pulse[rows] = means.pulse
    answers.count[rows] = means.count
    answers.site[rows] = np.where(has, means.site, NOTHING)
    answers.position[rows] = np.where(has, means.position, NOTHING)
    answers.basis[rows] = judged.comparison.basis
    answers.pairs[rows] = judged.comparison.pairs.count
    fill_in_labels(shared.names, judged, labels, answers)
    of_sets, of_readings = gather(shared, judged, safety, labels, earlier)
    answers.findings[:, rows] = as_bits(of_sets, shared.names.findings, np.uint64, (block.size,))
    (bits,) = as_bits(of_readings, OF_READINGS, np.uint32, block.live.shape)
    at = block.flat[block.there]
    answers.reading_reason[at] = selection.reason[block.there]
    answers.reading_findings[at] = bits[block.there]


def fill_in_labels(names: AnswerNames, judged: JudgedBlock, labels: LabelColumns, answers: AnswerColumns) -> None:
    """Fill in the label of each guideline that was asked for."""
    table, guidelines = judged.made.guidelines, judged.rules.guidelines
    rows, placed = judged.block.places, labels.placed
    asked = guidelines != len(table.rows) - 1
    words = np.where(
        labels.unconfirmed,
        names.unconfirmed_of[guidelines, placed.rank],
        names.category_of[guidelines, placed.rank],
    )
    decided_by = np.where(placed.systolic == placed.diastolic, 2, np.where(placed.systolic > placed.diastolic, 0, 1))
    slots = slice(0, len(guidelines))
    answers.guideline[rows, slots] = np.where(asked, guidelines % table.count, NOTHING).T
    answers.category[rows, slots] = np.where(labels.given, words, NOTHING).T
    answers.decided_by[rows, slots] = np.where(labels.given, decided_by, NOTHING).T
    answers.reasons[rows, slots] = labels.reasons.T


def gather(
    shared: SharedByBlocks, judged: JudgedBlock, safety: SafetyColumns, labels: LabelColumns, earlier: EarlierPairs
) -> tuple[told.Found, told.Found]:
    """Every finding, of sets and of single readings."""
    d, columns, made = judged, judged.columns, judged.made
    first = (np.arange(d.block.most)[:, None] == d.selection.chain.first) & d.selection.first_left_out
    repeats = (earlier.repeat_right, earlier.repeat_left, earlier.assess_right, earlier.assess_left)
    of_cuffs, cuffs_of_readings = told.cuff_findings(d.block, d.attempts, shared.cuffs)
    of_readings = {
        **safety.of_readings,
        **told.reading_findings(d.block, d.attempts, made),
        "first-reading-dropped": first & any_of(d.selection.counted),
    }
    of_sets = {
        **{code: any_of(holds) for code, holds in of_readings.items()},
        **safety.findings,
        **told.rhythm_findings(d.block, d.attempts, d.selection, d.people, any_of(safety.of_readings["low-reading"]), made),
        **told.arm_findings(d.comparison, repeats, made),
        **told.arm_state_findings(d.block, d.attempts, d.people, d.rules, d.comparison, d.selection, made),
        **told.selection_findings(d.attempts, d.selection),
        **told.preparation_findings(d.block, columns, d.rules, made),
        **told.lower_reads(d.block, d.means, made),
        **label_told.label_findings(d.block, columns, d.people, d.rules, d.selection, d.means, labels, made),
        **label_told.advice_findings(d.block, d.people, d.rules, d.severe, labels, made),
        **told.intake_findings(d.block, columns),
    }
    for code, holds in (*of_cuffs.items(), *told.device_findings(d.block, d.attempts, d.people, shared.devices, made).items()):
        of_sets[code] = of_sets[code] | holds if code in of_sets else holds
    return of_sets, {**of_readings, **cuffs_of_readings}
