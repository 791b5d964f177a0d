"""How sure a label is: the chance that the usual pressure in this arm, measured this way, is where the label says.

What shifts a measurement is no random error: it is named beside these figures and is in none of them.
"""

from __future__ import annotations

from math import inf
from typing import Literal

import msgspec

from quietcuff.core.arms import Comparison
from quietcuff.core.belief import Belief, Limits, chance_reached, chances_of_each, published
from quietcuff.core.findings import find
from quietcuff.core.outcome import Category, Certainty, Decisive, Finding, Result, RowChance, SettledAfter
from quietcuff.core.rules import Guideline, Row
from quietcuff.core.selection import Selection
from quietcuff.core.settling import Label, Outlook, chances_to_settle, fewest
from quietcuff.core.sitting import Sitting
from quietcuff.core.usual import Known, measures_usual, weigh


class Judgement(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One certainty for each label that was given, and what is to be told of them."""

    certainty: list[Certainty]
    findings: list[Finding]


def judge_certainty(
    sitting: Sitting,
    comparison: Comparison,
    selection: Selection,
    result: Result | None,
    categories: list[Category],
    findings: list[Finding],
) -> Judgement:
    """How sure each label of the sitting is, together with the earlier visits that measured the same.

    Nothing where there is no label, in other than ordinary care, not seated, or where a home series is too short to be a visit.
    """
    labelled = [entry for entry in categories if entry.category is not None]
    if result is None or not labelled or not measures_usual(sitting, selection, result):
        return Judgement(certainty=[], findings=[])
    known = weigh(sitting, comparison, selection, result, labelled, findings)
    book = sitting.rulebook
    tables = {guideline.id: guideline for guideline in sitting.guidelines}
    entries = [certainty_of(tables[entry.guideline], entry, sitting, known) for entry in labelled]
    split = [entry.guideline for entry in entries if prior_decides(entry.rows)]
    told = [find(book, "prior-decides", list=", ".join(split))] if split else []
    vary = [name for name, times in zip(("systolic", "diastolic"), known.outlook.varies, strict=True) if times > 1]
    told += [find(book, "visits-vary", pressure=" and ".join(vary))] if vary else []
    return Judgement(certainty=entries, findings=told)


def certainty_of(guideline: Guideline, entry: Category, sitting: Sitting, known: Known) -> Certainty:
    """How sure one guideline's label is."""
    belief, outlook = known.belief, known.outlook
    edges = edges_of(guideline.rows)
    reached = chances_of_rows(belief, edges)
    flat = reached if belief is outlook.flat else chances_of_rows(outlook.flat, edges)
    rank = rank_of(guideline.rows, entry)
    doubtful = row_in_doubt(reached, rank)
    edge = edges[doubtful - 1]
    systolic, diastolic = chances_of_each(belief, edge)
    alone = outlook.at.irregular and len(outlook.visits) == 1
    settled = of_row(reached, rank) >= outlook.rules.settling.settled_from and not alone
    label = Label(own=edges[rank - 1] if rank else None, following=edges[rank] if rank < len(edges) else None)
    readings, visits = (0, 0) if settled else what_settles(outlook, label, alone=alone)
    return Certainty(
        guideline=guideline.id,
        statement=state(sitting, edge, reached[doubtful], flat[doubtful], known.prior),
        rows=[
            RowChance(category=row.category, at_or_above=published(chance), at_or_above_flat=published(alone_chance))
            for row, chance, alone_chance in zip(guideline.rows, reached, flat, strict=True)
        ],
        label_probability=published(of_row(reached, rank)),
        label_probability_flat=published(of_row(flat, rank)),
        decisive=Decisive(
            category=guideline.rows[doubtful].category, systolic=published(systolic), diastolic=published(diastolic)
        ),
        interval_95=known.interval_95,
        with_device_95=known.with_device_95,
        settled=settled,
        more_readings_now=readings,
        visits_if_mean_holds=visits,
        chance_settled_after=chances_at_edge(belief, outlook, edge),
        reason=why_not_now(readings, visits, alone=alone),
        prior=known.prior,
        visits_used=len(outlook.visits),
        bias_not_included=known.bias,
        assumptions=known.assumptions,
    )


def rank_of(rows: list[Row], entry: Category) -> int:
    """The place of the row that the label is of."""
    return next(rank for rank, row in enumerate(rows) if entry.category in (row.category, row.unconfirmed_category))


def edges_of(rows: list[Row]) -> list[Limits]:
    """For each row but the lowest, the limits at or above which one is in it or higher: a row that leaves a pressure out takes
    the next row's limit for it. 120 and 130/80 give (120, 80) and (130, 80)."""
    systolic = diastolic = inf
    edges = []
    for row in reversed(rows[1:]):
        systolic = row.systolic_mmhg if row.systolic_mmhg is not None else systolic
        diastolic = row.diastolic_mmhg if row.diastolic_mmhg is not None else diastolic
        edges.append((systolic, diastolic))
    return edges[::-1]


def chances_of_rows(belief: Belief, edges: list[Limits]) -> list[float]:
    """For each row, the chance that the usual pressure is in it or higher; of the lowest, certainty."""
    return [1.0, *[chance_reached(belief, edge) for edge in edges]]


def of_row(reached: list[float], rank: int) -> float:
    """The chance of one row: the difference of two nested ones."""
    return reached[rank] - (reached[rank + 1] if rank + 1 < len(reached) else 0.0)


def row_in_doubt(reached: list[float], rank: int) -> int:
    """The row whose edge leaves the label most in doubt: the label's own, which may not be reached, or the next, which may."""
    if rank == 0:
        return 1
    if rank + 1 == len(reached):
        return rank
    return rank if 1 - reached[rank] >= reached[rank + 1] else rank + 1


def what_settles(outlook: Outlook, label: Label, *, alone: bool) -> tuple[int | None, int | None]:
    """The fewest further readings now, and the fewest further visits, that settle the label; None where none do.

    One sitting in irregular rhythm never settles it, however many readings it has.
    """
    settling = outlook.rules.settling
    enough = settling.settled_from
    visits = fewest(settling.most_visits, outlook.after_visits, label, enough)
    if visits is None or alone or outlook.at.setting != "office":
        return None, visits
    return fewest(settling.most_readings, outlook.after_readings, label, enough), visits


def why_not_now(
    readings: int | None, visits: int | None, *, alone: bool
) -> Literal["visit-variation-dominates", "too-close-to-call", "one-irregular-sitting"] | None:
    """Why no number of readings in this sitting would settle the label; None where some would."""
    if readings is not None:
        return None
    if visits is None:
        return "too-close-to-call"
    return "one-irregular-sitting" if alone else "visit-variation-dominates"


def chances_at_edge(belief: Belief, outlook: Outlook, edge: Limits) -> list[SettledAfter]:
    """The chances that further visits settle the side of an edge, for the pressure that is higher against its own limit."""
    systolic = (belief.systolic - edge[0]) / belief.systolic_sd
    diastolic = (belief.diastolic - edge[1]) / belief.diastolic_sd
    settling, varies = outlook.rules.settling, outlook.varies
    if systolic >= diastolic:
        return chances_to_settle(systolic * belief.systolic_sd, belief.systolic_sd, varies[0] * outlook.further[0], settling)
    return chances_to_settle(diastolic * belief.diastolic_sd, belief.diastolic_sd, varies[1] * outlook.further[2], settling)


def prior_decides(rows: list[RowChance]) -> bool:
    """Whether a row is more likely than not reached with the prior, and not without it, or the other way round."""
    return any((row.at_or_above - 0.5) * (row.at_or_above_flat - 0.5) < 0 for row in rows)


def state(sitting: Sitting, edge: Limits, chance: float, flat: float, prior: str) -> str:
    """The chance at the edge in doubt, in words: of the usual pressure in this arm, measured this way."""
    words = sitting.rulebook.wording.certainty["alone" if prior == "none" else "with-prior"]
    limits = f"{edge[0]:g}/{edge[1]:g}" if inf not in edge else f"{min(edge):g}"
    return words.format(setting=sitting.reading_set.setting, edge=limits, chance=chance, flat=flat)
