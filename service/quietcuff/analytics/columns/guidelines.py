"""The guidelines of a rulebook as one table, once for each setting: edges, populations, what a row is called and asks for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from quietcuff.analytics.columns.codes import SETTINGS, Array, at_or_above
from quietcuff.core.rulebook.rulebook import Guideline, Row
from quietcuff.core.sitting.in_force import in_setting

T = TypeVar("T")
PREGNANCY = ("never", "only", "either")
UNLIMITED = float("inf")
WAYS = ("another-day", "out-of-office", "hours-apart")


@dataclass(frozen=True, slots=True)
class GuidelineTable:
    """Every guideline in every setting, at ``len(ids) * setting + place``; the second axis of ``edges`` and what belongs to it
    are the rows of its table, from the lowest. The last entry stands for no guideline, whose edges nothing reaches."""

    ids: list[str]
    count: int
    rows: list[list[Row]]
    for_setting: Array
    pregnancy: Array
    age_from: Array
    age_below: Array
    age_unknown_accepted: Array
    asks_age: Array
    by_percentile: Array
    is_pressure: Array
    places_pressures: Array
    hypertension: Array
    edges: Array
    above: Array
    raised: Array
    severe: Array
    unconfirmed: Array
    asks_ways: Array
    asks_ways_unconfirmed: Array
    also_out: Array
    also_out_unconfirmed: Array
    severe_edge: Array
    isolated: Array
    family: list[str]


def tabulate(guidelines: dict[str, Guideline]) -> GuidelineTable:
    """The table of a rulebook's guidelines."""
    own = list(guidelines.values())
    every = [in_setting(each, setting) if setting != "office" else each for setting in SETTINGS for each in own]
    most = max(len(each.rows) for each in every)
    blank = [UNLIMITED, UNLIMITED]
    confirmed, unconfirmed = [advice_rows(each, False) for each in every], [advice_rows(each, True) for each in every]
    populations = [each.population for each in every]
    return GuidelineTable(
        ids=[each.id for each in own],
        count=len(own),
        rows=[each.rows for each in every] + [[]],
        for_setting=np.array(
            [[setting in p.settings for setting in SETTINGS] for p in populations] + [[False] * len(SETTINGS)]
        ),
        pregnancy=np.array([PREGNANCY.index(p.pregnancy) for p in populations] + [0]),
        age_from=np.array([p.age_from_years for p in populations] + [0]),
        age_below=np.array([10**6 if p.age_below_years is None else p.age_below_years for p in populations] + [0]),
        age_unknown_accepted=np.array([p.age_unknown == "provisional" for p in populations] + [False]),
        asks_age=np.array([p.age_from_years > 0 for p in populations] + [False]),
        by_percentile=np.array([each.measures == "percentile" for each in every] + [False]),
        is_pressure=np.array([each.measures == "pressure" for each in every] + [False]),
        places_pressures=np.array([each.places_pressures for each in every] + [False]),
        hypertension=np.array([limit_of(each) for each in every] + [blank]),
        edges=np.array([pad([edge_of(row) for row in each.rows], most, blank) for each in every] + [[blank] * most]),
        above=padded([[row.edge == "above" for row in each.rows] for each in every], most),
        raised=padded([[row.raised for row in each.rows] for each in every], most),
        severe=padded([[row.severe for row in each.rows] for each in every], most),
        unconfirmed=padded([[row.unconfirmed_category is not None for row in each.rows] for each in every], most),
        asks_ways=padded([[way_bit(row) for row in rows] for rows in confirmed], most, np.int8),
        asks_ways_unconfirmed=padded([[way_bit(row) for row in rows] for rows in unconfirmed], most, np.int8),
        also_out=padded([[asks_also(row) for row in rows] for rows in confirmed], most),
        also_out_unconfirmed=padded([[asks_also(row) for row in rows] for rows in unconfirmed], most),
        severe_edge=np.array([severe_edge(each) for each in every] + [[at_or_above(UNLIMITED)] * 2], dtype=np.int32),
        isolated=isolated_limits(every),
        family=[each.family for each in every] + [""],
    )


def pad(values: list[T], length: int, filler: T) -> list[T]:
    """Values, and the filler up to a length."""
    return values + [filler] * (length - len(values))


def padded(rows: list[list[bool]] | list[list[int]], most: int, kind: type[np.generic] = np.bool_) -> Array:
    """One row a guideline, and a last one for none."""
    return np.array([*([*row, *([0] * (most - len(row)))] for row in rows), [0] * most], dtype=kind)


def limit_of(guideline: Guideline) -> list[float]:
    """The limit for hypertension; one that is never reached where there is none."""
    limit = guideline.hypertension
    return [UNLIMITED, UNLIMITED] if limit is None else [limit.systolic_mmhg, limit.diastolic_mmhg]


def edge_of(row: Row) -> list[float]:
    """The edges of a row; one that is never reached where there is none."""
    return [UNLIMITED if edge is None else edge for edge in (row.systolic_mmhg, row.diastolic_mmhg)]


def advice_rows(guideline: Guideline, unconfirmed: bool) -> list[Row]:
    """For each row, the one that the core finds again by the category that was given."""
    named = [row.unconfirmed_category if unconfirmed and row.unconfirmed_category else row.category for row in guideline.rows]
    return [next(row for row in guideline.rows if name in (row.category, row.unconfirmed_category)) for name in named]


def way_bit(row: Row) -> int:
    """The way in which a row is confirmed, as a bit."""
    return 0 if row.confirm is None else 1 << WAYS.index(row.confirm)


def asks_also(row: Row) -> bool:
    """True where a row that is confirmed asks for measurement out of the office as well."""
    return row.confirm is not None and row.also_out_of_office


def severe_edge(guideline: Guideline) -> list[int]:
    """The lowest pressures of a severe row, each by itself, of a table of pressures."""
    rows = [row for row in guideline.rows if row.severe] if guideline.measures == "pressure" else []
    systolic = min((row.systolic_mmhg for row in rows if row.systolic_mmhg is not None), default=UNLIMITED)
    diastolic = min((row.diastolic_mmhg for row in rows if row.diastolic_mmhg is not None), default=UNLIMITED)
    return [at_or_above(systolic), at_or_above(diastolic)]


def isolated_limits(every: list[Guideline]) -> Array:
    """For each pattern that a guideline names: 0 systolic or 1 diastolic, from which pressure, and below which the other is."""
    most = max((len(each.isolated) for each in every), default=0)
    blank = [0.0, UNLIMITED, 0.0]
    table = [
        pad(
            [[float(p.code == "isolated-diastolic"), p.at_or_above_mmhg, p.other_below_mmhg] for p in each.isolated],
            most,
            blank,
        )
        for each in every
    ]
    return np.array([*table, [blank] * most], dtype=np.float64).reshape(len(every) + 1, most, 3)
