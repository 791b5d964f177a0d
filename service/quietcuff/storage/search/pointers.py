"""Identifiers that Observations point to in other systems: their columns, and conditions on them.

An identifier is stored as ``system|value``. A system holds no bar, so the first bar separates the two.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import ColumnElement, Integer, bindparam, func, or_
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.functions import FunctionElement

from quietcuff.storage.schema.sittings import reading, reading_set
from quietcuff.storage.search.query import Kind, Pointer

Column = ColumnElement[Any]
# Stored once for a set, and true of all its Observations.
POINTERS_OF_SETS: frozenset[Pointer] = frozenset(("based_on", "encounter"))
# Observations of device flags have no performer.
PERFORMERS: dict[Kind, Column] = {
    "reading": reading.c.performer,
    "pulse": reading.c.performer,
    "mean": reading_set.c.observer,
}


class FirstBar(FunctionElement[int]):
    """The position of the first bar in a text, counted from 1."""

    type = Integer()
    inherit_cache = True


@compiles(FirstBar)
def _first_bar(element: FirstBar, compiler: Any, **options: Any) -> str:
    return f"strpos({compiler.process(element.clauses, **options)}, '|')"


@compiles(FirstBar, "sqlite")
def _first_bar_of_sqlite(element: FirstBar, compiler: Any, **options: Any) -> str:
    return f"instr({compiler.process(element.clauses, **options)}, '|')"


def pointer_column(kind: Kind, pointer: Pointer) -> Column | None:
    """The column of the identifier; None where entries of this kind have no such pointer."""
    return reading_set.c[pointer] if pointer in POINTERS_OF_SETS else PERFORMERS.get(kind)


def pointer_condition(kind: Kind, pointer: Pointer, place: int, forms: tuple[str, ...]) -> Column:
    """The condition that an entry points to what a test asks for, in these forms.

    An entry without the pointer satisfies only the test for a missing one.
    """
    column: Any = pointer_column(kind, pointer)
    bar = FirstBar(column)
    parts = {"pairs": column, "values": func.substr(column, bar + 1), "systems": func.substr(column, 1, bar - 1)}
    asked = {"missing": column.is_(None), "present": column.is_not(None)}
    return or_(
        *(
            asked[form] if form in asked else parts[form].in_(bindparam(pointer_name(place, form), expanding=True))
            for form in forms
        )
    )


def pointer_name(place: int, form: str) -> str:
    """The name of the identifiers of one form of a test in its statement."""
    return f"pointer_{place}_{form}"
