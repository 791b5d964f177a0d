"""One sitting: the readings that count by its protocol, the result, and its categories."""

from __future__ import annotations

from quietcuff.core.advice.next_step import usable
from quietcuff.core.findings.findings import find
from quietcuff.core.labels.classification import classify_each, readings_vary, reserve
from quietcuff.core.labels.judgement import Judgement, is_withheld, label_findings
from quietcuff.core.model.evaluation import Finding, Plan
from quietcuff.core.sitting.arms import Comparison
from quietcuff.core.sitting.attempts import much_above
from quietcuff.core.sitting.selection import (
    Selection,
    both_free,
    estimate,
    first_is_dropped,
    minimum_readings,
    select,
    still_differ,
)
from quietcuff.core.sitting.severity import SevereSeen
from quietcuff.core.sitting.sitting import Sitting


def judge_one_sitting(sitting: Sitting, comparison: Comparison, seen: SevereSeen) -> Judgement:
    """The plan's own readings, their mean and its categories."""
    selection = select(sitting, comparison, seen.severe)
    result = estimate(selection.counted, rounds=sitting.protocol.rounds) if selection.counted else None
    reservations = reserve(sitting, comparison, selection, result, severe=bool(seen.severe))
    withheld = is_withheld(sitting, selection.counted)
    return Judgement(
        selection=selection,
        result=result,
        reservations=reservations,
        categories=classify_each(sitting, result, reservations.reasons, confirmed=seen.confirmed, withheld=withheld),
        selection_findings=selection_findings(sitting, selection),
        label_findings=label_findings(sitting, selection, result),
        plan=describe_plan(sitting, comparison, selection),
    )


def describe_plan(sitting: Sitting, comparison: Comparison, selection: Selection) -> Plan:
    """Progress of the plan, in valid readings."""
    taken = len(sitting.valid)
    both = sitting.compares_arms and (bool(comparison.pairs) or comparison.other_due is not None or both_free(sitting))
    base = sitting.protocol.planned + (1 if both else 0)
    planned = max(base, taken) if selection.remaining == 0 else taken + selection.remaining
    because = {"first": "first-visit", "follow-up": "follow-up", "not-recorded": "visit-not-recorded"}
    return Plan(
        site=usable(sitting, comparison.result_site),
        planned=planned,
        taken=taken,
        remaining=selection.remaining,
        because="irregular-rhythm" if sitting.irregular else because[sitting.chosen.visit],
    )


def selection_findings(sitting: Sitting, selection: Selection) -> list[Finding]:
    """Findings of the selection: too few, one more due, a dropped first reading, readings that vary, a gap in the sitting."""
    book, arm = sitting.rulebook, selection.arm
    findings = []
    if "too-few-readings" in selection.blocked_by:
        findings.append(find(book, "too-few-readings", count=len(arm), minimum=minimum_readings(sitting, arm)))
    closed_early = selection.state == "complete" and selection.due is not None
    if selection.due == "further-reading" or closed_early:
        findings.append(find(book, "further-reading-needed"))
    if selection.counted and first_is_dropped(sitting, arm, selection.counted):
        findings.append(find(book, "first-reading-dropped", arm[0].index))
    mmhg = sitting.protocol.extra.mmhg
    rising = len(arm) == 2 and still_differ(sitting.protocol, arm) and not much_above(arm[0], arm[1], mmhg)
    if readings_vary(sitting, selection) or rising:
        findings.append(find(book, "readings-vary", mmhg=f"{mmhg:g}"))
    if sitting.has_gap:
        findings.append(find(book, "sitting-gap", minutes=sitting.limits.sitting_gap_minutes))
    return findings
