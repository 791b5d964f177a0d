"""Certainty of one guideline's label: the chances of its rows, the edge in doubt, and what would settle it."""

from __future__ import annotations

from math import floor, inf
from typing import Literal

import msgspec

from quietcuff.core.certainty.beliefs import Limits
from quietcuff.core.certainty.mixture import chance_of_each, parts_of
from quietcuff.core.certainty.usual_pressure import Known, LabelEdges, Outlook, chances_to_settle, fewest, holds, is_settled
from quietcuff.core.model.evaluation import Certainty, Decisive, RowChance, SettledAfter
from quietcuff.core.model.fields import Setting, four_decimals_half_up
from quietcuff.core.rulebook.remembered import remembered
from quietcuff.core.rulebook.rulebook import Row, Rulebook


class Labelled(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One guideline's label: its table for what was measured, and the rank of the label's row in it."""

    guideline: str
    rows: list[Row]
    rank: int


def certainty_of(label: Labelled, known: Known, bias: list[str], book: Rulebook) -> Certainty:
    """Certainty of one guideline's label."""
    outlook, rank = known.outlook, label.rank
    weighed = outlook.weighed
    edges = edges_of(label.rows)
    reached, flat = [1.0], [1.0]
    for limits in edges:
        chance, alone = outlook.reached(limits)
        reached.append(chance)
        flat.append(alone)
    doubtful = row_in_doubt(reached, rank)
    edge = edges[doubtful - 1]
    systolic, diastolic = chance_of_each(weighed, edge)
    # Nobody has measured how far one sitting in irregular rhythm may be off, so more readings in it settle nothing.
    only_irregular = outlook.at.irregular and len(outlook.visits) == 1
    sides = LabelEdges(own=edges[rank - 1] if rank else None, following=edges[rank] if rank < len(edges) else None)
    settled = not only_irregular and is_settled(outlook, sides, outlook.rules.settling.settled_from)
    readings, visits = (0, 0) if settled else what_settles(outlook, sides, alone=only_irregular)
    return Certainty(
        guideline=label.guideline,
        statement=state(book, known, edge, reached[doubtful], flat[doubtful]),
        rows=row_chances(label.rows, reached, flat),
        label_probability=four_decimals_half_up(of_row(reached, rank)),
        label_probability_flat=four_decimals_half_up(of_row(flat, rank)),
        decisive=Decisive(
            category=label.rows[doubtful].category,
            systolic=four_decimals_half_up(systolic),
            diastolic=four_decimals_half_up(diastolic),
        ),
        interval_95=known.interval_95,
        with_device_95=known.with_device_95,
        settled=settled,
        more_readings_now=readings,
        visits_if_mean_holds=visits,
        chance_settled_after=chances_at_edge(outlook, edge),
        reason=why_not_now(readings, visits, alone=only_irregular),
        prior=known.prior,
        visits_used=len(outlook.visits),
        bias_not_included=bias,
        assumptions=known.assumptions,
    )


def row_chances(rows: list[Row], reached: list[float], flat: list[float]) -> list[RowChance]:
    """The chance of each row or higher, with the prior and without."""
    return [
        RowChance(
            category=row.category,
            at_or_above=four_decimals_half_up(chance),
            at_or_above_flat=four_decimals_half_up(alone),
        )
        for row, chance, alone in zip(rows, reached, flat, strict=True)
    ]


def edges_of(rows: list[Row]) -> list[Limits]:
    """Lower limits of every row but the lowest, as ``read_edges`` says."""
    return edges_of_rows(rows)


def read_edges(rows: list[Row]) -> list[Limits]:
    """Lower limits of every row but the lowest: a pressure at or above either limit is in that row or higher.

    A row without a limit for one pressure takes the next row's: 120 and 130/80 give (120, 80) and (130, 80).
    """
    systolic = diastolic = inf
    edges = []
    # From the top down, since a missing limit is the one of the row above.
    for row in reversed(rows[1:]):
        systolic = row.systolic_mmhg if row.systolic_mmhg is not None else systolic
        diastolic = row.diastolic_mmhg if row.diastolic_mmhg is not None else diastolic
        edges.append((systolic, diastolic))
    return edges[::-1]


edges_of_rows = remembered(read_edges)


def of_row(reached: list[float], rank: int) -> float:
    """Chance of one row: the difference of the chances of two nested ranges."""
    return reached[rank] - (reached[rank + 1] if rank + 1 < len(reached) else 0.0)


def row_in_doubt(reached: list[float], rank: int) -> int:
    """The row whose edge leaves the label most in doubt: the label's own, which may not be reached, or the next, which may."""
    if rank == 0:
        return 1
    if rank + 1 == len(reached):
        return rank
    return rank if 1 - reached[rank] >= reached[rank + 1] else rank + 1


def what_settles(outlook: Outlook, sides: LabelEdges, *, alone: bool) -> tuple[int | None, int | None]:
    """The fewest further readings now, and the fewest further visits, that settle the label; None where none do.

    One sitting in irregular rhythm never settles it, however many readings it has.
    """
    settling = outlook.rules.settling
    enough = settling.settled_from
    # Only the cautious views are tested; the others leave less open.
    visits = fewest(settling.most_visits, lambda count: holds(outlook, outlook.with_visits(count), sides, enough))
    # Outside the office the result is a whole series or recording, to which single readings are not added.
    if visits is None or alone or outlook.at.setting != "office":
        return None, visits
    return fewest(settling.most_readings, lambda count: holds(outlook, outlook.with_readings(count), sides, enough)), visits


def why_not_now(
    readings: int | None, visits: int | None, *, alone: bool
) -> Literal["visit-variation-dominates", "too-close-to-call", "one-irregular-sitting"] | None:
    """Reason why no number of readings in this sitting would settle the label; None where some would."""
    if readings is not None:
        return None
    if visits is None:
        return "too-close-to-call"
    return "one-irregular-sitting" if alone else "visit-variation-dominates"


def chances_at_edge(outlook: Outlook, edge: Limits) -> list[SettledAfter]:
    """The chances that further visits settle the side of an edge, for the pressure that is higher against its own limit."""
    (across, across_sd), (down, down_sd) = outlook.spans
    systolic = (across - edge[0]) / across_sd >= (down - edge[1]) / down_sd
    place, limit = (0, edge[0]) if systolic else (2, edge[1])
    varies = outlook.varies[0 if systolic else 1]
    variance = varies * outlook.further[place]
    known = [
        ((across, across_sd) if systolic else (down, down_sd)) + (variance,),
        (*outlook.careful_spans[0 if systolic else 1], varies * outlook.further_with_care[place]),
    ]
    parts = parts_of(outlook.weighed, systolic=systolic)
    return chances_to_settle(limit, parts, known, variance, outlook.rules.settling)


def prior_decides(rows: list[RowChance]) -> bool:
    """True where a row is more likely than not reached with the prior, and not without it, or the other way round."""
    return any((row.at_or_above - 0.5) * (row.at_or_above_flat - 0.5) < 0 for row in rows)


def state(book: Rulebook, known: Known, edge: Limits, chance: float, flat: float) -> str:
    """Sentence for the chance at the edge in doubt: of the usual pressure in this arm, measured this way."""
    told = frame_of(book, known.outlook.at.setting, edge, known.prior, known.prior_age_years, known.without_because)
    if known.prior == "none":
        return told.format(flat=in_words(flat, book))
    return told.format(flat=in_words(flat, book), chance=in_words(chance, book))


def read_frame(book: Rulebook, setting: Setting, edge: Limits, prior: str, age_years: int | None, because: str) -> str:
    """The sentence with places for its chances."""
    words = book.wording.certainty
    place, at_edge = words[setting], tell_edge(book, edge)
    if prior == "none":
        return words["alone"].format(setting=place, edge=at_edge, flat="{flat}", because=words[f"no-prior-{because}"])
    people = tell_prior(book, prior, age_years)
    return words["with-prior"].format(setting=place, edge=at_edge, flat="{flat}", chance="{chance}", prior=people)


frame_of = remembered(read_frame)


def tell_edge(book: Rulebook, edge: Limits) -> str:
    """An edge as a person reads it: either pressure is at or above 140/90."""
    words = book.wording.certainty
    if inf not in edge:
        return words["either"].format(edge=f"{edge[0]:g}/{edge[1]:g}")
    return words["diastolic" if edge[0] == inf else "systolic"].format(edge=f"{min(edge):g}")


def tell_prior(book: Rulebook, name: str, age_years: int | None) -> str:
    """Name of the people whose pressures the prior describes: US survey 2017–18, at 31 years."""
    words = book.wording.certainty
    if name == "tenant":
        return words["prior-tenant"]
    return words["prior-survey"].format(name=book.variability.priors[name].name, age=age_years)


def tell_per_cent(book: Rulebook, per_cent: int) -> str:
    """A chance in whole per cent."""
    return book.wording.certainty["per-cent"].format(per_cent=per_cent)


per_cent_in_words = remembered(tell_per_cent)


def in_words(chance: float, book: Rulebook) -> str:
    """A chance in per cent, never 0 or 100: 0.9951 is more than 99 %."""
    if chance > 0.99:
        return book.wording.certainty["nearly-always"]
    if chance < 0.01:
        return book.wording.certainty["hardly-ever"]
    return per_cent_in_words(book, floor(100 * chance + 0.5))
