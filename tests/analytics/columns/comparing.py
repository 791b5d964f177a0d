"""An answer of the kernel beside the core's own evaluation, field by field."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pyarrow as pa

from analytics.columns.sittings import Case
from quietcuff.analytics.columns.answer import BITS, FIGURES, OF_CERTAINTY, OF_READINGS, codes_of
from quietcuff.analytics.columns.made import OtherRules
from quietcuff.analytics.columns.routed import under
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.rulebook.rulebook import Rulebook


def differences(
    cases: list[Case], answer: pa.RecordBatch, rulebook: Rulebook, what_if: OtherRules | None = None
) -> tuple[list[tuple[str, str, Any, Any]], Counter[str]]:
    """Every field in which the two differ, as set, field, core, kernel; and how many sets each engine decided."""
    asked = what_if or OtherRules()
    found: list[tuple[str, str, Any, Any]] = []
    engines: Counter[str] = Counter()
    for (name, reading_set, history), row in zip(cases, answer.to_pylist(), strict=True):
        engines[row["engine"]] += 1
        try:
            expected = as_core(evaluate(under(reading_set, asked), history, rulebook))
        except NotAcceptable:
            expected = {"engine": "refused"}
        got = as_kernel(row, answer.schema) if row["engine"] != "refused" else {"engine": "refused"}
        if expected != got:
            found += [
                (name, key, expected.get(key), got.get(key)) for key in expected | got if expected.get(key) != got.get(key)
            ]
    return found, engines


def as_core(evaluation: Evaluation) -> dict[str, Any]:
    """What the core says, as far as the kernel answers it."""
    result = evaluation.result
    figures = [result and getattr(result, name) for name in (*FIGURES, "pulse_per_min", "site", "position")]
    return {
        "protocol": evaluation.protocol.id,
        "visit": evaluation.chosen.visit,
        "state": evaluation.state,
        "safety": evaluation.safety.level,
        "basis": evaluation.arms.basis,
        "pairs": evaluation.arms.pairs,
        "result": [*figures, result.readings_counted if result else 0],
        "readings": sorted((entry.index, entry.reason, entry.counts) for entry in evaluation.readings),
        "labels": [
            (entry.guideline, entry.category, entry.decided_by, entry.provisional, set(entry.provisional_because))
            for entry in evaluation.categories
        ],
        "findings": {finding.code for finding in evaluation.findings if finding.code not in OF_CERTAINTY},
        "of readings": {
            (finding.reading, finding.code)
            for finding in evaluation.findings
            if finding.reading is not None and finding.code in OF_READINGS
        },
    }


def as_kernel(row: dict[str, Any], schema: pa.Schema) -> dict[str, Any]:
    """What the kernel says, with its bits as words."""
    findings, reasons = codes_of(schema, "findings"), codes_of(schema, "reasons")
    figures = [row[name] for name in (*FIGURES, "pulse_per_min", "site", "position")]
    return {
        "protocol": row["protocol"],
        "visit": row["visit"],
        "state": row["state"],
        "safety": row["safety_level"],
        "basis": row["arm_basis"],
        "pairs": row["arm_pairs"],
        "result": [*figures, row["readings_counted"]],
        "readings": sorted((entry["index"], entry["reason"], entry["reason"] is None) for entry in row["readings"]),
        "labels": [
            (
                entry["guideline"],
                entry["category"],
                entry["decided_by"],
                entry["provisional"],
                {code for place, code in enumerate(reasons) if entry["reasons"] >> place & 1},
            )
            for entry in row["labels"]
        ],
        "findings": {code for place, code in enumerate(findings) if row[f"findings_{place // BITS}"] >> place % BITS & 1},
        "of readings": {
            (entry["index"], code)
            for entry in row["readings"]
            for place, code in enumerate(OF_READINGS)
            if entry["findings"] >> place & 1
        },
    }
