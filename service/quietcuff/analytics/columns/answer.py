"""What the kernel answers: one Arrow row a set, with its labels and its readings as lists.

Findings and the reasons of provisional labels are bits. Their names, in the order of the bits, stand in the schema's metadata.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa

from quietcuff.analytics.columns import codes
from quietcuff.analytics.columns.batch import BETWEEN_NAMES, NAME, WORD
from quietcuff.analytics.columns.codes import NOTHING, Array
from quietcuff.analytics.columns.columns import BatchColumns
from quietcuff.analytics.columns.equipment import FITS
from quietcuff.analytics.columns.labels import reasons_of
from quietcuff.analytics.columns.made import RuleTables

ENGINES = ("columns", "core", "refused")
BY_COLUMNS, BY_CORE, REFUSED = range(3)
# They tell how sure a label is: the core's alone, since they need every earlier sitting.
OF_CERTAINTY = ("prior-decides", "visits-vary", "values-changed", "newest-differs", "newest-outside-interval")
OF_READINGS = (
    "severe-reading",
    "low-reading",
    "first-reading-dropped",
    "device-error",
    "implausible-reading",
    "unusual-value",
    "use-phase-four",
    "pulse-high",
    "pulse-low",
    "identical-values",
    "interval-too-short",
    "taken-in-future",
    *FITS,
)
BITS = 64
FIGURES = (
    "systolic_mmhg",
    "diastolic_mmhg",
    "systolic_mean_mmhg",
    "diastolic_mean_mmhg",
    "systolic_sd_mmhg",
    "diastolic_sd_mmhg",
)
LABEL = pa.struct(
    [("guideline", NAME), ("category", NAME), ("decided_by", WORD), ("provisional", pa.bool_()), ("reasons", pa.int64())]
)
READING = pa.struct([("index", pa.int16()), ("reason", WORD), ("findings", pa.int32())])


@dataclass(frozen=True, slots=True)
class AnswerNames:
    """The words that an answer's numbers stand for, and the tables from a guideline's row to its category."""

    findings: tuple[str, ...]
    reasons: tuple[str, ...]
    protocols: list[str]
    guidelines: list[str]
    categories: list[str]
    category_of: Array
    unconfirmed_of: Array


@dataclass(frozen=True, slots=True)
class AnswerColumns:
    """The answers of a batch as arrays, filled in set by set in any order."""

    engine: Array
    protocol: Array
    visit: Array
    state: Array
    level: Array
    figures: Array
    pulse: Array
    count: Array
    site: Array
    position: Array
    basis: Array
    pairs: Array
    findings: Array
    guideline: Array
    category: Array
    decided_by: Array
    reasons: Array
    reading_reason: Array
    reading_findings: Array


def name_words(rules: RuleTables) -> AnswerNames:
    """The words of a rulebook."""
    book, table = rules.rulebook, rules.guidelines
    rows = [row for each in table.rows for row in each]
    words = [row.category for row in rows] + [row.unconfirmed_category for row in rows if row.unconfirmed_category is not None]
    categories = list(dict.fromkeys(words))
    most = table.edges.shape[1]

    def numbers(unconfirmed: bool) -> Array:
        """The category of each row of each guideline, as a number."""
        numbered = np.full((len(table.rows), most), NOTHING, dtype=np.int16)
        for place, rows in enumerate(table.rows):
            for rank, row in enumerate(rows):
                word = row.unconfirmed_category if unconfirmed and row.unconfirmed_category is not None else row.category
                numbered[place, rank] = categories.index(word)
        return numbered

    return AnswerNames(
        findings=tuple(code for code in book.wording.finding if code not in OF_CERTAINTY),
        reasons=reasons_of(book),
        protocols=rules.protocols.ids,
        guidelines=table.ids,
        categories=categories,
        category_of=numbers(False),
        unconfirmed_of=numbers(True),
    )


def blank(columns: BatchColumns, names: AnswerNames, most_guidelines: int) -> AnswerColumns:
    """Answers that say nothing yet."""
    sets, readings = len(columns.facts.counts), len(columns.measured.index)

    def nothing(*shape: int, kind: Any = np.int8) -> Array:
        return np.full(shape, NOTHING, dtype=kind)

    labels = (sets, most_guidelines)
    return AnswerColumns(
        engine=nothing(sets),
        protocol=nothing(sets, kind=np.int16),
        visit=nothing(sets),
        state=nothing(sets),
        level=nothing(sets),
        figures=np.full((len(FIGURES), sets), np.nan),
        pulse=np.full(sets, np.nan),
        count=np.zeros(sets, dtype=np.int16),
        site=nothing(sets),
        position=nothing(sets),
        basis=nothing(sets),
        pairs=np.zeros(sets, dtype=np.int16),
        findings=np.zeros((-(-len(names.findings) // BITS), sets), dtype=np.uint64),
        guideline=nothing(*labels, kind=np.int16),
        category=nothing(*labels, kind=np.int16),
        decided_by=nothing(*labels),
        reasons=np.zeros(labels, dtype=np.int64),
        reading_reason=nothing(readings),
        reading_findings=np.zeros(readings, dtype=np.int32),
    )


def schema_of(names: AnswerNames) -> pa.Schema:
    """The columns of an answer."""
    told = {"findings": names.findings, "reading_findings": OF_READINGS, "reasons": names.reasons}
    words = [(f"findings_{place}", pa.uint64()) for place in range(-(-len(names.findings) // BITS))]
    return pa.schema(
        [
            ("set_id", pa.string()),
            ("engine", WORD),
            ("protocol", NAME),
            ("visit", WORD),
            ("state", WORD),
            ("safety_level", WORD),
            *((name, pa.float64()) for name in FIGURES),
            ("pulse_per_min", pa.float64()),
            ("readings_counted", pa.int16()),
            ("site", WORD),
            ("position", WORD),
            ("arm_basis", WORD),
            ("arm_pairs", pa.int16()),
            *words,
            ("labels", pa.list_(LABEL)),
            ("readings", pa.list_(READING)),
        ],
        metadata={name: BETWEEN_NAMES.join(codes_) for name, codes_ in told.items()},
    )


def as_answer(batch: pa.RecordBatch, columns: BatchColumns, answers: AnswerColumns, names: AnswerNames) -> pa.RecordBatch:
    """The answers as an Arrow batch, in the order of the sets asked about."""
    schema = schema_of(names)
    arrays = [
        batch["set_id"],
        words(answers.engine, ENGINES),
        words(answers.protocol, names.protocols, NAME),
        words(answers.visit, codes.VISITS),
        words(answers.state, codes.STATES),
        words(answers.level, codes.LEVELS),
        *(pa.array(figures, from_pandas=True) for figures in answers.figures),
        pa.array(answers.pulse, from_pandas=True),
        pa.array(answers.count),
        words(answers.site, codes.SITES),
        words(answers.position, codes.POSITIONS),
        words(answers.basis, codes.BASES),
        pa.array(answers.pairs),
        *(pa.array(word) for word in answers.findings),
        label_lists(answers, names),
        reading_lists(columns, answers),
    ]
    return pa.RecordBatch.from_arrays(arrays, schema=schema)


def words(numbers: Array, names: list[str] | tuple[str, ...], kind: pa.DataType = WORD) -> pa.DictionaryArray:
    """Numbers as words of a dictionary; null where they stand for nothing."""
    places = pa.array(numbers, mask=numbers < 0).cast(kind.index_type)
    return pa.DictionaryArray.from_arrays(places, pa.array(list(names), type=pa.string()))


def label_lists(answers: AnswerColumns, names: AnswerNames) -> pa.ListArray:
    """The labels of each set, in the order of the request."""
    asked = answers.guideline >= 0
    category = answers.category[asked]
    fields = [
        words(answers.guideline[asked], names.guidelines, NAME),
        words(category, names.categories, NAME),
        words(answers.decided_by[asked], codes.DECIDED_BY),
        pa.array(answers.reasons[asked] != 0),
        pa.array(answers.reasons[asked]),
    ]
    return pa.ListArray.from_arrays(ends(asked.sum(axis=1)), pa.StructArray.from_arrays(fields, fields=list(LABEL)), LABEL_LIST)


def reading_lists(columns: BatchColumns, answers: AnswerColumns) -> pa.ListArray:
    """The readings of each set, in the order of the input; no reason where a reading counts."""
    fields = [
        pa.array(columns.measured.index),
        words(answers.reading_reason, codes.REASONS),
        pa.array(answers.reading_findings),
    ]
    listed = pa.StructArray.from_arrays(fields, fields=list(READING))
    return pa.ListArray.from_arrays(ends(columns.facts.counts), listed, READING_LIST)


LABEL_LIST, READING_LIST = pa.list_(LABEL), pa.list_(READING)


def ends(counts: Array) -> pa.Array:
    """Where each list begins, and the last one ends."""
    return pa.array(np.concatenate([[0], np.cumsum(counts)]).astype(np.int32))


def codes_of(schema: pa.Schema, kind: str) -> list[str]:
    """The names of bits, by what they are of: ``findings``, ``reading_findings`` or ``reasons``."""
    return list((schema.metadata or {})[kind.encode()].decode().split(BETWEEN_NAMES))


def has_finding(answer: pa.RecordBatch, code: str) -> Array:
    """Which sets of an answer have a finding."""
    word, bit = divmod(codes_of(answer.schema, "findings").index(code), BITS)
    column = answer[f"findings_{word}"].to_numpy(zero_copy_only=False)
    return (column >> np.uint64(bit)) & np.uint64(1) == 1
