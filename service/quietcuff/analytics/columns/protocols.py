"""The protocols of a rulebook as one table: a number a column, a row a protocol. Nothing is decided here."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, TypeVar, get_args, get_type_hints

import numpy as np

from quietcuff.analytics.columns.codes import (
    METHODS,
    NEVER,
    NOTHING,
    POSITIONS,
    SETTINGS,
    SITES,
    Array,
    at_or_above,
    at_or_below,
)
from quietcuff.core.rulebook.rulebook import Extra, Protocol

T = TypeVar("T")
ARMS = get_args(get_type_hints(Protocol)["arms"])
EXTRAS = get_args(get_type_hints(Extra)["kind"])
COUNTS = get_args(get_type_hints(Protocol)["counts"])
BOTH, BOTH_AT_FIRST = ARMS.index("both"), ARMS.index("both-at-first-visit")
UNLIMITED = float("inf")


@dataclass(frozen=True, slots=True)
class ProtocolTable:
    """Every protocol; pressures are whole hundredths of mmHg. ``one_below`` is the lowest first reading after which one is not
    enough, ``far`` the greatest difference that is not far, ``near`` the lowest that is not near."""

    ids: list[str]
    one_sitting: Array
    in_setting: Array
    arms: Array
    planned: Array
    minimum: Array
    most: Array
    interval_us: Array
    interval_excludes: Array
    rest_minutes: Array
    positions: Array
    one_position: Array
    one_systolic: Array
    one_diastolic: Array
    one_systolic_mmhg: Array
    one_diastolic_mmhg: Array
    extra: Array
    far: Array
    near: Array
    counts: Array
    first_dropped: Array
    first_as_recorded: Array
    first_above: Array
    first_methods: Array
    auscultated: Array
    preferred_arm: Array
    wrist_counts: Array
    repeat_above: Array
    classifies: Array
    rounds: Array
    family: list[str | None]
    guidelines: list[list[str]]


def flags(values: Iterable[bool]) -> Array:
    """Booleans as a column."""
    return np.array(list(values), dtype=np.bool_)


def whole(values: Iterable[int]) -> Array:
    """Whole numbers as a column."""
    return np.array(list(values), dtype=np.int32)


def real(values: Iterable[float]) -> Array:
    """Numbers as a column."""
    return np.array(list(values), dtype=np.float64)


def tabulate(protocols: dict[str, Protocol]) -> ProtocolTable:
    """The table of a rulebook's protocols."""
    every = list(protocols.values())
    return ProtocolTable(**plan_columns(every), **edge_columns(every), **choice_columns(every))


def plan_columns(every: list[Protocol]) -> dict[str, Any]:
    """The columns of how a sitting is done: settings, arms, readings, intervals, rest and position."""
    return {
        "ids": [p.id for p in every],
        "one_sitting": flags(p.is_one_sitting for p in every),
        "in_setting": np.array([[setting in p.settings for setting in SETTINGS] for p in every]),
        "arms": whole(ARMS.index(p.arms) for p in every),
        "planned": whole(p.planned for p in every),
        "minimum": whole(p.minimum for p in every),
        "most": whole(p.most for p in every),
        "interval_us": np.array([1_000_000 * p.interval_seconds for p in every], dtype=np.int64),
        "interval_excludes": flags(p.interval_excludes for p in every),
        "rest_minutes": real(p.rest_minutes for p in every),
        "positions": np.array([[position in (*p.positions, "not-recorded") for position in POSITIONS] for p in every]),
        "one_position": flags(len(p.positions) == 1 for p in every),
    }


def edge_columns(every: list[Protocol]) -> dict[str, Any]:
    """The columns of the pressures below which one reading may do."""
    edges = [
        (p.one_may_do_below.systolic_mmhg, p.one_may_do_below.diastolic_mmhg) if p.one_may_do_below else None for p in every
    ]
    return {
        "one_systolic": whole(at_or_above(edge[0]) if edge else 0 for edge in edges),
        "one_diastolic": whole(at_or_above(edge[1]) if edge else 0 for edge in edges),
        "one_systolic_mmhg": real(edge[0] if edge else UNLIMITED for edge in edges),
        "one_diastolic_mmhg": real(edge[1] if edge else UNLIMITED for edge in edges),
    }


def choice_columns(every: list[Protocol]) -> dict[str, Any]:
    """The columns of which readings count, when more are due, and what is made of them."""
    return {
        "extra": whole(EXTRAS.index(p.extra.kind) for p in every),
        "far": whole(at_or_below(p.extra.mmhg) for p in every),
        "near": whole(at_or_above(p.extra.mmhg) for p in every),
        "counts": whole(COUNTS.index(p.counts) for p in every),
        "first_dropped": flags(p.first_dropped for p in every),
        "first_as_recorded": flags(p.first_dropped_as_recorded for p in every),
        "first_above": whole(at_or_below(none_is(p.first_dropped_above_second_by_mmhg, UNLIMITED)) for p in every),
        "first_methods": np.array(
            [[not p.first_dropped_methods or m in p.first_dropped_methods for m in METHODS] for p in every]
        ),
        "auscultated": whole(none_is(p.auscultated_decide_from, NEVER) for p in every),
        "preferred_arm": whole(NOTHING if p.preferred_arm is None else SITES.index(p.preferred_arm) for p in every),
        "wrist_counts": flags(p.wrist_counts for p in every),
        "repeat_above": whole(at_or_below(none_is(p.repeat_pair_above_mmhg, UNLIMITED)) for p in every),
        "classifies": flags(p.classifies for p in every),
        "rounds": flags(p.rounds for p in every),
        "family": [p.family for p in every],
        "guidelines": [p.guidelines for p in every],
    }


def none_is(value: T | None, default: T) -> T:
    """The value, or what stands for none."""
    return default if value is None else value
