"""The readings of one arm and method of each set, gone along once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietcuff.analytics.columns.attempts import AttemptColumns
from quietcuff.analytics.columns.block import SetBlock
from quietcuff.analytics.columns.codes import NEVER, NOTHING, Array
from quietcuff.analytics.columns.made import BatchRules


@dataclass(frozen=True, slots=True)
class ReadingChain:
    """The valid readings of one arm and method in order of time, as far as a rule looks at them: the places of the first, the
    last two and the latest stable pair, and which of them are far apart."""

    count: Array
    first: Array
    last_but_one: Array
    last: Array
    stable_one: Array
    stable_other: Array
    first_two_far: Array
    last_two_far: Array
    planned_far: Array
    stands_out: Array
    rises: Array


def follow(block: SetBlock, arm: Array, protocol: Array, attempts: AttemptColumns, made: BatchRules) -> ReadingChain:
    """Go along the readings of the arm once."""
    table, size = made.protocols, block.size
    far, near, planned = table.far[protocol], table.near[protocol], table.planned[protocol]
    count = np.zeros(size, dtype=np.int32)
    first, last_but_one, last, stable_one, stable_other = (np.full(size, NOTHING, dtype=np.int8) for _ in range(5))
    first_far, last_far, planned_far, rises = (np.zeros(size, dtype=np.bool_) for _ in range(4))
    before = np.zeros((2, size), dtype=np.int32)
    for place in range(block.most):
        here = arm[place]
        now = np.stack([block.measured.systolic[place], block.measured.diastolic[place]])
        apart = np.abs(now - before).max(axis=0)
        follows = here & (count > 0)
        is_far = follows & (apart > far)
        stable = follows & (apart < near)
        stable_one, stable_other = np.where(stable, last, stable_one), np.where(stable, place, stable_other)
        first_far |= is_far & (count == 1)
        rises |= follows & (count == 1) & ((before - now).max(axis=0) <= far)
        planned_far |= is_far & (count < planned)
        last_far = np.where(here, is_far, last_far)
        last_but_one, last = np.where(here, last, last_but_one), np.where(here, place, last)
        first = np.where(here & (first == NOTHING), place, first)
        before = np.where(here, now, before)
        count = count + here
    return ReadingChain(
        count=count,
        first=first,
        last_but_one=last_but_one,
        last=last,
        stable_one=stable_one,
        stable_other=stable_other,
        first_two_far=first_far,
        last_two_far=last_far,
        planned_far=planned_far,
        stands_out=first_stands_out(block, arm, first, count, protocol, attempts, made),
        rises=rises,
    )


def first_stands_out(
    block: SetBlock, arm: Array, first: Array, count: Array, protocol: Array, attempts: AttemptColumns, made: BatchRules
) -> Array:
    """Whether the first reading is high and much above the second, a third stands, and no later one comes back to it."""
    table = made.protocols
    limit = table.first_above[protocol]
    asked = (limit < NEVER) & (count >= 3)
    out = np.zeros(block.size, dtype=np.bool_)
    some = np.flatnonzero(asked)
    if not len(some):
        return out
    arm, limit, first = arm[:, some], limit[some], first[some]
    values = np.stack([block.measured.systolic[:, some], block.measured.diastolic[:, some]])
    opening = values[:, first, np.arange(len(some))]
    second = np.zeros_like(opening)
    seen = np.zeros(len(some), dtype=np.int8)
    comes_back = np.zeros(len(some), dtype=np.bool_)
    for place in range(block.most):
        here, now = arm[place], values[:, place]
        second = np.where(here & (seen == 1), now, second)
        later = here & (seen >= 2)
        comes_back |= later & ((now - second).max(axis=0) > limit) & ~((opening - now).max(axis=0) > limit)
        seen = seen + here
    method = attempts.method[first, some]
    high_enough = (opening[0] >= table.one_systolic[protocol[some]]) | (opening[1] >= table.one_diastolic[protocol[some]])
    out[some] = (
        ((opening - second).max(axis=0) > limit) & ~comes_back & table.first_methods[protocol[some], method] & high_enough
    )
    return out
