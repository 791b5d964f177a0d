"""Dates in the SQL of searches.

Source: FHIR R4 search, section 3.1.1.4.7 (prefixes), where both sides are ranges.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta
from typing import Any

from sqlalchemy import BindParameter, ColumnElement, and_, bindparam, not_, or_

from quietcuff.storage.schema.base import Instant
from quietcuff.storage.search.query import DateRange, Prefix

Column = ColumnElement[Any]
Prefixes = tuple[tuple[Prefix, ...], ...]
Alternatives = tuple[tuple[DateRange, ...], ...]
# A period that is not marked as long (``mean_is_long``) is at most this long.
LONGEST_SHORT = timedelta(days=1)


def prefixes(alternatives: Alternatives) -> Prefixes:
    return tuple(tuple(date.prefix for date in dates) for dates in alternatives)


def date_conditions(name: str, groups: Prefixes, start: Column, end: Column) -> list[Column]:
    """The conditions of all groups: of the alternatives in each group, one must hold."""
    return [
        or_(
            *(
                date_condition(prefix, start, end, *(moment(name, group, place, edge) for edge in ("low", "high")))
                for place, prefix in enumerate(prefixes)
            )
        )
        for group, prefixes in enumerate(groups)
    ]


def date_condition(prefix: Prefix, start: Column, end: Column, low: Column, high: Column) -> Column:
    """The condition that a time satisfies a date of a search. For an instant, ``start`` and ``end`` are the same column."""
    inside = and_(start >= low, end < high)
    is_instant = start is end
    match prefix:
        case "eq":
            return inside
        case "ne":
            return not_(inside)
        case "gt":
            return end >= high
        case "lt":
            return start < low
        case "ge":
            # For an instant the shorter test means the same, and an index can serve it; an OR would hide the column from the
            # planner.
            return start >= low if is_instant else or_(end >= high, inside)
        case "le":
            return start < high if is_instant else or_(start < low, inside)
        case "sa":
            return start >= high
        case "eb":
            return end < low
        case "ap":
            return and_(start < high, end >= low)


def implied_bounds(name: str, groups: Prefixes, start: Column, *, is_short: bool) -> Iterable[Column]:
    """Bounds on a period's start that follow from the dates of a search.

    They exclude nothing more, but an index can serve them.
    """
    for group, (prefix, *others) in enumerate(groups):
        # Of several alternatives any one may hold, so none of them alone bounds the start.
        if others:
            continue
        if prefix in ("gt", "ge", "ap") and is_short:
            yield start >= moment(name, group, 0, "early")
        if prefix in ("eq", "le"):
            yield start < moment(name, group, 0, "high")
        if prefix == "eb":
            yield start < moment(name, group, 0, "low")


def moment(name: str, group: int, place: int, edge: str) -> BindParameter[Any]:
    return bindparam(date_name(name, group, place, edge), type_=Instant)


def date_name(name: str, group: int, place: int, edge: str) -> str:
    """The name of one edge of a date in its statement."""
    return f"{name}_{group}_{place}_{edge}"


def edges(name: str, groups: Alternatives) -> dict[str, Any]:
    """The edges of every date, under the names that the statement gives them."""
    return {
        date_name(name, group, place, edge): moment
        for group, dates in enumerate(groups)
        for place, date in enumerate(dates)
        for edge, moment in (("low", date.low), ("high", date.high), ("early", date.low - LONGEST_SHORT))
    }
