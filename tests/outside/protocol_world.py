"""An invented world of usual pressures, visits and readings, and the office protocols played in it over arrays.

Nothing here is taken from the service: protocols, variances and the way to a sitting's value are written anew from their
description, readings are drawn one after the other, and what is believed of a usual pressure is read off by counting draws.

Readings of one sitting follow each other in time with an autocorrelation, whichever arm they are of. What a protocol decides
depends on differences between readings alone, so every sitting is played around a level of zero and its value is what it adds
to that. How densely values lie around the usual pressure is then counted, and read backwards: which usual pressures may a value
have come from?
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.signal import fftconvolve

Draws = npt.NDArray[np.floating[Any]]
Mask = npt.NDArray[np.bool_]

READINGS = 7
FAR_MMHG = 10
STABLE_MMHG = 5
DROPPED_ADDS_MMHG = 2.4


@dataclass(frozen=True, kw_only=True)
class World:
    """Standard deviations are of systolic and diastolic; ``freedom`` makes the tails heavy (8 gives a kurtosis of 4.5)."""

    between: tuple[float, float] = (7.5, 4.2)
    between_correlation: float = 0.6
    within: tuple[float, float] = (4.1, 3.9)
    autocorrelation: tuple[float, float] = (0.28, 0.30)
    within_correlation: float = 0.12
    freedom: int | None = None


UNTREATED = World()
TREATED = World(between=(11, 6))


def standard(rng: np.random.Generator, count: int, freedom: int | None) -> Draws:
    """Draws of mean zero and variance one."""
    if freedom is None:
        return rng.standard_normal(count)
    return rng.standard_t(freedom, count) * np.sqrt((freedom - 2) / freedom)


def visit_levels(rng: np.random.Generator, world: World, count: int) -> Draws:
    """How far a visit's level is from the usual pressure: systolic and diastolic, by draw."""
    first, second = (standard(rng, count, world.freedom) for _ in range(2))
    correlation = world.between_correlation
    return np.stack(
        [
            world.between[0] * first,
            world.between[1] * (correlation * first + np.sqrt(1 - correlation**2) * second),
        ]
    )


def sitting_readings(rng: np.random.Generator, world: World, count: int, readings: int = READINGS) -> list[Draws]:
    """Readings in order of time around their visit's level, each of systolic and diastolic by draw."""
    (rho, kappa), both = world.autocorrelation, world.within_correlation
    fresh = np.sqrt(1 - rho**2), np.sqrt(1 - kappa**2)
    shared = both * (1 - rho * kappa) / (fresh[0] * fresh[1])
    first, second = (standard(rng, count, world.freedom) for _ in range(2))
    now = np.stack([first, both * first + np.sqrt(1 - both**2) * second])
    found = [now]
    for _ in range(readings - 1):
        first, second = (standard(rng, count, world.freedom) for _ in range(2))
        new = np.stack([fresh[0] * first, fresh[1] * (shared * first + np.sqrt(1 - shared**2) * second)])
        now = np.array([[rho], [kappa]]) * now + new
        found.append(now)
    scale = np.array(world.within)[:, None]
    return [scale * each for each in found]


def far(one: Draws, other: Draws, mmhg: float = FAR_MMHG) -> Mask:
    """More than so far apart in either pressure."""
    return (np.abs(one - other) > mmhg).any(axis=0)


def mean(*readings: Draws) -> Draws:
    return sum(readings[1:], readings[0]) / len(readings)


# Each protocol: readings in order of time in; out come the ways that it may go, each with the draws that went it and the value
# that they give around their visit's level.
Ways = dict[str, tuple[Mask, Draws]]


def first_visit(e: list[Draws], arms_differ: tuple[float, float] = (4.0, 2.0)) -> Ways:
    """A reading in each arm; the arm with the higher systolic goes on until it has three, then while its last two differ.

    The usual pressure meant is that of the arm chosen, the other arm's being ``arms_differ`` higher. The value leaves out the
    reading that chose the arm; where more were asked for, all others are taken.
    """
    arm = higher_arm(e, arms_differ)
    second, third, fourth, fifth = (each + arm for each in e[2:6])
    more, yet_more = far(second, third), far(third, fourth)
    return {
        "three": (~more, mean(second, third) - arm),
        "four": (more & ~yet_more, levelled(second, third, fourth) - arm),
        "five": (more & yet_more, levelled(second, third, fourth, fifth) - arm),
    }


def first_visit_closed_early(e: list[Draws], arms_differ: tuple[float, float] = (4.0, 2.0)) -> Ways:
    """Closed with two readings in the higher arm, of which one chose it."""
    arm = higher_arm(e, arms_differ)
    return {"two": (always(e), (e[2] + arm) - arm)}


def higher_arm(e: list[Draws], arms_differ: tuple[float, float]) -> Draws:
    """How much higher the arm chosen is by itself: the other one where its reading was the higher, else the first."""
    differ = np.array(arms_differ)[:, None]
    other_is_higher = (e[1] + differ)[0] > e[0][0]
    return np.where(other_is_higher, differ, 0.0)


def follow_up(e: list[Draws]) -> Ways:
    """Two readings, more while the last two differ; a first one much above the second is dropped, and 2.4 added, unless a later
    one rises from the second to within reach of it: then all are taken."""
    one, two, three, four, five = e[:5]
    differ, falls = far(one, two), (one - two > FAR_MMHG).any(axis=0)
    again, once_more = far(two, three), far(three, four)
    rises = differ & ~falls
    back = [(each - two > FAR_MMHG).any(axis=0) & ~(one - each > FAR_MMHG).any(axis=0) for each in (three, four, five)]
    in_four = falls & (back[0] | back[1])
    in_five = in_four | (falls & back[2])
    return {
        "two": (~differ, mean(one, two)),
        "dropped, three": (falls & ~again, mean(two, three) + DROPPED_ADDS_MMHG),
        "dropped, four": (falls & again & ~once_more & ~in_four, mean(two, three, four) + DROPPED_ADDS_MMHG * 2 / 3),
        "dropped, five": (falls & again & once_more & ~in_five, mean(two, three, four, five) + DROPPED_ADDS_MMHG / 2),
        "unsteady, four": (again & ~once_more & in_four, levelled(one, two, three, four)),
        "unsteady, five": (again & once_more & in_five, levelled(one, two, three, four, five)),
        "rising, three": (rises & ~again, levelled(one, two, three)),
        "rising, four": (rises & again & ~once_more, levelled(one, two, three, four)),
        "rising, five": (rises & again & once_more, levelled(one, two, three, four, five)),
    }


def lower_of_two(e: list[Draws]) -> Ways:
    """The lower of two is recorded; both that were compared are taken, and the third where they differ."""
    differ = far(e[0], e[1])
    return {"two": (~differ, mean(*e[:2])), "three": (differ, levelled(*e[:3]))}


def last_two_of_three(e: list[Draws]) -> Ways:
    """The last two of three; all that were compared where neighbours differed and more were taken."""
    one, two, three, four, five = e[:5]
    more, yet_more = far(one, two) | far(two, three), far(three, four)
    return {
        "three": (~more, mean(two, three)),
        "four": (more & ~yet_more, levelled(one, two, three, four)),
        "five": (more & yet_more, levelled(one, two, three, four, five)),
    }


def all_of_three(e: list[Draws]) -> Ways:
    """The mean of three, whatever they are."""
    return {"three": (always(e), mean(*e[:3]))}


def stable_pair(e: list[Draws]) -> Ways:
    """The first two neighbours less than 5 apart."""
    near = [~far(e[place], e[place + 1], STABLE_MMHG) for place in range(2)]
    return {
        "first and second": (near[0], mean(e[0], e[1])),
        "second and third": (near[1] & ~near[0], mean(e[1], e[2])),
    }


def levelled(*readings: Draws) -> Draws:
    """The mean in which a reading between others weighs less by the autocorrelation with its neighbours: what is left of the
    level when all that readings tell by their differences is taken off."""
    inner = 1 - np.array(UNTREATED.autocorrelation)[:, None]
    return (readings[0] + readings[-1] + inner * sum(readings[1:-1])) / (2 + inner * (len(readings) - 2))


def always(e: list[Draws]) -> Mask:
    return np.ones(e[0].shape[1], dtype=bool)


PROTOCOLS: dict[str, Callable[[list[Draws]], Ways]] = {
    "first-visit": first_visit,
    "first-visit-closed-early": first_visit_closed_early,
    "follow-up": follow_up,
    "lower-of-two": lower_of_two,
    "last-two-of-three": last_two_of_three,
    "all-of-three": all_of_three,
    "stable-pair": stable_pair,
}


def whole(ways: Ways) -> Draws:
    """The values of all draws, whichever way each went."""
    return np.select([mask for mask, _ in ways.values()], [value for _, value in ways.values()])


@dataclass(frozen=True)
class Prior:
    """A normal distribution of usual pressures."""

    mean: tuple[float, float]
    sd: tuple[float, float]
    correlation: float


# Stated normal distributions, as wide as people of three ages are.
PRIORS = {
    "18-39": Prior((114.4, 69.4), (9.6, 9.6), 0.69),
    "40-59": Prior((125.4, 76.8), (15.9, 9.9), 0.69),
    "60-up": Prior((135.0, 70.5), (18.6, 10.5), 0.36),
}


def normal_density(systolic: Draws, diastolic: Draws, sd: tuple[float, float], correlation: float) -> Draws:
    """The density of a two-dimensional normal distribution around zero, up to a constant."""
    x, y = systolic / sd[0], diastolic / sd[1]
    result: Draws = np.exp((x * x - 2 * correlation * x * y + y * y) / (-2 * (1 - correlation**2)))
    return result


# Usual pressures are looked at in cells of this size; whole limits fall between cells.
CELL_MMHG = 0.25
AROUND_MMHG = 72
SYSTOLIC = np.arange(60, 220, CELL_MMHG) + CELL_MMHG / 2
DIASTOLIC = np.arange(20, 150, CELL_MMHG) + CELL_MMHG / 2


def density_of_values(added: Draws, world: World) -> Draws:
    """How densely values lie around the usual pressure, by cells of how far off they are: the level of a visit, which is
    normal, and what the drawn sittings add to it."""
    off = np.arange(-AROUND_MMHG, AROUND_MMHG, CELL_MMHG) + CELL_MMHG / 2
    cells = np.floor((added + AROUND_MMHG) / CELL_MMHG).astype(np.int64)
    near = ((cells >= 0) & (cells < len(off))).all(axis=0)
    counted = np.bincount(cells[0, near] * len(off) + cells[1, near], minlength=len(off) ** 2)
    drawn = counted.reshape(len(off), len(off)).astype(float)
    # The convolution of two tables lies half a cell further, so the level's table starts half a cell earlier.
    at = off + CELL_MMHG / 2
    level = normal_density(at[:, None], at[None, :], world.between, world.between_correlation)
    result: Draws = fftconvolve(drawn, level, mode="full")[: 2 * len(off) - 1, : 2 * len(off) - 1]
    middle = slice(len(off) // 2 - 1, len(off) // 2 - 1 + len(off))
    return result[middle, middle].clip(0)


def likelihood(visits: list[tuple[tuple[float, float], Draws]]) -> Draws:
    """How likely each usual pressure makes the values of visits, up to a constant.

    A visit is its value with the density of values around the usual pressure.
    """
    told = np.ones((len(SYSTOLIC), len(DIASTOLIC)))
    for (systolic, diastolic), density in visits:
        along_diastolic = read_backwards(density.T, diastolic, DIASTOLIC)
        told *= read_backwards(along_diastolic.T, systolic, SYSTOLIC)
    return told


def read_backwards(density: Draws, value: float, usual: Draws) -> Draws:
    """The rows of a table of how far a value is off, one for each usual pressure that it may be off from; between two rows in
    proportion, which is the same for all, as both go by the same steps."""
    place = (value - float(usual[0]) + AROUND_MMHG) / CELL_MMHG - 0.5
    first = int(np.floor(place))
    rows = first - np.arange(len(usual))
    lower, upper = (
        np.where(inside(each, density)[:, None], density.take(each, axis=0, mode="clip"), 0) for each in (rows, rows + 1)
    )
    result: Draws = lower + (place - first) * (upper - lower)
    return result


def inside(rows: npt.NDArray[np.int64], table: Draws) -> Mask:
    """Which rows the table has."""
    result: Mask = (rows >= 0) & (rows < len(table))
    return result


@cache
def weight_of(prior: Prior | None) -> Draws:
    """How much each usual pressure is believed in before any visit."""
    if prior is None:
        return np.ones((len(SYSTOLIC), len(DIASTOLIC)))
    away = SYSTOLIC[:, None] - prior.mean[0], DIASTOLIC[None, :] - prior.mean[1]
    return normal_density(*away, prior.sd, prior.correlation)


def chances(told: Draws, prior: Prior | None, limits: list[tuple[float, float]]) -> list[float]:
    """The chance that the usual pressure is at or above either limit, for each pair of limits; ``told`` is the likelihood."""
    belief = told * weight_of(prior)
    below = [belief[: (systolic > SYSTOLIC).sum(), : (diastolic > DIASTOLIC).sum()].sum() for systolic, diastolic in limits]
    return [1 - float(each / belief.sum()) for each in below]
