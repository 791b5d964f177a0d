"""What would settle a label: more readings now, further visits, and how likely that is."""

from __future__ import annotations

from collections.abc import Callable
from math import sqrt

import msgspec

from quietcuff.core.belief import (
    Belief,
    Evidence,
    Limits,
    believe,
    chance_reached,
    chances_of_each,
    evidence_of_visits,
    published,
)
from quietcuff.core.bivariate import normal
from quietcuff.core.covariance import Matrix, added
from quietcuff.core.outcome import SettledAfter
from quietcuff.core.variability import Settling, Variability
from quietcuff.core.visits import Circumstances, Measurement, Visit, between_visits, visit_of, within_sitting

ONE_SIDED_90 = 1.2815515655446004
HALF_PUBLISHED = 0.5e-4


class Sides(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The edges of a label: its row's own limits, None for the lowest row, and those of the next row, None for the highest."""

    own: Limits | None
    following: Limits | None


class Outlook(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What is believed now, and what would be believed after more of the same. ``today`` are the newest day's sittings, the one
    that more readings would join last; ``further`` is the covariance of a visit to come, ``one_more`` what it would say if the
    mean held; ``seen`` keeps what was already worked out."""

    prior: Evidence
    so_far: Evidence
    visits: list[Visit]
    today: list[Measurement]
    at: Circumstances
    rules: Variability
    varies: Limits
    flat: Belief
    further: Matrix
    one_more: Evidence
    seen: dict[tuple[str, int], Belief]

    def after_visits(self, count: int) -> Belief:
        """The belief after so many further visits of the same mean as those so far."""
        return self.remembered("visits", count, self.visits_added)

    def after_readings(self, count: int) -> Belief:
        """The belief after so many more readings in this sitting, its mean unchanged."""
        return self.remembered("readings", count, self.readings_added)

    def remembered(self, kind: str, count: int, work_out: Callable[[int], Belief]) -> Belief:
        """What was worked out before, else now."""
        found = self.seen.get((kind, count))
        if found is None:
            found = self.seen[kind, count] = work_out(count)
        return found

    def visits_added(self, count: int) -> Belief:
        return believe(self.so_far + self.one_more.times(count), self.varies)

    def readings_added(self, count: int) -> Belief:
        *others, last = self.today
        within = within_sitting(last.readings + count, self.at, self.rules, irregular=self.at.irregular)
        longer = msgspec.structs.replace(last, within=added(last.spare, within))
        visits = [*self.visits[:-1], visit_of([*others, longer], self.at, self.rules)]
        return believe(self.prior + evidence_of_visits(visits), self.varies)


def further_visit(flat: Belief, at: Circumstances, rules: Variability) -> Matrix:
    """The covariance of one further visit as it is planned: with two readings, or a whole series."""
    between = between_visits(at, flat.systolic, flat.diastolic, rules.series.full_days, rules)
    return added(between, within_sitting(rules.settling.planned_readings, at, rules, irregular=at.irregular))


def chance_of_label(belief: Belief, sides: Sides) -> float:
    """The chance that the usual pressure is in the label's row: at or above its own limits and not those of the next row."""
    reached = 1.0 if sides.own is None else chance_reached(belief, sides.own)
    return reached if sides.following is None else reached - chance_reached(belief, sides.following)


def is_settled(belief: Belief, sides: Sides, enough: float) -> bool:
    """Whether the label has the chance that settles it; where one pressure alone rules that out, both are not worked out."""
    if sides.following is not None and max(chances_of_each(belief, sides.following)) > 1 - enough + HALF_PUBLISHED:
        return False
    if sides.own is not None and sum(chances_of_each(belief, sides.own)) < enough - HALF_PUBLISHED:
        return False
    return published(chance_of_label(belief, sides)) >= enough


def fewest(most: int, belief_after: Callable[[int], Belief], sides: Sides, enough: float) -> int | None:
    """The fewest additions, at most ``most``, after which the label is settled; None where even the most do not settle it."""
    if not is_settled(belief_after(most), sides, enough):
        return None
    low, high = 1, most
    while low < high:
        middle = (low + high) // 2
        if is_settled(belief_after(middle), sides, enough):
            high = middle
        else:
            low = middle + 1
    return low


def chances_to_settle(distance: float, sd: float, visit_variance: float, rules: Settling) -> list[SettledAfter]:
    """For each planned number of further visits k, the chance that they settle the side of one limit for one pressure.

    Φ((d - q)/w) + Φ((-d - q)/w) with q = 1.2816·s_k, s_k² = 1/(1/s² + k/V), w² = s² - s_k²; on the limit, one visit like the
    first settles it with a chance of 0.2.
    """
    found = []
    for count in rules.planned_visits:
        remaining = 1 / (1 / sd**2 + count / visit_variance)
        needed, spread = ONE_SIDED_90 * sqrt(remaining), sqrt(sd**2 - remaining)
        chance = normal((distance - needed) / spread) + normal((-distance - needed) / spread)
        found.append(SettledAfter(visits=count, chance=published(chance)))
    return found
