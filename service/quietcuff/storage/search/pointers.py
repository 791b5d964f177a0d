"""Identifiers that Observations point to in other systems: their columns, and conditions on them.

An identifier is stored as ``system|value``. A system holds no bar, so the first bar separates the two.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import ColumnElement, SmallInteger, Text, bindparam, func, or_

from quietcuff.storage.schema.sittings import reading, reading_set
from quietcuff.storage.search.query import Kind, Pointer
from quietcuff.storage.search.texts import FirstBar, holds

Column = ColumnElement[Any]
# A form whose conditions are as many as its words: words1, words2 ...
WORDS = "words"
# Said once of a set, for all of its Observations.
POINTERS_OF_SETS: dict[Pointer, Column] = {
    "based_on": reading_set.c.based_on,
    "encounter": reading_set.c.encounter,
    "location": reading_set.c.location,
    "protocol": reading_set.c.protocol,
    "setting": reading_set.c.setting,
    "state": reading_set.c.state,
    "label": reading_set.c.labels,
    "finding": reading_set.c.findings,
}
# So near to one value each that their sets lead to what is sought.
NARROW: frozenset[Pointer] = frozenset(("based_on", "encounter"))
# Device flags name nobody who measured.
PERFORMERS: dict[Kind, Column] = {
    "reading": reading.c.performer,
    "pulse": reading.c.performer,
    "mean": reading_set.c.observer,
}


def pointer_column(kind: Kind, pointer: Pointer) -> Column | None:
    """The position of the first bar in a text, counted from 1."""
    return POINTERS_OF_SETS[pointer] if pointer in POINTERS_OF_SETS else PERFORMERS.get(kind)


def pointer_condition(kind: Kind, pointer: Pointer, place: int, forms: tuple[str, ...]) -> Column:
    """The condition that an entry points to what a test asks for, in these forms.

    An entry without the pointer satisfies only the test for a missing one.
    """
    column: Any = pointer_column(kind, pointer)
    return or_(*(condition_of_form(column, form, pointer_name(place, form)) for form in forms))


def condition_of_form(column: Column, form: str, name: str) -> Column:
    """The condition that one form of a test puts on a column. The words of a text are asked for one by one."""
    if form == "missing":
        return column.is_(None)
    if form == "present":
        return column.is_not(None)
    if form.startswith(WORDS):
        return or_(*(holds(column, bindparam(word, type_=Text)) for word in word_names(name, form)))
    if form == "numbers":
        return column.in_(bindparam(name, expanding=True, type_=SmallInteger))
    bar = FirstBar(column)
    parts = {"pairs": column, "values": func.substr(column, bar + 1), "systems": func.substr(column, 1, bar - 1)}
    return parts[form].in_(bindparam(name, expanding=True))


def word_names(name: str, form: str) -> list[str]:
    """The names of a test's words in its statement; their number stands in the name of the form."""
    return [f"{name}_{number}" for number in range(int(form.removeprefix(WORDS)))]


def pointer_name(place: int, form: str) -> str:
    """The name of the identifiers of one form of a test in its statement."""
    return f"pointer_{place}_{form}"
