"""Labels over many sets at once: the column kernel says what it can, the core whatever the report needs beyond that.

Certainty and the day to confirm by are the core's alone. They are told of sets whose label moves, and of the newest ones of a
person; so these go through the core, and every set that columns do not decide. Without the extra ``analytics`` all of them do.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from quietcuff.analytics.extras import is_installed
from quietcuff.analytics.follow_ups.follow_ups import SEVERE, FoundCode, FoundLevel, FoundResult, StoredAnswer, StoredStep
from quietcuff.analytics.what_if.what_if import ByColumns, Label, reaches_limit
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.rulebook import Rulebook

# What a follow-up asks about; the kernel is asked for no other.
FOLLOWED_CODES = (*sorted(SEVERE), "low-reading", "acute-symptoms")
NO_STEP = StoredStep(action="none", reason="")


class Columns:
    """The kernel of some rules, made once for a walk."""

    def __init__(self, rules: Rulebook, book: Rulebook) -> None:
        from quietcuff.analytics.columns.kernel import Kernel

        self._kernel, self._book = Kernel(rules), book
        self._confirmed = {
            (guideline.id, name)
            for guideline in rules.guidelines.values()
            for row in guideline.rows
            for name in (row.category, row.unconfirmed_category)
            if row.confirm is not None and name is not None
        }

    def judge(self, inputs: Sequence[ReadingSet]) -> list[ByColumns | None]:
        """The columns' judgement of each set; None where the core must decide, or refuses."""
        if not inputs:
            return []
        from quietcuff.analytics.columns.answer import has_finding
        from quietcuff.analytics.columns.batch import as_batch

        batch = as_batch((str(place), each, each.history) for place, each in enumerate(inputs))
        answer = self._kernel.evaluate(batch)
        found = {code: has_finding(answer, code) for code in FOLLOWED_CODES}
        names = ("engine", "safety_level", "systolic_mmhg", "diastolic_mmhg", "labels")
        columns = zip(*(answer[name].to_pylist() for name in names), strict=True)
        told: list[ByColumns | None] = []
        for place, (engine, level, systolic, diastolic, labels) in enumerate(columns):
            if engine != "columns":
                told.append(None)
                continue
            result = None if systolic is None else FoundResult(systolic, diastolic)
            codes = [FoundCode(code) for code in FOLLOWED_CODES if found[code][place]]
            answered = StoredAnswer(FoundLevel(level), codes, result, None, None, NO_STEP)
            label = self._label(labels, result, inputs[place])
            confirms = any((each["guideline"], each["category"]) in self._confirmed for each in labels)
            told.append(ByColumns(label, answered, confirms))
        return told

    def _label(self, labels: list[dict[str, Any]], result: FoundResult | None, reading_set: ReadingSet) -> Label:
        """The first guideline's label; its certainty is not asked for."""
        if not labels or labels[0]["category"] is None:
            return Label(None)
        guideline = self._book.guidelines.get(labels[0]["guideline"])
        if result is None or reading_set.setting != "office":
            return Label(labels[0]["category"])
        return Label(labels[0]["category"], reaches_limit(guideline, result.systolic_mmhg, result.diastolic_mmhg))


def columns_for(rules: Rulebook, book: Rulebook) -> Columns | None:
    """The columns of some rules; None where what they need is not installed."""
    return Columns(rules, book) if is_installed("analytics") else None
