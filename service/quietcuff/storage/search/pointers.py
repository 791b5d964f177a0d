"""What Observations point to in other systems: the columns that hold its identifiers, ``system|value``, and conditions on them.

A system holds no bar, so that the first one parts the two.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import ColumnElement, Integer, bindparam, func, or_
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.functions import FunctionElement

from quietcuff.storage.schema.sittings import reading, reading_set
from quietcuff.storage.search.query import Kind, Pointer

Column = ColumnElement[Any]
# Said once of a set, for all of its Observations.
POINTERS_OF_SETS: frozenset[Pointer] = frozenset(("based_on", "encounter"))
# Device flags name nobody who measured.
PERFORMERS: dict[Kind, Column] = {
    "reading": reading.c.performer,
    "pulse": reading.c.performer,
    "mean": reading_set.c.observer,
}


class FirstBar(FunctionElement[int]):
    """Where the first bar of a text stands, from 1."""

    type = Integer()
    inherit_cache = True


@compiles(FirstBar)
def _first_bar(element: FirstBar, compiler: Any, **options: Any) -> str:
    return f"strpos({compiler.process(element.clauses, **options)}, '|')"


@compiles(FirstBar, "sqlite")
def _first_bar_of_sqlite(element: FirstBar, compiler: Any, **options: Any) -> str:
    return f"instr({compiler.process(element.clauses, **options)}, '|')"


def pointer_column(kind: Kind, pointer: Pointer) -> Column | None:
    """Where the identifier stands; None where entries of this kind point to no such thing."""
    return reading_set.c[pointer] if pointer in POINTERS_OF_SETS else PERFORMERS.get(kind)


def pointer_condition(kind: Kind, pointer: Pointer, place: int, forms: tuple[str, ...]) -> Column:
    """Whether an entry points to what a test asks for, which has these forms. What points to nothing satisfies only that."""
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
    """What the identifiers of one form of a test are called in its statement."""
    return f"pointer_{place}_{form}"
