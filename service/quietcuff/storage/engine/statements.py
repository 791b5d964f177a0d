"""Statements written once with the tables' metadata, compiled once a dialect, and run as driver SQL.

Compiling, binding and converting rows are most of what a small statement costs in SQLAlchemy; here they are prepared
once. What is only written, and not read again by the same work, can wait until the group's end and be written in one go.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Generic, TypeVar

from sqlalchemy import Connection, Dialect, LargeBinary, Table
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.types import TypeEngine

from quietcuff.storage.schema.base import Id, Instant, from_microseconds, id_of_bytes, id_to_bytes, microseconds

Row = TypeVar("Row")
Clause = Any
Values = Mapping[str, Any]
Convert = Callable[[Any], Any]

WROTE = "quietcuff wrote"
WAITING = "quietcuff waiting"
# The drivers take and give these as they are, or by the one function named here.
PLAIN: dict[type[TypeEngine[Any]], tuple[Convert, Convert]] = {
    Id: (id_to_bytes, id_of_bytes),
    Instant: (microseconds, from_microseconds),
}


class Command:
    """A statement that answers no rows. Where the dialects differ, ``clause`` is a function of the dialect's name.

    ``columns`` are those that an insert or update sets, all by default.
    """

    def __init__(self, clause: Clause | Callable[[str], Clause], columns: Sequence[str] | None = None) -> None:
        self._clause = clause
        self._columns = columns
        self._plans: dict[str, PreparedStatement] = {}

    def run(self, connection: Connection, values: Values) -> int:
        """Run it now; the number of rows it touched."""
        plan = self.plan(connection.dialect)
        return connection.exec_driver_sql(plan.text, plan.arguments(values)).rowcount

    def run_each(self, connection: Connection, rows: Sequence[Values]) -> None:
        """Run it now for each of the rows, in one go."""
        if rows:
            plan = self.plan(connection.dialect)
            connection.exec_driver_sql(plan.text, [plan.arguments(values) for values in rows])

    def run_later(self, connection: Connection, rows: Sequence[Values]) -> None:
        """Run it for each of the rows before the group's commit, together with what others leave for then."""
        plan = self.plan(connection.dialect)
        connection.info[WROTE] = True
        waiting = connection.info.setdefault(WAITING, {}).setdefault(plan.text, [])
        waiting.extend(plan.arguments(values) for values in rows)

    def plan(self, dialect: Dialect) -> PreparedStatement:
        plan = self._plans.get(dialect.name)
        if plan is None:
            clause = self._clause(dialect.name) if callable(self._clause) else self._clause
            plan = self._plans[dialect.name] = PreparedStatement(clause, self._columns, dialect)
        return plan


class Query(Command, Generic[Row]):
    """A statement that answers rows, each made into ``shape`` by its columns in order."""

    def __init__(self, shape: Callable[..., Row], clause: Clause | Callable[[str], Clause]) -> None:
        super().__init__(clause)
        self._shape = shape

    def all(self, connection: Connection, values: Values) -> list[Row]:
        plan = self.plan(connection.dialect)
        rows = connection.exec_driver_sql(plan.text, plan.arguments(values)).all()
        return [self._shape(*plan.converted(row)) for row in rows]

    def first(self, connection: Connection, values: Values) -> Row | None:
        plan = self.plan(connection.dialect)
        row = connection.exec_driver_sql(plan.text, plan.arguments(values)).first()
        return None if row is None else self._shape(*plan.converted(row))


class PreparedStatement:
    """One statement in one dialect: its text, which values it takes in which order, and how they are converted."""

    def __init__(self, clause: Clause, columns: Sequence[str] | None, dialect: Dialect) -> None:
        compiled = clause.compile(dialect=dialect, column_keys=columns)
        self.text = str(compiled)
        self._constants = {
            name: value for name, value in compiled.params.items() if value is not None and name not in (columns or ())
        }
        self._names = list(compiled.positiontup)
        takes = [taking(compiled.binds[name].type, dialect) for name in self._names]
        gives = [giving(column.type, dialect) for column in answered_columns(clause)]
        self._takes = [(place, convert) for place, convert in enumerate(takes) if convert is not None]
        self._gives = [(place, convert) for place, convert in enumerate(gives) if convert is not None]

    def arguments(self, values: Values) -> tuple[Any, ...]:
        """The values in the order in which the driver takes them."""
        given = {**self._constants, **values} if self._constants else values
        arguments = [given[name] for name in self._names]
        for place, convert in self._takes:
            if arguments[place] is not None:
                arguments[place] = convert(arguments[place])
        return tuple(arguments)

    def converted(self, row: Sequence[Any]) -> list[Any]:
        """A row as the driver gave it, in the columns' own types."""
        found = list(row)
        for place, convert in self._gives:
            if found[place] is not None:
                found[place] = convert(found[place])
        return found


def write_waiting(connection: Connection) -> None:
    """Write what was left for later, each statement once for all its rows."""
    waiting: dict[str, list[tuple[Any, ...]]] = connection.info.pop(WAITING, {})
    for text, rows in waiting.items():
        connection.exec_driver_sql(text, rows)


def forget_waiting(connection: Connection) -> None:
    """Drop what was left for later by work that is undone."""
    connection.info.pop(WAITING, None)


def taking(kind: TypeEngine[Any], dialect: Dialect) -> Convert | None:
    """How a value becomes what the driver takes; None where it is that already."""
    if type(kind) in PLAIN:
        return None if dialect.name == "postgresql" else PLAIN[type(kind)][0]
    if isinstance(kind, LargeBinary):
        return None
    return kind.dialect_impl(dialect).bind_processor(dialect)


def giving(kind: TypeEngine[Any], dialect: Dialect) -> Convert | None:
    """How what the driver gives becomes a value; None where it is that already."""
    if type(kind) in PLAIN:
        return None if dialect.name == "postgresql" else PLAIN[type(kind)][1]
    return kind.dialect_impl(dialect).result_processor(dialect, None)


def single(value: Any) -> Any:
    """The shape of a row that is one value."""
    return value


def answered_columns(clause: Clause) -> Sequence[Any]:
    """The columns of the rows that a statement answers: none for a plain insert, update or delete."""
    return list(clause.selected_columns) if clause.is_select else []


def insert_into(table: Table, dialect: str) -> Any:
    """An insert that knows what to do on a conflict, which both databases have and spell alike."""
    return postgresql.insert(table) if dialect == "postgresql" else sqlite.insert(table)
