"""Findings of the categories: the people they are for, the pressure that decided, and guidelines that disagree."""

from __future__ import annotations

from quietcuff.core.findings.finding import find
from quietcuff.core.labels.classification import place, reaches_hypertension
from quietcuff.core.model.evaluation import Finding, Result
from quietcuff.core.rulebook.rulebook import Guideline
from quietcuff.core.sitting.mean import estimate
from quietcuff.core.sitting.percentiles import as_printed
from quietcuff.core.sitting.rules_in_force import is_for
from quietcuff.core.sitting.selection import Selection
from quietcuff.core.sitting.sitting import Sitting


def label_findings(sitting: Sitting, selection: Selection, result: Result | None) -> list[Finding]:
    """The findings about the requested guidelines, then about the categories where there is a result."""
    findings = guideline_findings(sitting)
    if result is None:
        return findings
    applicable = sitting.applicable
    findings += isolated_findings(sitting, applicable, result)
    findings += lower_findings(sitting, selection, applicable, result)
    book = sitting.rulebook
    moved = [guideline.id for guideline in applicable if rounding_decides(guideline, result)]
    if moved and sitting.protocol.classifies:
        findings.append(find(book, "rounding-decides", list=", ".join(moved)))
    printed = [guideline.id for guideline in applicable if printing_decides(guideline, result)] if sitting.norms else []
    if printed:
        findings.append(find(book, "printed-table-differs", list=", ".join(printed)))
    if any(attempt.site.endswith("thigh") for attempt in selection.counted):
        findings.append(find(book, "thigh-no-category"))
    if needs_auscultation(sitting, selection, result):
        findings.append(find(book, "auscultation-confirms", count=sitting.protocol.auscultated_decide_from or 0))
    elsewhere = severe_elsewhere(sitting, result) if sitting.reading_set.setting == "office" else []
    if elsewhere:
        findings.append(find(book, "other-guideline-severe", list=", ".join(elsewhere)))
    return findings


def needs_auscultation(sitting: Sitting, selection: Selection, result: Result) -> bool:
    """True where a high mean is not auscultated, under a protocol that lets auscultated readings decide.

    False where it is recorded that nobody can auscultate. Source: [AAP17-OFFICE].
    """
    edge = sitting.protocol.one_may_do_below
    if sitting.protocol.auscultated_decide_from is None or edge is None or selection.method == "auscultatory":
        return False
    high = result.systolic_mmhg >= edge.systolic_mmhg or result.diastolic_mmhg >= edge.diastolic_mmhg
    return high and sitting.reading_set.context.auscultation_possible != "no"


def guideline_findings(sitting: Sitting) -> list[Finding]:
    """Guidelines that are not for this person, of another family than the protocol, or that assume an age."""
    book = sitting.rulebook
    if not sitting.protocol.classifies:
        return [find(book, "home-readings-too-few", list="one sitting")]
    findings = []
    refused = [
        guideline.id
        for guideline in sitting.guidelines
        # What a child's percentiles lack has findings of its own; the guideline itself is for this person.
        if guideline not in sitting.applicable and not (sitting.lacking and guideline.measures == "percentile")
    ]
    findings += [find(book, code) for code in sitting.lacking]
    if sitting.norms is not None and not sitting.norms.is_tabled:
        findings.append(find(book, "height-beyond-tables"))
    if refused:
        findings.append(find(book, "guideline-not-for-this-person", list=", ".join(refused)))
    family = sitting.protocol.family
    other = [guideline.id for guideline in sitting.guidelines if family not in (None, guideline.family)]
    if other:
        findings.append(find(book, "protocol-guideline-differ", list=f"{sitting.protocol.id}; {', '.join(other)}"))
    if sitting.person.age_years == 0:
        findings.append(find(book, "out-of-scope", list="under one year of age"))
    if sitting.person.age_years is None:
        findings.append(find(book, "age-not-recorded"))
    return findings


def isolated_findings(sitting: Sitting, applicable: list[Guideline], result: Result) -> list[Finding]:
    """One pressure in the hypertension range and the other not, where a requested guideline names that."""
    codes: dict[str, None] = {}
    for guideline in applicable:
        for pattern in guideline.isolated:
            pressures = (result.systolic_mmhg, result.diastolic_mmhg)
            own, other = pressures if pattern.code == "isolated-systolic" else reversed(pressures)
            if own >= pattern.at_or_above_mmhg and other < pattern.other_below_mmhg:
                codes[pattern.code] = None
    return [find(sitting.rulebook, code) for code in codes]


def rounding_decides(guideline: Guideline, result: Result) -> bool:
    """True where the exact mean would be in another category than the reported value. Source: [DECISION]."""
    systolic, diastolic = result.systolic_mean_mmhg, result.diastolic_mean_mmhg
    if systolic == result.systolic_mmhg and diastolic == result.diastolic_mmhg:
        return False
    reported = place(guideline, result.systolic_mmhg, result.diastolic_mmhg)
    return place(guideline, systolic, diastolic).rank != reported.rank


def printing_decides(guideline: Guideline, result: Result) -> bool:
    """True where a child's printed table, its limits truncated, would give another category: 116 where the limit is 116.64."""
    if guideline.measures != "percentile":
        return False
    value = (result.systolic_mmhg, result.diastolic_mmhg)
    return place(as_printed(guideline), *value).rank != place(guideline, *value).rank


def lower_findings(sitting: Sitting, selection: Selection, applicable: list[Guideline], result: Result) -> list[Finding]:
    """Findings where the lower of the last two is recorded: their mean would be high, or the two cross."""
    if sitting.protocol.counts != "lower-of-last-two" or len(selection.arm) < 2 or len(selection.counted) != 1:
        return []
    book = sitting.rulebook
    one, other = selection.arm[-2:]
    findings = []
    mean = estimate([one, other])
    recorded, compared = (result.systolic_mmhg, result.diastolic_mmhg), (mean.systolic_mmhg, mean.diastolic_mmhg)
    if any(reaches_hypertension(g, *compared) and not reaches_hypertension(g, *recorded) for g in applicable):
        findings.append(find(book, "lower-of-two-decides", mean=f"{mean.systolic_mmhg}/{mean.diastolic_mmhg}"))
    # The product is negative where one reading is lower in systolic and the other in diastolic.
    if (one.systolic - other.systolic) * (one.diastolic - other.diastolic) < 0:
        findings.append(find(book, "lower-reading-ambiguous"))
    return findings


def severe_elsewhere(sitting: Sitting, result: Result) -> list[str]:
    """Guidelines that were not asked for and would call the reported value severe, where none that was asked does."""
    lowest = sitting.limits.severe_expecting
    if result.systolic_mmhg < lowest.systolic_mmhg and result.diastolic_mmhg < lowest.diastolic_mmhg:
        return []
    severe = [
        guideline
        for guideline in sitting.rulebook.guidelines.values()
        if place(guideline, result.systolic_mmhg, result.diastolic_mmhg).row.severe
    ]
    if any(guideline in sitting.applicable for guideline in severe):
        return []
    return [guideline.id for guideline in severe if is_for(guideline, sitting.person, "office")]
