"""The two arms of each set: pairs, the higher one, the arm whose readings give the result."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietcuff.analytics.columns.attempts import AttemptColumns
from quietcuff.analytics.columns.block import SetBlock
from quietcuff.analytics.columns.codes import (
    EARLIER_SITTINGS,
    LEFT,
    NOTHING,
    ONLY_ARM,
    RIGHT,
    THIS_SITTING,
    Array,
    any_of,
)
from quietcuff.analytics.columns.earlier import EarlierPairs
from quietcuff.analytics.columns.made import BatchRules
from quietcuff.analytics.columns.people import InForceColumns, PersonColumns


@dataclass(frozen=True, slots=True)
class PairCounts:
    """The pairs of each set: neighbours in time in different arms, each reading used once; right minus left in hundredths."""

    count: Array
    first_systolic: Array
    first_diastolic: Array
    first_site: Array
    systolic_sum: Array
    diastolic_sum: Array
    systolic_right: Array
    systolic_left: Array
    diastolic_right: Array
    diastolic_left: Array
    repeat_right: Array
    repeat_left: Array
    assess_right: Array
    assess_left: Array
    points_right: Array
    points_left: Array


@dataclass(frozen=True, slots=True)
class ArmColumns:
    """What is known of the arms; sites, -1 for none, and the ground on which the result's was chosen."""

    pairs: PairCounts
    higher: Array
    record: Array
    earlier: Array
    result_site: Array
    basis: Array
    other_due: Array
    first_site: Array
    last_arm: Array


def compare_arms(
    block: SetBlock,
    attempts: AttemptColumns,
    people: PersonColumns,
    rules: InForceColumns,
    known: EarlierPairs,
    made: BatchRules,
) -> ArmColumns:
    """Compare the arms and choose the one that gives the result."""
    pairs, first_site, last_arm, first_arm = find_pairs(block, attempts, made)
    higher = np.where(pairs.count > 0, sided(by(pairs.first_systolic, pairs.first_diastolic), pairs.first_site), NOTHING)
    needed = made.limits.record_pairs
    limit = 100 * made.limits.arm_difference_mmhg
    before = arm_of_record(known, None, needed, limit)
    record = arm_of_record(known, pairs, needed, limit)
    newest = np.where(known.count > 0, sided(by(known.newest_systolic, known.newest_diastolic), NOTHING), NOTHING)
    earlier = np.where(before != NOTHING, before, newest)
    earlier = np.where((earlier != NOTHING) & may_use(people, earlier), earlier, NOTHING)
    preferred = made.protocols.preferred_arm[rules.protocol]
    goes_by_preferred = (preferred != NOTHING) & (pairs.count > 0) & (np.abs(pairs.first_systolic) < limit)
    result_site, basis = choose_result_site(
        block, attempts, rules, np.where(goes_by_preferred, preferred, higher), earlier, first_site
    )
    other = np.where(first_arm >= 0, 1 - first_arm, NOTHING)
    due = rules.compares & (higher == NOTHING) & (other != NOTHING) & may_use(people, other)
    return ArmColumns(
        pairs=pairs,
        higher=higher,
        record=record,
        earlier=earlier,
        result_site=result_site,
        basis=basis,
        other_due=np.where(due, other, NOTHING),
        first_site=first_site,
        last_arm=last_arm,
    )


def may_use(people: PersonColumns, arm: Array) -> Array:
    """Whether a cuff may go on an upper arm; also where none is named."""
    return ((arm != LEFT) | people.may_use[LEFT]) & ((arm != RIGHT) | people.may_use[RIGHT])


def by(systolic: Array, diastolic: Array) -> Array:
    """The systolic difference, the diastolic one where that is nothing."""
    return np.where(systolic != 0, systolic, diastolic)


def sided(difference: Array, otherwise: Array | int) -> Array:
    """Right minus left: positive means right."""
    return np.where(difference > 0, RIGHT, np.where(difference < 0, LEFT, otherwise))


def find_pairs(block: SetBlock, attempts: AttemptColumns, made: BatchRules) -> tuple[PairCounts, Array, Array, Array]:
    """The pairs of each set; the site of its first valid reading, its last upper arm and its first."""
    measured, limits = block.measured, made.limits
    counters = {name: np.zeros(block.size, dtype=np.int32) for name in PairCounts.__slots__}
    counters["first_site"] -= 1
    first_site, last_arm, first_arm = (np.full(block.size, NOTHING, dtype=np.int8) for _ in range(3))
    waiting = np.full(block.size, NOTHING, dtype=np.int8)
    systolic, diastolic = np.zeros(block.size, dtype=np.int32), np.zeros(block.size, dtype=np.int32)
    steps = [100 * mmhg for mmhg in (limits.arm_difference_mmhg, limits.arm_repeat_above_mmhg, limits.arm_assess_above_mmhg)]
    for place in range(block.most):
        valid, site = attempts.valid[place], measured.site[place]
        first_site = np.where(valid & (first_site == NOTHING), site, first_site)
        on_arm = valid & (site <= RIGHT)
        first_arm = np.where(on_arm & (first_arm == NOTHING), site, first_arm)
        last_arm = np.where(on_arm, site, last_arm)
        paired = on_arm & (waiting != NOTHING) & (waiting != site)
        if paired.any():
            sign = np.where(site == RIGHT, 1, -1)
            differences = sign * (measured.systolic[place] - systolic), sign * (measured.diastolic[place] - diastolic)
            add_pair(counters, paired, differences, waiting, steps)
        waits = on_arm & ~paired
        systolic = np.where(waits, measured.systolic[place], systolic)
        diastolic = np.where(waits, measured.diastolic[place], diastolic)
        waiting = np.where(paired, NOTHING, np.where(waits, site, waiting))
    return PairCounts(**counters), first_site, last_arm, first_arm


def add_pair(
    counters: dict[str, Array], paired: Array, differences: tuple[Array, Array], first: Array, steps: list[float]
) -> None:
    """Count one more pair, of the sets where there is one."""
    systolic, diastolic = (np.where(paired, difference, 0) for difference in differences)
    is_first = paired & (counters["count"] == 0)
    for name, value in (("first_systolic", systolic), ("first_diastolic", diastolic), ("first_site", first)):
        counters[name][is_first] = value[is_first]
    counters["count"] += paired
    counters["systolic_sum"] += systolic
    counters["diastolic_sum"] += diastolic
    differs, repeats, assesses = steps
    for name, difference in (("systolic", systolic), ("diastolic", diastolic)):
        counters[f"{name}_right"] += paired & (difference >= differs)
        counters[f"{name}_left"] += paired & (-difference >= differs)
    for name, limit in (("repeat", repeats), ("assess", assesses)):
        counters[f"{name}_right"] += systolic > limit
        counters[f"{name}_left"] += -systolic > limit
    counters["points_right"] += systolic > 0
    counters["points_left"] += systolic < 0


def arm_of_record(known: EarlierPairs, own: PairCounts | None, needed: int, limit: float) -> Array:
    """The arm that stays the one to use: enough pairs that differ enough the same way, and the mean of all."""
    totals = {
        name: getattr(known, name) + (0 if own is None else getattr(own, name))
        for name in ("count", "systolic_sum", "diastolic_sum", *SIDES_COUNTED)
    }
    count, systolic_sum = totals["count"], totals["systolic_sum"]
    systolic = settled_side(totals, "systolic", needed, limit)
    diastolic = settled_side(totals, "diastolic", needed, limit)
    by_systolic = (systolic != 0) | (np.abs(systolic_sum) >= limit * count)
    side = np.where(by_systolic, systolic, np.where(diastolic * systolic_sum < 0, 0, diastolic))
    return np.where(count < needed, NOTHING, sided(side, NOTHING))


SIDES_COUNTED = ("systolic_right", "systolic_left", "diastolic_right", "diastolic_left")


def settled_side(totals: dict[str, Array], pressure: str, needed: int, limit: float) -> Array:
    """1 for right, -1 for left, 0 where it is not settled."""
    mean_reaches, sums = limit * totals["count"], totals[f"{pressure}_sum"]
    right = (totals[f"{pressure}_right"] >= needed) & (sums >= mean_reaches)
    left = (totals[f"{pressure}_left"] >= needed) & (-sums >= mean_reaches)
    return np.where(right, 1, np.where(left, -1, 0))


def choose_result_site(
    block: SetBlock, attempts: AttemptColumns, rules: InForceColumns, higher: Array, earlier: Array, first_site: Array
) -> tuple[Array, Array]:
    """Where the result comes from, and on what ground."""
    measured = block.measured
    some = first_site != NOTHING
    no_arms = some & (first_site > RIGHT)
    by_higher = higher != NOTHING
    by_earlier = ~rules.compares & (earlier != NOTHING) & ~no_arms
    there = any_of(attempts.valid & (measured.site == earlier))
    earlier_site = np.where(there | ~block.facts.closed | ~some, earlier, first_site)
    own_basis = np.where(some & ~no_arms, ONLY_ARM, NOTHING)
    compared = rules.compares & by_higher
    site = np.where(compared, higher, np.where(by_earlier, earlier_site, np.where(by_higher, higher, first_site)))
    basis = np.where(
        compared, THIS_SITTING, np.where(by_earlier, EARLIER_SITTINGS, np.where(by_higher, THIS_SITTING, own_basis))
    )
    return site, basis


def repeat_due(rules: InForceColumns, comparison: ArmColumns, people: PersonColumns, made: BatchRules) -> Array:
    """The arm to measure once more where the first pair differs by more than the protocol's limit."""
    limit = made.protocols.repeat_above[rules.protocol]
    asks = (comparison.pairs.count == 1) & (np.abs(comparison.pairs.first_systolic) > limit)
    other = np.where(comparison.last_arm >= 0, 1 - comparison.last_arm, NOTHING)
    return np.where(asks & (other != NOTHING) & may_use(people, other), other, NOTHING)
