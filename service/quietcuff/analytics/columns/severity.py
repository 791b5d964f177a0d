"""Severe readings of each set: from which pressure, in which arm, and what became of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietcuff.analytics.columns.attempts import AttemptColumns
from quietcuff.analytics.columns.block import SetBlock
from quietcuff.analytics.columns.codes import LEFT, NO, NO_SITE, NOTHING, RIGHT, Array, any_of, at_or_above
from quietcuff.analytics.columns.made import BatchRules
from quietcuff.analytics.columns.people import InForceColumns, PersonColumns
from quietcuff.core.rulebook.rulebook import Edge

ANY_SITE = 2


@dataclass(frozen=True, slots=True)
class SevereColumns:
    """Severe readings, and of each set: their limits (hundredths), whether one arm confirms them, whether one does so after the
    persistent time, and whether one still waits."""

    systolic: Array
    diastolic: Array
    severe: Array
    any: Array
    confirmed: Array
    persistent: Array
    waiting: Array


def see_severe(
    block: SetBlock, attempts: AttemptColumns, people: PersonColumns, rules: InForceColumns, made: BatchRules
) -> SevereColumns:
    """Every severe reading, whatever else is wrong with it."""
    limits, table = made.limits, made.guidelines
    edges = np.where(rules.applicable[..., None], table.severe_edge[rules.guidelines], at_or_above(float("inf"))).min(axis=0)
    own, expecting = as_hundredths(limits.severe), as_hundredths(limits.severe_expecting)
    systolic, diastolic = (
        np.minimum(edges[:, side], np.where(people.expecting, min(own[side], expecting[side]), own[side])) for side in (0, 1)
    )
    severe = is_severe(block, attempts, systolic, diastolic)
    found = any_of(severe)
    confirmed, persistent, waiting = (np.zeros(block.size, dtype=np.bool_) for _ in range(3))
    some = np.flatnonzero(found)
    if len(some):
        told = watch_arms(block, attempts, people, rules, made, severe, some)
        confirmed[some], persistent[some], waiting[some] = told
    return SevereColumns(
        systolic=systolic,
        diastolic=diastolic,
        severe=severe,
        any=found,
        confirmed=confirmed,
        persistent=persistent,
        waiting=waiting,
    )


def as_hundredths(edge: Edge) -> tuple[int, int]:
    """The lowest pressures that reach an edge."""
    return at_or_above(edge.systolic_mmhg), at_or_above(edge.diastolic_mmhg)


def is_severe(block: SetBlock, attempts: AttemptColumns, systolic: Array | int, diastolic: Array | int) -> Array:
    """Whether each attempt reaches a limit, valid or not, but not where its pressures are swapped."""
    measured = block.measured
    reached = (measured.systolic >= systolic) | (measured.diastolic >= diastolic)
    return block.live & attempts.has_pressures & (measured.systolic > measured.diastolic) & reached


def watch_arms(
    block: SetBlock,
    attempts: AttemptColumns,
    people: PersonColumns,
    rules: InForceColumns,
    made: BatchRules,
    severe: Array,
    some: Array,
) -> tuple[Array, Array, Array]:
    """Of sets with severe readings: whether an arm confirms them, does so late, or waits to be measured again."""
    site, taken_at = block.measured.site[:, some], block.measured.taken_at[:, some]
    may_confirm = (
        attempts.sound & (attempts.validated != NO) & ((block.measured.site <= RIGHT) | (block.measured.site == NO_SITE))
    )
    may_confirm, too_soon = may_confirm[:, some], attempts.too_soon[:, some]
    interval = made.protocols.interval_us[rules.protocol[some]]
    arm = usable_site(site, people.may_use[:, some])
    nearest = 60_000_000 * made.limits.confirm_severe_apart_minutes
    persistent_after = 60_000_000 * made.limits.severe_persistent_minutes
    confirmed, persistent, waiting = (np.zeros(len(some), dtype=np.bool_) for _ in range(3))
    for group in (LEFT, RIGHT, ANY_SITE):
        here = severe[:, some] & (arm == group)
        met, held = (np.zeros(len(some), dtype=np.bool_) for _ in range(2))
        first_at, last_at = np.zeros(len(some), dtype=np.int64), np.zeros(len(some), dtype=np.int64)
        stood_down, late = np.zeros(len(some), dtype=np.int64), np.zeros(len(some), dtype=np.bool_)
        for place in range(len(site)):
            apart = taken_at[place] - last_at
            confirms = here[place] & met & may_confirm[place] & (apart <= nearest)
            held |= confirms
            late |= confirms & (taken_at[place] - first_at >= persistent_after)
            same = (site[place] == group) if group != ANY_SITE else np.True_
            calm = met & ~here[place] & may_confirm[place] & same & ~too_soon[place] & (apart >= interval)
            stood_down = np.where(here[place], 0, stood_down + calm)
            first_at = np.where(here[place] & ~met, taken_at[place], first_at)
            last_at = np.where(here[place], taken_at[place], last_at)
            met |= here[place]
        confirmed |= held
        persistent |= late
        waiting |= met & ~held & (stood_down < 2)
    return confirmed, persistent, waiting


def usable_site(site: Array, may_use: Array) -> Array:
    """The upper arm of each site's side, the other one where that must not be used, or any where neither may be."""
    side = SIDE_OF_LIMB[site]
    own = np.where(side == RIGHT, may_use[RIGHT], may_use[LEFT])
    other = np.where(side == RIGHT, may_use[LEFT], may_use[RIGHT])
    return np.where(side == NOTHING, ANY_SITE, np.where(own, side, np.where(other, 1 - side, ANY_SITE)))


# A thigh has a side too, though no cuff on it is forbidden with the arm's.
SIDE_OF_LIMB = np.array([LEFT, RIGHT, LEFT, RIGHT, LEFT, RIGHT, NOTHING], dtype=np.int8)
