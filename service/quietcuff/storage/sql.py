"""Statements written once with the tables' metadata, compiled once a dialect, and run as driver SQL.

Compiling, binding and converting rows are most of what a small statement costs in SQLAlchemy; here they are prepared
once. Values are still converted by the columns' own types.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Generic, TypeVar

from sqlalchemy import Connection, Dialect, Table
from sqlalchemy.dialects import postgresql, sqlite

Row = TypeVar("Row")
Clause = Any
Values = Mapping[str, Any]
Convert = Callable[[Any], Any]


class Command:
    """A statement that answers no rows. Where the dialects differ, ``clause`` is a function of the dialect's name.

    ``columns`` are those that an insert or update sets, all by default.
    """

    def __init__(self, clause: Clause | Callable[[str], Clause], columns: Sequence[str] | None = None) -> None:
        self._clause = clause
        self._columns = columns
        self._plans: dict[str, _Plan] = {}

    def run(self, connection: Connection, values: Values) -> int:
        """Run it once; the number of rows it touched."""
        plan = self._plan(connection.dialect)
        return connection.exec_driver_sql(plan.text, plan.arguments(values)).rowcount

    def run_each(self, connection: Connection, rows: Sequence[Values]) -> None:
        """Run it for each of the rows in one go."""
        if rows:
            plan = self._plan(connection.dialect)
            connection.exec_driver_sql(plan.text, [plan.arguments(values) for values in rows])

    def _plan(self, dialect: Dialect) -> _Plan:
        plan = self._plans.get(dialect.name)
        if plan is None:
            clause = self._clause(dialect.name) if callable(self._clause) else self._clause
            plan = self._plans[dialect.name] = _Plan(clause, self._columns, dialect)
        return plan


class Query(Command, Generic[Row]):
    """A statement that answers rows, each made into ``shape`` by its columns in order."""

    def __init__(self, shape: Callable[..., Row], clause: Clause | Callable[[str], Clause]) -> None:
        super().__init__(clause)
        self._shape = shape

    def all(self, connection: Connection, values: Values) -> list[Row]:
        plan = self._plan(connection.dialect)
        rows = connection.exec_driver_sql(plan.text, plan.arguments(values)).all()
        return [self._shape(*plan.converted(row)) for row in rows]

    def first(self, connection: Connection, values: Values) -> Row | None:
        plan = self._plan(connection.dialect)
        row = connection.exec_driver_sql(plan.text, plan.arguments(values)).first()
        return None if row is None else self._shape(*plan.converted(row))


class _Plan:
    """One statement in one dialect: its text, which values it takes in which order, and how they are converted."""

    def __init__(self, clause: Clause, columns: Sequence[str] | None, dialect: Dialect) -> None:
        compiled = clause.compile(dialect=dialect, column_keys=columns)
        self.text = str(compiled)
        self._constants = {
            name: value for name, value in compiled.params.items() if value is not None and name not in (columns or ())
        }
        self._takes: list[tuple[str, Convert | None]] = [
            (name, compiled.binds[name].type.dialect_impl(dialect).bind_processor(dialect)) for name in compiled.positiontup
        ]
        self._gives: list[Convert | None] = [
            column.type.dialect_impl(dialect).result_processor(dialect, None) for column in answered_columns(clause)
        ]

    def arguments(self, values: Values) -> tuple[Any, ...]:
        given = {**self._constants, **values}
        return tuple(given[name] if convert is None else convert(given[name]) for name, convert in self._takes)

    def converted(self, row: Sequence[Any]) -> list[Any]:
        return [value if convert is None else convert(value) for value, convert in zip(row, self._gives, strict=True)]


def single(value: Any) -> Any:
    """The shape of a row that is one value."""
    return value


def answered_columns(clause: Clause) -> Sequence[Any]:
    """The columns of the rows that a statement answers: none for a plain insert, update or delete."""
    if clause.is_select:
        return list(clause.selected_columns)
    return list(clause.exported_columns) if clause._returning else []


def insert_into(table: Table, dialect: str) -> Any:
    """An insert that knows ``on_conflict_do_nothing``, which both databases have and spell alike."""
    return postgresql.insert(table) if dialect == "postgresql" else sqlite.insert(table)
