"""Certainty of a label: the chance that the usual pressure in this arm, measured this way, is where the label says.

Bias of a measurement is no random error: it is named beside these figures and is in none of them.
"""

from __future__ import annotations

from collections.abc import Mapping

import msgspec

from quietcuff.core.certainty.beliefs import Limits
from quietcuff.core.certainty.changes import PressureChange, change_findings, is_moving, keep_since_change
from quietcuff.core.certainty.mixture import chance_of_each
from quietcuff.core.certainty.priors import rules_of_tenant
from quietcuff.core.certainty.sentences import state
from quietcuff.core.certainty.settling import LabelPlace, chances_at_edge, places_in_rows, settles, what_settles, why_not_now
from quietcuff.core.certainty.sitting_value import SittingValue, arm_chooser, value_daytime, value_sitting
from quietcuff.core.certainty.usual_pressure import ABOVE_ALL_ROWS, AS_EXPECTED, LOWEST_ROW, Known, Reached, weigh
from quietcuff.core.certainty.visits import (
    Circumstances,
    circumstances_of,
    earlier_sittings,
    is_whole,
    measure,
    measure_earlier,
    sittings_of_same,
)
from quietcuff.core.findings.findings import find
from quietcuff.core.labels.classification import place_in_rows
from quietcuff.core.labels.judgement import Judgement
from quietcuff.core.model.evaluation import Category, Certainty, Decisive, Finding, Interval, PartMean, RowChance, SettledAfter
from quietcuff.core.model.fields import Setting, Site, four_decimals_half_up
from quietcuff.core.model.history import HistorySitting
from quietcuff.core.model.readings import Intake
from quietcuff.core.rulebook.rulebook import Guideline, Row, Rulebook
from quietcuff.core.rulebook.variability import Variability
from quietcuff.core.sitting.arms import Comparison
from quietcuff.core.sitting.attempts import Attempt, days_of
from quietcuff.core.sitting.person import Person
from quietcuff.core.sitting.selection import first_is_dropped
from quietcuff.core.sitting.sitting import Sitting


class Sureness(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One certainty for each label that can have one, and the findings about them."""

    certainty: list[Certainty]
    findings: list[Finding]


def judge_certainty(sitting: Sitting, comparison: Comparison, judged: Judgement, findings: list[Finding]) -> Sureness:
    """Certainty of each label of the sitting, together with the earlier sittings that measured the same.

    Empty without a label, in other than ordinary care, not seated, or where a home series is too short to be a visit.
    """
    labels = find_labels(sitting, judged)
    if not labels or not measures_usual(sitting, judged):
        return Sureness(certainty=[], findings=[])
    bias = bias_in(sitting.rulebook, judged.categories, findings)
    known, change = weigh_sitting(sitting, comparison, judged, labels)
    return tell(labels, known, bias, sitting.rulebook, change, value_told(judged))


def judge_visits(
    sittings: list[HistorySitting],
    categories: list[Category],
    person: Person,
    intake: Intake | None,
    book: Rulebook,
    tables: Mapping[str, Guideline] | None = None,
) -> Sureness:
    """Certainty of the labels of a pooled value.

    ``sittings`` are remembered ones of one setting, newest last, since the last change of the pressure. ``tables`` holds
    guidelines with their limits for this person, where those are not the rulebook's. Sittings that measured something else than
    the newest one do not count.
    """
    rules, newest = rules_of_tenant(intake, book.variability), sittings[-1]
    at = circumstances_then(newest, person, rules)
    tables = tables or book.guidelines
    labels = [
        label
        for entry in categories
        if (label := label_in(rows_for(tables[entry.guideline], newest.setting), entry)) is not None
    ]
    if not labels:
        return Sureness(certainty=[], findings=[])
    earlier = [measure_earlier(each, at, rules) for each in sittings_of_same(sittings[:-1], at, rules)]
    is_high = any([is_hypertensive(label, tables[label.guideline]) for label in labels])
    known = weigh(earlier, measure_earlier(newest, at, rules), at, person, intake, rules, is_high=is_high)
    return tell(labels, known, bias_in(book, categories, []), book, None, (newest.systolic_mmhg, newest.diastolic_mmhg))


def circumstances_then(newest: HistorySitting, person: Person, rules: Variability) -> Circumstances:
    """Circumstances under which a remembered sitting was measured."""
    irregular = person.irregular_known or "irregular-rhythm" in newest.provisional_because
    place = (newest.setting, newest.attendance, newest.site or "not-recorded")
    return circumstances_of(person, place, rules, irregular=irregular)


def tell_of_newest(known: Known, change: PressureChange | None, newest: tuple[float, float], book: Rulebook) -> list[Finding]:
    """Findings about a change, and about a newest value outside its interval."""
    earlier = known.outlook.visits - 1
    changed = change_findings(change, book) if change is not None else []
    return changed + outside_findings(known.interval_95, newest, earlier, known.prior, book)


def value_told(judged: Judgement) -> tuple[float, float]:
    """The value that the interval stands beside: the result, or the daytime mean of a recording. There is always one."""
    # The published variation between recordings is that of daytime means, so the certainty is of that mean too.
    day = judged.series.day if judged.series is not None else None
    shown = day if day is not None else judged.result
    return (0.0, 0.0) if shown is None else (shown.systolic_mmhg, shown.diastolic_mmhg)


def tell(
    labels: list[Labelled],
    known: Known,
    bias: list[str],
    book: Rulebook,
    change: PressureChange | None,
    newest: tuple[float, float],
) -> Sureness:
    """Certainty of each label, and the findings about them, a change and the newest value."""
    # Of all tables at once, because tables share edges, and edges what a belief takes from its spread.
    reached = known.outlook.reached(list(dict.fromkeys([edge for label in labels for edge in label.place.edges])))
    doubts: dict[Limits, EdgeInDoubt] = {}
    entries = [certainty_of(label, known, bias, book, reached, doubts) for label in labels]
    split = split_by_prior(labels, reached)
    told = [find(book, "prior-decides", list=", ".join(split))] if split else []
    if known.outlook.varies != AS_EXPECTED:
        vary = [name for name, times in zip(("systolic", "diastolic"), known.outlook.varies, strict=True) if times > 1]
        told += [find(book, "visits-vary", pressure=" and ".join(vary))] if vary else []
    return Sureness(certainty=entries, findings=told + tell_of_newest(known, change, newest, book))


def find_labels(sitting: Sitting, judged: Judgement) -> list[Labelled]:
    """Labels that are a row of a table of pressures. For a recording, those that its daytime mean gives by itself too."""
    labels = []
    day = judged.series.day if judged.series is not None else None
    recorded = sitting.reading_set.setting == "ambulatory"
    for guideline, entry in zip(sitting.guidelines, judged.categories, strict=True):
        label = label_in(rows_for(guideline, "ambulatory") if recorded else guideline.rows, entry)
        if label is None or not guideline.places_pressures:
            continue
        # A recording's label may rest on its night or its 24 hours; the daytime mean then says nothing about that label.
        if not recorded or (day is not None and is_in_row(day, label)):
            labels.append(label)
    return labels


def rows_for(guideline: Guideline, setting: Setting) -> list[Row]:
    """The guideline's table for the value weighed in a setting: the mean of a home series, the daytime mean of a recording."""
    if setting == "office":
        return guideline.rows if guideline.places_pressures else []
    part = "day" if setting == "ambulatory" else "home"
    return next((bands.rows for bands in guideline.out_of_office if bands.part == part), [])


def label_in(rows: list[Row], entry: Category) -> Labelled | None:
    """The label as a row of a table, or None where it is none."""
    if entry.category is None:
        return None
    place = places_in_rows(rows).get(entry.category)
    return None if place is None else Labelled(entry.guideline, place)


def measured_high(sitting: Sitting, labels: list[Labelled]) -> bool:
    """True where a label is in its guideline's range of hypertension, and nobody knows whether there is treatment."""
    # Only then does the choice of a prior ask for it.
    if sitting.person.treatment_recorded:
        return False
    tables = {guideline.id: guideline for guideline in sitting.guidelines}
    return any([is_hypertensive(label, tables[label.guideline]) for label in labels])


def is_hypertensive(label: Labelled, guideline: Guideline) -> bool:
    """True where an office label is in its guideline's range of hypertension."""
    limit, row = guideline.hypertension, label.place.rows[label.place.rank]
    if limit is None:
        return False
    systolic, diastolic = row.systolic_mmhg, row.diastolic_mmhg
    return (systolic is not None and systolic >= limit.systolic_mmhg) or (
        diastolic is not None and diastolic >= limit.diastolic_mmhg
    )


def is_in_row(mean: PartMean, label: Labelled) -> bool:
    """True where a mean by itself has that label."""
    return place_in_rows(label.place.rows, mean.systolic_mmhg, mean.diastolic_mmhg).rank == label.place.rank


def measures_usual(sitting: Sitting, judged: Judgement) -> bool:
    """True where the result estimates a usual pressure. Source: [DECISION]."""
    reading_set, counted = sitting.reading_set, judged.selection.counted
    if reading_set.context.care != "ordinary" or judged.result is None:
        return False
    if reading_set.setting == "ambulatory":
        return True
    if judged.result.position not in ("sitting", "not-recorded"):
        return False
    days = days_of_series(sitting, counted)
    return is_whole(reading_set.setting, len(counted), days, sitting.rulebook.variability)


def days_of_series(sitting: Sitting, counted: list[Attempt]) -> int:
    """The number of days of a home series; elsewhere it is one, since nothing asks for it."""
    return days_of(counted) if sitting.reading_set.setting == "home" else 1


def weigh_sitting(
    sitting: Sitting, comparison: Comparison, judged: Judgement, labels: list[Labelled]
) -> tuple[Known, PressureChange | None]:
    """Usual pressure from this sitting, earlier ones since its last change and the prior; and that change."""
    reading_set, counted = sitting.reading_set, judged.selection.counted
    rules = rules_of_tenant(reading_set.intake, sitting.rulebook.variability)
    place = (reading_set.setting, reading_set.attendance, counted[0].site)
    at = circumstances_of(sitting.person, place, rules, irregular=sitting.irregular)
    began = counted[0].taken_at
    changed_on = reading_set.subject.treatment_changed_on
    earlier = [measure_earlier(each, at, rules) for each in earlier_sittings(sitting.history, at, began, changed_on, rules)]
    value = value_now(sitting, comparison, judged, at.site)
    now = measure(value, began.date(), days_of_series(sitting, counted), at, rules, irregular=at.irregular)
    change = None
    # One visit alone has changed from nothing.
    if earlier:
        moving = is_moving(reading_set.subject, sitting.person, now.day, sitting.rulebook)
        kept = keep_since_change(earlier, now, at, sitting.rulebook, moving=moving)
        earlier, change = kept.earlier, kept.change
    known = weigh(earlier, now, at, sitting.person, reading_set.intake, rules, is_high=measured_high(sitting, labels))
    return known, change


def value_now(sitting: Sitting, comparison: Comparison, judged: Judgement, site: Site) -> SittingValue:
    """This sitting's value, free of the choices that depend on the readings' values."""
    if judged.series is not None and judged.series.day is not None:
        return value_daytime(judged.series.day)
    arm, counted = judged.selection.arm, judged.selection.counted
    chooser = arm_chooser(sitting.valid, site) if comparison.basis == "this-sitting" else None
    dropped = first_is_dropped(sitting, arm, counted)
    within = sitting.rulebook.variability.within
    return value_sitting(sitting.protocol, arm, counted, within, chooser=chooser, first_dropped=dropped)


def bias_in(book: Rulebook, categories: list[Category], findings: list[Finding]) -> list[str]:
    """Codes of bias: conditions with an effect, and reasons for a provisional label that are no random error."""
    harmless = book.variability.visits.reasons_without_bias
    effects = [finding.code for finding in findings if finding.code in book.effects]
    reasons = [reason for entry in categories for reason in entry.provisional_because if reason not in harmless]
    return list(dict.fromkeys(effects + reasons))


def outside_findings(
    interval: Interval, newest: tuple[float, float], earlier_visits: int, prior: str, book: Rulebook
) -> list[Finding]:
    """Finding where the newest value is outside the interval, with the other things that the interval rests on."""
    (low, high), (lowest, highest) = interval.systolic_mmhg, interval.diastolic_mmhg
    outside = [] if low <= newest[0] <= high else ["systolic"]
    if not lowest <= newest[1] <= highest:
        outside.append("diastolic")
    if not outside:
        return []
    grounds = []
    if earlier_visits:
        grounds.append("1 earlier visit" if earlier_visits == 1 else f"{earlier_visits} earlier visits")
    if prior != "none":
        grounds.append("what is known of people before measuring")
    # Neither visits nor a prior moved the interval, so only the correction for chosen readings can have.
    if not grounds:
        grounds.append("a correction for how the readings were chosen")
    return [find(book, "newest-outside-interval", pressure=" and ".join(outside), grounds=" and ".join(grounds))]


class Labelled(msgspec.Struct, frozen=True, gc=False):
    """One guideline's label: its row in the table for what was measured."""

    guideline: str
    place: LabelPlace


class EdgeInDoubt(msgspec.Struct, frozen=True, gc=False):
    """An edge that leaves a label in doubt: the chance there in a sentence, that of each pressure by itself, and the chances
    that further visits settle the side."""

    statement: str
    systolic: float
    diastolic: float
    settled_after: list[SettledAfter]


def tell_of_edge(edge: Limits, known: Known, book: Rulebook, reached: Reached) -> EdgeInDoubt:
    """What is told of an edge in doubt."""
    systolic, diastolic = chance_of_each(known.outlook.weighed, edge)
    return EdgeInDoubt(
        state(book, known, edge, reached[0], reached[1]),
        four_decimals_half_up(systolic),
        four_decimals_half_up(diastolic),
        chances_at_edge(known.outlook, edge),
    )


def certainty_of(
    label: Labelled,
    known: Known,
    bias: list[str],
    book: Rulebook,
    reached: dict[Limits, Reached],
    doubts: dict[Limits, EdgeInDoubt],
) -> Certainty:
    """Certainty of one guideline's label; ``doubts`` keeps what is told of an edge that leaves several labels in doubt."""
    outlook, rows, rank, edges = known.outlook, label.place.rows, label.place.rank, label.place.edges
    chances = [LOWEST_ROW, *[reached[edge] for edge in edges], ABOVE_ALL_ROWS]
    (own, own_flat, _, _), (following, following_flat, _, _) = chances[rank], chances[rank + 1]
    doubtful = row_in_doubt(rank, len(edges), own, following)
    edge = edges[doubtful - 1]
    doubt = doubts.get(edge)
    if doubt is None:
        doubt = doubts[edge] = tell_of_edge(edge, known, book, reached[edge])
    # Nobody has measured how far one sitting in irregular rhythm may be off, so more readings in it settle nothing.
    only_irregular = outlook.at.irregular and outlook.visits == 1
    sides = label.place.sides
    # The ranges from a row upwards are nested, so the chance of a row is the difference of two.
    chance, alone = four_decimals_half_up(own - following), four_decimals_half_up(own_flat - following_flat)
    enough = outlook.rules.settling.settled_from
    # Settled in every view: with the prior and without, and each of these with visits varying as much as they may.
    settled = not only_irregular and chance >= enough <= alone and settles(outlook.now_with_care, sides, enough)
    readings, visits = (0, 0) if settled else what_settles(outlook, sides, alone=only_irregular)
    # The first by place: a call with more than fifteen names takes several times as long.
    return Certainty(
        label.guideline,
        doubt.statement,
        row_chances(rows, chances),
        chance,
        label_probability_flat=alone,
        decisive=Decisive(category=rows[doubtful].category, systolic=doubt.systolic, diastolic=doubt.diastolic),
        interval_95=known.interval_95,
        with_device_95=known.with_device_95,
        settled=settled,
        more_readings_now=readings,
        visits_if_mean_holds=visits,
        chance_settled_after=doubt.settled_after,
        reason=why_not_now(readings, visits, alone=only_irregular),
        prior=known.prior,
        visits_used=outlook.visits,
        bias_not_included=bias,
        assumptions=known.assumptions,
    )


def row_chances(rows: list[Row], chances: list[Reached]) -> list[RowChance]:
    """The chance of each row or higher, as it is published; ``chances`` goes on beyond the highest row."""
    return [
        RowChance(category=row.category, at_or_above=shown, at_or_above_flat=shown_flat)
        for row, (_, _, shown, shown_flat) in zip(rows, chances, strict=False)
    ]


def row_in_doubt(rank: int, highest: int, own: float, following: float) -> int:
    """The row whose edge leaves the label most in doubt: the label's own, which may not be reached, or the next, which may.

    ``own`` and ``following`` are the chances of these two rows or higher.
    """
    if rank == 0:
        return 1
    return rank if rank == highest or 1 - own >= following else rank + 1


def split_by_prior(labels: list[Labelled], reached: dict[Limits, Reached]) -> list[str]:
    """The guidelines with an edge that is more likely than not reached with the prior, and not without it, or the other way
    round. Without a prior there is none."""
    split = {edge for edge, (_, _, shown, shown_flat) in reached.items() if (shown - 0.5) * (shown_flat - 0.5) < 0}
    return [label.guideline for label in labels if not split.isdisjoint(label.place.edges)] if split else []
