"""Judgement of the valid readings, the findings of its categories, and by when and how they are to be confirmed.

A judgement has one shape for any kind of protocol: sitting, series, recording, test of standing. Findings say for whom a
category is, which pressure decided, and where guidelines disagree.
"""

from __future__ import annotations

from datetime import timedelta

import msgspec

from quietcuff.core.findings.findings import find
from quietcuff.core.labels.classification import Reservations, changes_row, place, reaches_hypertension
from quietcuff.core.model.evaluation import Category, ConfirmBy, Finding, FollowingStep, Orthostatic, Plan, Result, Series, Way
from quietcuff.core.rulebook.remembered import remembered_alone
from quietcuff.core.rulebook.rulebook import Edge, Guideline, Row, Rulebook
from quietcuff.core.sitting.attempts import Attempt
from quietcuff.core.sitting.in_force import is_for, severe_of_rows
from quietcuff.core.sitting.percentiles import as_printed
from quietcuff.core.sitting.person import low_systolic
from quietcuff.core.sitting.selection import Selection, estimate
from quietcuff.core.sitting.severity import reaches
from quietcuff.core.sitting.sitting import Sitting

WAYS: dict[str, Way] = {"another-day": "office", "hours-apart": "office", "out-of-office": "home"}


class Judgement(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The counted readings, the result with its categories, and their findings.

    ``step`` and ``line`` are the protocol's own next step and sentence for the note; None where the ordinary ones apply.
    """

    selection: Selection
    result: Result | None
    reservations: Reservations
    categories: list[Category]
    selection_findings: list[Finding]
    label_findings: list[Finding]
    plan: Plan
    step: FollowingStep | None = None
    line: str | None = None
    series: Series | None = None
    orthostatic: Orthostatic | None = None


def is_withheld(sitting: Sitting, counted: list[Attempt]) -> bool:
    """True where no category may be given although there is a result.

    A single home sitting, a reading at a leg, or a low pressure with symptoms. Source: [PRACTICE, DECISION].
    """
    if not sitting.protocol.classifies or is_of_thigh(counted):
        return True
    if sitting.reading_set.context.acute_symptoms != "yes":
        return False
    low = 100 * low_systolic(sitting.person, sitting.limits)
    return any(attempt.systolic < low for attempt in counted)


def is_of_thigh(counted: list[Attempt]) -> bool:
    """True where a counted reading is of a leg; all of them are then, as kinds of site are never mixed."""
    return bool(counted) and counted[0].site.endswith("thigh")


def label_findings(sitting: Sitting, selection: Selection, result: Result | None) -> list[Finding]:
    """The findings about the requested guidelines, then about the categories where there is a result."""
    findings = guideline_findings(sitting)
    if result is None:
        return findings
    applicable = sitting.applicable
    findings += isolated_findings(sitting, applicable, result)
    findings += lower_findings(sitting, selection, applicable, result)
    book = sitting.rulebook
    moved = moved_by_rounding(applicable, result)
    if moved and sitting.protocol.classifies:
        findings.append(find(book, "rounding-decides", list=", ".join(moved)))
    printed = [guideline.id for guideline in applicable if printing_decides(guideline, result)] if sitting.norms else []
    if printed:
        findings.append(find(book, "printed-table-differs", list=", ".join(printed)))
    if is_of_thigh(selection.counted):
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
    book, family = sitting.rulebook, sitting.protocol.family
    if not sitting.protocol.classifies:
        return [find(book, "home-readings-too-few", list="one sitting")]
    for_all = len(sitting.applicable) == len(sitting.guidelines)
    # Most sittings are of grown-ups, under guidelines that are for them.
    if for_all and family is None and sitting.person.age_years and not sitting.lacking and sitting.norms is None:
        return []
    refused = []
    if not for_all:
        refused = [
            guideline.id
            for guideline in sitting.guidelines
            # What a child's percentiles lack has findings of its own; the guideline itself is for this person.
            if guideline not in sitting.applicable and not (sitting.lacking and guideline.measures == "percentile")
        ]
    findings = [find(book, code) for code in sitting.lacking]
    if sitting.norms is not None and not sitting.norms.is_tabled:
        findings.append(find(book, "height-beyond-tables"))
    if refused:
        findings.append(find(book, "guideline-not-for-this-person", list=", ".join(refused)))
    other = [] if family is None else [guideline.id for guideline in sitting.guidelines if guideline.family != family]
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
    systolic, diastolic = result.systolic_mmhg, result.diastolic_mmhg
    for guideline in applicable:
        for pattern in guideline.isolated:
            own, other = (systolic, diastolic) if pattern.code == "isolated-systolic" else (diastolic, systolic)
            if own >= pattern.at_or_above_mmhg and other < pattern.other_below_mmhg:
                codes[pattern.code] = None
    return [find(sitting.rulebook, code) for code in codes]


def moved_by_rounding(guidelines: list[Guideline], result: Result) -> list[str]:
    """The guidelines in which the exact mean would be in another category than the reported value. Source: [DECISION]."""
    reported, exact = (result.systolic_mmhg, result.diastolic_mmhg), (result.systolic_mean_mmhg, result.diastolic_mean_mmhg)
    if reported == exact:
        return []
    return [each.id for each in guidelines if changes_row(each.rows, exact, reported)]


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
        for guideline, edge in severe_tables(sitting.rulebook)
        # A value below every severe limit need not be looked up.
        if reaches(edge, result.systolic_mmhg, result.diastolic_mmhg)
        and place(guideline, result.systolic_mmhg, result.diastolic_mmhg).row.severe
    ]
    if any(guideline in sitting.applicable for guideline in severe):
        return []
    return [guideline.id for guideline in severe if is_for(guideline, sitting.person, "office")]


def read_severe_tables(rulebook: Rulebook) -> list[tuple[Guideline, Edge]]:
    """Every guideline with the lowest limits of its severe rows."""
    return [(guideline, severe_of_rows(guideline.rows)) for guideline in rulebook.guidelines.values()]


severe_tables = remembered_alone(read_severe_tables)


class Advice(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Confirmation as the guidelines ask for it, and the codes of its findings."""

    confirm_by: ConfirmBy | None
    codes: list[str]


def advise(sitting: Sitting, judged: Judgement, *, confirmed: bool) -> Advice:
    """Confirmation asked for by the categories: the soonest day that any guideline asks for, whichever was named first.

    Known or treated hypertension is compared with its target instead of confirmed; no target is invented. In pregnancy and
    after birth nothing is left to confirm once severe readings are. Source: the rows' own; [DECISION] for known hypertension.
    """
    if sitting.protocol.standing is not None:
        return Advice(confirm_by=None, codes=[])
    if sitting.person.treated:
        given = any(entry.category is not None for entry in judged.categories)
        return Advice(confirm_by=None, codes=["compare-with-target"] if given else [])
    rows = [row for row in map_rows(sitting, judged.categories) if row.confirm is not None]
    if not rows or (sitting.person.expecting and confirmed):
        return Advice(confirm_by=None, codes=[])
    also = ["confirm-out-of-office" for row in rows if row.also_out_of_office]
    left = [days_left(sitting, judged, row) for row in rows]
    days = min(left)
    soonest = rows[left.index(days)]
    return Advice(
        confirm_by=ConfirmBy(date=sitting.day + timedelta(days=days), way=WAYS[soonest.confirm or "another-day"]),
        codes=list(dict.fromkeys([f"confirm-{row.confirm}" for row in rows] + also)),
    )


def days_left(sitting: Sitting, judged: Judgement, row: Row) -> int:
    """Days within which a row asks for confirmation; a week at the most from 180/110 on. Source: [SEVERE-DAYS]."""
    days = row.confirm_within_days or 0
    limits, result = sitting.limits, judged.result
    if result is not None and reaches(limits.severe, result.systolic_mmhg, result.diastolic_mmhg):
        return min(days, limits.confirm_from_severe_within_days)
    return days


def map_rows(sitting: Sitting, categories: list[Category]) -> list[Row]:
    """The rows behind the categories that were given, in the order of the request."""
    rows = []
    for guideline, entry in zip(sitting.guidelines, categories, strict=True):
        if entry.category is not None:
            rows.append(rows_by_category(guideline.rows)[entry.category])
    return rows


def read_categories(rows: list[Row]) -> dict[str, Row]:
    """The rows of a table by their categories; the lower row where two share one."""
    named: dict[str, Row] = {}
    for row in rows:
        for category in (row.category, row.unconfirmed_category):
            if category is not None:
                named.setdefault(category, row)
    return named


rows_by_category = remembered_alone(read_categories)
