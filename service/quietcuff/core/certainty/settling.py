"""What more would settle a label: the fewest further readings or visits, and how likely it is that further visits do."""

from __future__ import annotations

from collections.abc import Callable
from math import erfc, exp, inf, sqrt
from typing import Literal

import msgspec

from quietcuff.core.certainty.beliefs import ROOT_HALF, BeliefSpread, Limits
from quietcuff.core.certainty.mixture import Mixture, Weighing, chance_of_either, chances_of_either
from quietcuff.core.certainty.usual_pressure import Outlook, View
from quietcuff.core.model.evaluation import SettledAfter
from quietcuff.core.model.fields import four_decimals_half_up
from quietcuff.core.rulebook.remembered import remembered_alone
from quietcuff.core.rulebook.rulebook import Row
from quietcuff.core.rulebook.variability import Settling

ONE_SIDED_90 = 1.2815515655446004
HALF_PUBLISHED = 0.5e-4
# More than a joint chance can be off: it is an integral by few points, and leaves out parts of no weight.
SLACK = 1e-5
# A chance that is less than enough by more than this is published as less.
TOO_LITTLE = HALF_PUBLISHED + SLACK


class LabelEdges(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The edges of a label: its row's own limits, None for the lowest row, and those of the next row, None for the highest."""

    own: Limits | None
    following: Limits | None


def chance_of_label(mixture: Mixture, sides: LabelEdges) -> float:
    """The chance that the usual pressure is in the label's row: at or above its own limits and not those of the next row."""
    own, following = sides.own, sides.following
    if own is None:
        return 1.0 if following is None else 1.0 - chance_of_either(mixture, following)
    if following is None:
        return chance_of_either(mixture, own)
    reached, beyond = chances_of_either(mixture, [own, following])
    return reached - beyond


def is_likely(mixture: Mixture, sides: LabelEdges, enough: float) -> bool:
    """True where the label has that chance, compared as it is published: what suffices there is never called not settled."""
    return four_decimals_half_up(chance_of_label(mixture, sides)) >= enough


def settles(view: View, sides: LabelEdges, enough: float) -> bool:
    """True where a label has that chance both by the measurements alone and with the prior."""
    weighing, systolic, diastolic = view.weighing, view.systolic, view.diastolic
    least, most = bounds_of_label(systolic, diastolic, weighing.alone, sides)
    # What is enough before rounding is enough after it, and by more than a joint chance can be off from SLACK on.
    if most < enough - TOO_LITTLE or not (least >= enough or is_likely(((1.0, view.alone()),), sides, enough)):
        return False
    if not weighing.parts:
        return True
    least, most = bounds_with_prior(weighing, systolic, diastolic, sides)
    return most >= enough - TOO_LITTLE and (least >= enough or is_likely(view.with_prior(), sides, enough))


def bounds_of_label(systolic: float, diastolic: float, spread: BeliefSpread, sides: LabelEdges) -> Limits:
    """The least and the most that the chance of a label can be, from the chance of each pressure to be at an edge or above.

    With p and q these chances, p the larger, that of either pressure is at least p, and at most p + q; where the two rise
    together it is at most p + q - pq, by Slepian's inequality: two normal values of a positive correlation are both low at
    least as often as independent ones. What reaches the next row is taken away from what reaches the label's own.
    """
    own, following, across, down = sides.own, sides.following, spread.across, spread.down
    # Twice each chance, and twice the bounds.
    overlap = 0.5 if spread.correlation >= 0 else 0.0
    least = most = 2.0
    if own is not None:
        edge, limit = own
        p, q = erfc((edge - systolic) * across), erfc((limit - diastolic) * down)
        least, most = p if p > q else q, p + q - overlap * p * q
    if following is not None:
        edge, limit = following
        p, q = erfc((edge - systolic) * across), erfc((limit - diastolic) * down)
        least, most = least - (p + q - overlap * p * q), (most if most < 2.0 else 2.0) - (p if p > q else q)
    return 0.5 * least, 0.5 * most


def bounds_with_prior(weighing: Weighing, systolic: float, diastolic: float, sides: LabelEdges) -> Limits:
    """The same with a prior, for measurements whose value is given: each part's bounds, weighed as ``weigh_in`` does."""
    total = least = most = 0.0
    for part in weighing.parts:
        first, both, second = part.density
        along, across = systolic - part.systolic, diastolic - part.diastolic
        share = part.weight * exp(along * (first * along + both * across) + second * across * across)
        first, beside, below, last = part.drawn
        low, high = bounds_of_label(
            systolic - first * along - beside * across, diastolic - below * along - last * across, part.spread, sides
        )
        total += share
        least += share * low
        most += share * high
    # Far from all parts their densities vanish, and these bounds say nothing.
    return (least / total, most / total) if total > 0 else (-1.0, 1.0)


def fewest(most: int, suffices: Callable[[int], bool]) -> int | None:
    """The fewest additions, at most ``most``, that settle the label; None where even the most do not settle it."""
    # The most first: where even they do not settle the label, the search ends after one step.
    if not suffices(most):
        return None
    low, high = 1, most
    while low < high:
        middle = (low + high) // 2
        if suffices(middle):
            high = middle
        else:
            low = middle + 1
    return low


def fewest_visits(outlook: Outlook, sides: LabelEdges) -> int | None:
    """The fewest further visits that settle the label; None where none do.

    As ``settles`` decides. Further visits do not move the mean of the measurements, so that a view is made for a joint chance
    only; and what they say alone, which is more the more there are, is found out first.
    """
    # Only the cautious views are tested; the others leave less open.
    now, known, view_after = outlook.now_with_care, outlook.scheme.after_visits, outlook.with_visits
    systolic, diastolic, enough = now.systolic, now.diastolic, outlook.rules.settling.settled_from
    too_little, most_visits = enough - TOO_LITTLE, outlook.rules.settling.most_visits

    def settles_alone(visits: int) -> bool:
        weighing = known.get(visits) or outlook.weighed_after(visits)
        least, most = bounds_of_label(systolic, diastolic, weighing.alone, sides)
        return most >= too_little and (least >= enough or is_likely(((1.0, view_after(visits).alone()),), sides, enough))

    def settles_with_prior(visits: int) -> bool:
        weighing = known.get(visits) or outlook.weighed_after(visits)
        least, most = bounds_with_prior(weighing, systolic, diastolic, sides)
        return most >= too_little and (least >= enough or is_likely(view_after(visits).with_prior(), sides, enough))

    if not settles_alone(most_visits):
        return None
    alone = 1
    while alone < most_visits and not settles_alone(alone):
        alone += 1
    if not now.weighing.parts:
        return alone
    # With a prior more visits may even settle less, where they weigh its parts otherwise: the same numbers are always tried.
    return fewest(most_visits, lambda visits: visits >= alone and settles_with_prior(visits))


def chances_to_settle(
    limit: float,
    parts: list[tuple[float, float, float]],
    known: list[tuple[float, float, float]],
    variance: float,
    rules: Settling,
) -> list[SettledAfter]:
    """For each planned number of further visits, the chance that they settle the side of one limit for one pressure.

    ``parts`` are share, mean and standard deviation of the present belief. The mean of further visits is spread around it with
    their ``variance``. The side is settled where every view in ``known`` is q·s_k beyond the limit; a view is a mean, a
    standard deviation and the variance of a visit. s_k² = 1/(1/s² + k/V), q = 1.2816. On the limit, one visit like the first
    settles one view with a chance of 0.2.
    """
    found = []
    views = [(mean, sd * sd, ONE_SIDED_90 * sd, each) for mean, sd, each in known]
    spreads = [(0.5 * share, middle, sd * sd) for share, middle, sd in parts]
    for count in rules.planned_visits:
        low, high = inf, -inf
        # A side is settled by means at or below ``low``, and at or above ``high``, of every view.
        for mean, own, reach, each in views:
            gain = own / (own + each / count)
            needed = reach * sqrt(1 - gain)
            own_low, own_high = mean + (limit - needed - mean) / gain, mean + (limit + needed - mean) / gain
            if own_low < low:
                low = own_low
            if own_high > high:
                high = own_high
        chance, apart = 0.0, variance / count
        for half, middle, own in spreads:
            over = ROOT_HALF / sqrt(own + apart)
            chance += half * (erfc((high - middle) * over) + erfc((middle - low) * over))
        found.append(SettledAfter(visits=count, chance=four_decimals_half_up(chance)))
    return found


def edges_of(rows: list[Row]) -> list[Limits]:
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


class LabelPlace(msgspec.Struct, frozen=True, gc=False):
    """A row that is a label: its table, its rank in it, the edges of the table, and those of the row."""

    rows: list[Row]
    rank: int
    edges: list[Limits]
    sides: LabelEdges


def read_places(rows: list[Row]) -> dict[str, LabelPlace]:
    """The rows of a table by their categories; the lower row where two share one."""
    edges, found = edges_of(rows), dict[str, LabelPlace]()
    for rank, row in enumerate(rows):
        sides = LabelEdges(own=edges[rank - 1] if rank else None, following=edges[rank] if rank < len(edges) else None)
        for category in (row.category, row.unconfirmed_category):
            if category is not None:
                found.setdefault(category, LabelPlace(rows, rank, edges, sides))
    return found


places_in_rows = remembered_alone(read_places)


def what_settles(outlook: Outlook, sides: LabelEdges, *, alone: bool) -> tuple[int | None, int | None]:
    """The fewest further readings now, and the fewest further visits, that settle the label; None where none do.

    One sitting in irregular rhythm never settles it, however many readings it has.
    """
    visits = fewest_visits(outlook, sides)
    # Outside the office the result is a whole series or recording, to which single readings are not added.
    if visits is None or alone or outlook.at.setting != "office":
        return None, visits
    settling = outlook.rules.settling
    enough = settling.settled_from
    return fewest(settling.most_readings, lambda count: settles(outlook.with_readings(count), sides, enough)), visits


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
    across, down = outlook.margins
    systolic = (across.mean - edge[0]) / across.sd >= (down.mean - edge[1]) / down.sd
    place, limit, margin = (0, edge[0], across) if systolic else (2, edge[1], down)
    found = outlook.settled_after.get((systolic, limit))
    if found is not None:
        return found
    varies, careful = outlook.varies[0 if systolic else 1], outlook.now_with_care
    spread = careful.weighing.alone
    span = (careful.systolic, spread.systolic_sd) if systolic else (careful.diastolic, spread.diastolic_sd)
    variance, with_care = varies * outlook.scheme.further[place], varies * outlook.scheme.further_with_care[place]
    known = [(margin.mean, margin.sd, variance), (*span, with_care)]
    found = chances_to_settle(limit, margin.parts, known, variance, outlook.rules.settling)
    outlook.settled_after[systolic, limit] = found
    return found
