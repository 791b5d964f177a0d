"""How sure one guideline's label is: the chances of its rows, the edge in doubt, and what would settle it."""

from __future__ import annotations

from math import inf
from typing import Literal

import msgspec

from quietcuff.core.belief import Belief, Limits, chance_reached, chances_of_each, published
from quietcuff.core.outcome import Certainty, Decisive, RowChance, SettledAfter
from quietcuff.core.readings import Setting
from quietcuff.core.rules import Row, Rulebook
from quietcuff.core.settling import Outlook, Sides, chances_to_settle, fewest
from quietcuff.core.usual import Known


class Labelled(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One guideline's label: its table for what was measured, and the rank of the label's row in it."""

    guideline: str
    rows: list[Row]
    rank: int


def certainty_of(label: Labelled, known: Known, bias: list[str], book: Rulebook) -> Certainty:
    """How sure one guideline's label is."""
    belief, outlook, rank = known.belief, known.outlook, label.rank
    edges = edges_of(label.rows)
    reached = chances_of_rows(belief, edges)
    flat = reached if belief is outlook.flat else chances_of_rows(outlook.flat, edges)
    doubtful = row_in_doubt(reached, rank)
    edge = edges[doubtful - 1]
    systolic, diastolic = chances_of_each(belief, edge)
    alone = outlook.at.irregular and len(outlook.visits) == 1
    chance = published(of_row(reached, rank))
    settled = chance >= outlook.rules.settling.settled_from and not alone
    sides = Sides(own=edges[rank - 1] if rank else None, following=edges[rank] if rank < len(edges) else None)
    readings, visits = (0, 0) if settled else what_settles(outlook, sides, alone=alone)
    return Certainty(
        guideline=label.guideline,
        statement=state(book, outlook.at.setting, edge, reached[doubtful], flat[doubtful], known.prior),
        rows=[
            RowChance(category=row.category, at_or_above=published(weighed), at_or_above_flat=published(by_itself))
            for row, weighed, by_itself in zip(label.rows, reached, flat, strict=True)
        ],
        label_probability=chance,
        label_probability_flat=published(of_row(flat, rank)),
        decisive=Decisive(category=label.rows[doubtful].category, systolic=published(systolic), diastolic=published(diastolic)),
        interval_95=known.interval_95,
        with_device_95=known.with_device_95,
        settled=settled,
        more_readings_now=readings,
        visits_if_mean_holds=visits,
        chance_settled_after=chances_at_edge(belief, outlook, edge),
        reason=why_not_now(readings, visits, alone=alone),
        prior=known.prior,
        visits_used=len(outlook.visits),
        bias_not_included=bias,
        assumptions=known.assumptions,
    )


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


def what_settles(outlook: Outlook, sides: Sides, *, alone: bool) -> tuple[int | None, int | None]:
    """The fewest further readings now, and the fewest further visits, that settle the label; None where none do.

    One sitting in irregular rhythm never settles it, however many readings it has.
    """
    settling = outlook.rules.settling
    enough = settling.settled_from
    visits = fewest(settling.most_visits, outlook.after_visits, sides, enough)
    if visits is None or alone or outlook.at.setting != "office":
        return None, visits
    return fewest(settling.most_readings, outlook.after_readings, sides, enough), visits


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


def state(book: Rulebook, setting: Setting, edge: Limits, chance: float, flat: float, prior: str) -> str:
    """The chance at the edge in doubt, in words: of the usual pressure in this arm, measured this way."""
    words = book.wording.certainty
    limits = f"{edge[0]:g}/{edge[1]:g}" if inf not in edge else f"{min(edge):g}"
    sentence = words["alone" if prior == "none" else "with-prior"]
    return sentence.format(setting=words[setting], edge=limits, chance=chance, flat=flat)
