"""The sets that the core evaluates itself: children, series, tests of standing, and the rare ones that need all of it."""

from __future__ import annotations

import msgspec
import numpy as np
import pyarrow as pa

from quietcuff.analytics.columns import codes
from quietcuff.analytics.columns.answer import BITS, BY_CORE, OF_READINGS, REFUSED, AnswerColumns, AnswerNames
from quietcuff.analytics.columns.batch import rows_of
from quietcuff.analytics.columns.codes import NOTHING, Array
from quietcuff.analytics.columns.columns import BatchColumns
from quietcuff.analytics.columns.made import OtherRules
from quietcuff.analytics.columns.rebuilt import rebuild
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.evaluation import Evaluation, Finding, Result
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.rulebook import Rulebook


def evaluate_routed(
    batch: pa.RecordBatch,
    places: Array,
    columns: BatchColumns,
    answers: AnswerColumns,
    names: AnswerNames,
    rulebook: Rulebook,
    what_if: OtherRules,
) -> None:
    """Evaluate the sets at some rows with the core, and fill in what it says."""
    for place, row in zip(places, rows_of(batch, places), strict=True):
        reading_set, history = rebuild(row)
        try:
            evaluation = evaluate(under(reading_set, what_if), history, rulebook)
        except NotAcceptable:
            answers.engine[place] = REFUSED
            continue
        answers.engine[place] = BY_CORE
        tell(int(place), evaluation, columns, answers, names)


def under(reading_set: ReadingSet, what_if: OtherRules) -> ReadingSet:
    """The set as if it had been asked about under other rules."""
    if what_if.protocol is not None:
        reading_set = msgspec.structs.replace(reading_set, protocol=what_if.protocol)
    if what_if.guidelines is not None:
        reading_set = msgspec.structs.replace(reading_set, guidelines=list(what_if.guidelines))
    return reading_set


def tell(place: int, evaluation: Evaluation, columns: BatchColumns, answers: AnswerColumns, names: AnswerNames) -> None:
    """Fill in one evaluation of the core."""
    answers.protocol[place] = names.protocols.index(evaluation.protocol.id)
    answers.visit[place] = codes.VISITS.index(evaluation.chosen.visit)
    answers.state[place] = codes.STATES.index(evaluation.state)
    answers.level[place] = codes.LEVEL[evaluation.safety.level]
    basis = evaluation.arms.basis
    answers.basis[place] = NOTHING if basis is None else codes.BASES.index(basis)
    answers.pairs[place] = evaluation.arms.pairs
    if evaluation.result is not None:
        fill_result(place, evaluation.result, answers)
    for slot, entry in enumerate(evaluation.categories):
        answers.guideline[place, slot] = names.guidelines.index(entry.guideline)
        if entry.category is not None and entry.decided_by is not None:
            answers.category[place, slot] = names.categories.index(entry.category)
            answers.decided_by[place, slot] = codes.DECIDED_BY.index(entry.decided_by)
            answers.reasons[place, slot] = sum(1 << names.reasons.index(code) for code in entry.provisional_because)
    first = int(columns.facts.first[place])
    by_index = {
        int(index): first + at for at, index in enumerate(columns.measured.index[first : first + len(evaluation.readings)])
    }
    for outcome in evaluation.readings:
        reason = outcome.reason
        answers.reading_reason[by_index[outcome.index]] = NOTHING if reason is None else codes.REASON[reason]
    fill_findings(place, evaluation.findings, by_index, answers, names)


def fill_result(place: int, result: Result, answers: AnswerColumns) -> None:
    """Fill in the figures of one result."""
    figures = (
        result.systolic_mmhg,
        result.diastolic_mmhg,
        result.systolic_mean_mmhg,
        result.diastolic_mean_mmhg,
        result.systolic_sd_mmhg,
        result.diastolic_sd_mmhg,
    )
    answers.figures[:, place] = [np.nan if figure is None else figure for figure in figures]
    answers.pulse[place] = np.nan if result.pulse_per_min is None else result.pulse_per_min
    answers.count[place] = result.readings_counted
    answers.site[place] = codes.SITES.index(result.site)
    answers.position[place] = codes.POSITIONS.index(result.position)


def fill_findings(
    place: int, findings: list[Finding], by_index: dict[int, int], answers: AnswerColumns, names: AnswerNames
) -> None:
    """Fill in the findings of one set, and of its readings."""
    for finding in findings:
        if finding.code in names.findings:
            word, bit = divmod(names.findings.index(finding.code), BITS)
            answers.findings[word, place] |= np.uint64(1 << bit)
        if finding.reading is not None and finding.code in OF_READINGS:
            answers.reading_findings[by_index[finding.reading]] |= 1 << OF_READINGS.index(finding.code)
