"""Parts of texts, in the SQL of both databases: where the first bar stands, and whether one text is part of another."""

from __future__ import annotations

from typing import Any

from sqlalchemy import ColumnElement, Integer
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.functions import FunctionElement


class FirstBar(FunctionElement[int]):
    """The position of the first bar of a text, counted from 1."""

    type = Integer()
    inherit_cache = True


class PlaceOf(FunctionElement[int]):
    """The position of the second text in the first, from 1; 0 where it does not. Letters are not folded, as LIKE would."""

    type = Integer()
    inherit_cache = True


@compiles(FirstBar)
def _first_bar(element: FirstBar, compiler: Any, **options: Any) -> str:
    return f"strpos({compiler.process(element.clauses, **options)}, '|')"


@compiles(FirstBar, "sqlite")
def _first_bar_of_sqlite(element: FirstBar, compiler: Any, **options: Any) -> str:
    return f"instr({compiler.process(element.clauses, **options)}, '|')"


@compiles(PlaceOf)
def _place_of(element: PlaceOf, compiler: Any, **options: Any) -> str:
    return f"strpos({compiler.process(element.clauses, **options)})"


@compiles(PlaceOf, "sqlite")
def _place_of_sqlite(element: PlaceOf, compiler: Any, **options: Any) -> str:
    return f"instr({compiler.process(element.clauses, **options)})"


def holds(column: Any, part: Any) -> ColumnElement[bool]:
    """True where a text that is there has the other as a part."""
    return PlaceOf(column, part) > 0
