"""Rows that several works of one group look up by keys of their own, read ahead in one statement for all of them.

What was read ahead holds for one round of works that touch different people, and is forgotten after it. A key without rows is
remembered too, so that nobody asks for it again.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from itertools import chain, repeat
from operator import itemgetter
from typing import Any

from sqlalchemy import CTE, BindParameter, Connection, Dialect, Select, bindparam, column, values
from sqlalchemy.sql import ColumnElement

from quietcuff.storage.engine.statements import Clause, PreparedStatement, Query, Row, Values, rows_of

AHEAD = "quietcuff read ahead"
MOST_KEYS = 256
Key = tuple[Any, ...]


class KeyedQuery(Query[Row]):
    """A query by a key of a tenant. ``clause`` selects without the key; ``ending`` adds order and locks to it.

    ``all`` and ``first`` take the tenant and the key's columns by name.
    """

    def __init__(
        self,
        shape: Callable[..., Row],
        clause: Select[Any],
        key: Sequence[ColumnElement[Any]],
        ending: Callable[[Select[Any]], Select[Any]] = lambda clause: clause,
    ) -> None:
        self._key = {str(part.key): part for part in key}
        self._whole_key = itemgetter("tenant_id", *self._key)
        self._bare, self._ending = clause, ending
        self._many: dict[tuple[str, int], PreparedStatement] = {}
        self._names: dict[int, list[str]] = {}
        super().__init__(shape, self.clause_of_one())

    def clause_of_one(self) -> Select[Any]:
        """The rows of one key, its parts given by name."""
        conditions = (part == bindparam(name, type_=part.type) for name, part in self._key.items())
        return self._ending(self._bare.where(*conditions))

    def clause_of_many(self, size: int, dialect: str) -> Clause:
        """The rows of so many keys, each with its key behind its own columns."""
        clause = self._bare.add_columns(*(part.label(f"ahead_{name}") for name, part in self._key.items()))
        if len(self._key) == 1:
            (part,) = self._key.values()
            return self._ending(clause.where(part.in_([given for (given,) in self.asked(size)])))
        wanted = self.wanted(size)
        return self._ending(clause.where(*(part == wanted.c[name] for name, part in self._key.items())))

    def wanted(self, size: int) -> CTE:
        """So many keys as a table."""
        columns = (column(name, part.type) for name, part in self._key.items())
        return values(*columns, name="wanted").data(self.asked(size)).cte("wanted")

    def asked(self, size: int) -> list[tuple[BindParameter[Any], ...]]:
        return [
            tuple(bindparam(f"{name}_{place}", type_=part.type) for name, part in self._key.items()) for place in range(size)
        ]

    def all(self, connection: Connection, values: Values) -> list[Row]:
        found = self._found_ahead(connection, values)
        # A list of their own, because the next work may ask for the same.
        return super().all(connection, values) if found is None else list(found)

    def first(self, connection: Connection, values: Values) -> Row | None:
        found = self._found_ahead(connection, values)
        if found is None:
            return super().first(connection, values)
        return found[0] if found else None

    def read_ahead(self, connection: Connection, tenant_id: int, keys: Collection[Key]) -> dict[Key, list[Row]]:
        """The rows of each key, in the order of the query; they are remembered for the works of this round."""
        found: dict[Key, list[Row]] = {key: [] for key in keys}
        wanted = list(found)
        for first in range(0, len(wanted), MOST_KEYS):
            self._read_part(connection, tenant_id, wanted[first : first + MOST_KEYS], found)
        ahead = connection.info.setdefault(AHEAD, {}).setdefault(self, {})
        ahead.update({(tenant_id, *key): rows for key, rows in found.items()})
        return found

    def is_missing(self, connection: Connection, values: Values) -> bool:
        """True where the key was read ahead and has no row."""
        return self._found_ahead(connection, values) == []

    def _read_part(self, connection: Connection, tenant_id: int, keys: list[Key], found: dict[Key, list[Row]]) -> None:
        plan = self.plan_of_many(connection.dialect, len(keys))
        for row in rows_of(connection, plan.text, plan.arguments(self._given(tenant_id, keys))):
            converted = plan.converted(row)
            found[tuple(converted[-len(self._key) :])].append(self._shape(*converted[: -len(self._key)]))

    def _given(self, tenant_id: int, keys: list[Key]) -> dict[str, Any]:
        """The values of a statement for many keys, filled up with nulls to a power of two, so that there are few statements."""
        parts = chain(chain.from_iterable(keys), repeat(None))
        given: dict[str, Any] = dict(zip(self.names_of_many(size_for(len(keys))), parts, strict=False))
        given["tenant_id"] = tenant_id
        return given

    def names_of_many(self, size: int) -> list[str]:
        """The names of the values of so many keys, one key after the other."""
        names = self._names.get(size)
        if names is None:
            names = self._names[size] = [f"{name}_{place}" for place in range(size) for name in self._key]
        return names

    def plan_of_many(self, dialect: Dialect, count: int) -> PreparedStatement:
        """The statement for so many keys."""
        size = size_for(count)
        plan = self._many.get((dialect.name, size))
        if plan is None:
            plan = self._many[dialect.name, size] = PreparedStatement(self.clause_of_many(size, dialect.name), None, dialect)
        return plan

    def _found_ahead(self, connection: Connection, values: Values) -> list[Row] | None:
        ahead = connection.info.get(AHEAD)
        found: dict[Key, list[Row]] | None = ahead.get(self) if ahead else None
        return None if found is None else found.get(self._whole_key(values))


def size_for(count: int) -> int:
    """The number of keys that the statement for so many has."""
    return 1 << (count - 1).bit_length()


def forget_ahead(connection: Connection) -> None:
    """Forget what was read ahead."""
    connection.info.pop(AHEAD, None)
