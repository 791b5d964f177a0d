"""Statements built once from the tables' metadata, compiled once for each dialect, and run as driver SQL.

For a small statement SQLAlchemy spends most of its time on compiling, binding, converting rows and describing results. Here
that is prepared once, and the driver's own cursor runs it; the transaction and its errors stay SQLAlchemy's.
Rows that the same work does not read again can wait until the end of the group, and are then written in one go.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from importlib import import_module
from itertools import starmap
from operator import itemgetter
from typing import Any, Generic, NoReturn, TypeVar

from sqlalchemy import (
    BindParameter,
    Boolean,
    Connection,
    Dialect,
    Engine,
    LargeBinary,
    Select,
    Table,
    event,
    insert,
)
from sqlalchemy.engine.interfaces import DBAPICursor
from sqlalchemy.sql.visitors import iterate
from sqlalchemy.types import TypeEngine

from quietcuff.storage.schema.base import Id, Instant, from_microseconds, id_of_bytes, id_to_bytes, microseconds

Row = TypeVar("Row")
Clause = Any
Values = Mapping[str, Any]
Convert = Callable[[Any], Any]
WROTE = "quietcuff wrote"
WAITING = "quietcuff waiting"
# The first words of statements that write no rows. Entering a tenant is a SELECT as well.
READS = ("SELECT", "WITH", "SAVEPOINT")
# The conversions that SQLite's driver needs, to the database and back. asyncpg takes and gives these types as they are.
PLAIN: dict[type[TypeEngine[Any]], tuple[Convert, Convert]] = {
    Id: (id_to_bytes, id_of_bytes),
    Instant: (microseconds, from_microseconds),
}
# Each in the order of the statement's values; by the key by which they are sorted, where they are.
SortedRows = dict[Any, Collection[Any]]
WaitingRows = list[Collection[Any]] | SortedRows


class Command:
    """A statement that returns no rows. Where the dialects differ, ``clause`` is a function of the dialect's name.

    ``columns`` are the columns that an insert or update sets; by default all. Rows that wait are written in the order of the
    columns of ``sorts_by``, each key once; by default as they came.
    """

    def __init__(
        self, clause: Clause | Callable[[str], Clause], columns: Sequence[str] | None = None, sorts_by: Sequence[str] = ()
    ) -> None:
        self._clause = clause
        self._columns = columns
        self._sorts_by = sorts_by
        self._plans: dict[str, PreparedStatement] = {}

    def run(self, connection: Connection, values: Values) -> int:
        """Run the statement now; the number of rows that it touched."""
        plan = self.plan(connection.dialect)
        connection.info[WROTE] = True
        with cursor_of(connection, plan.text) as cursor:
            cursor.execute(plan.text, plan.arguments(values))
            return int(cursor.rowcount)

    def run_each(self, connection: Connection, rows: Sequence[Values]) -> None:
        """Run the statement now for each of the rows, in one go."""
        if rows:
            plan = self.plan(connection.dialect)
            connection.info[WROTE] = True
            with cursor_of(connection, plan.text) as cursor:
                cursor.executemany(plan.text, [plan.arguments(values) for values in rows])

    def run_later(self, connection: Connection, rows: Sequence[Values]) -> None:
        """Run the statement for each of the rows before the group's commit, together with the rows that other work left."""
        plan = self.plan(connection.dialect)
        waiting: SortedRows = waiting_for(connection, self, dict)
        for row in rows:
            key = tuple(row[name] for name in self._sorts_by) if self._sorts_by else len(waiting)
            waiting.setdefault(key, plan.picked(row))

    def plan(self, dialect: Dialect) -> PreparedStatement:
        plan = self._plans.get(dialect.name)
        if plan is None:
            clause = self._clause(dialect.name) if callable(self._clause) else self._clause
            plan = self._plans[dialect.name] = PreparedStatement(clause, self._columns, dialect)
        return plan


class Insert(Command):
    """An insert of whole rows of a table. Rows that are given in the order of its columns need no look-up of each by name."""

    def __init__(self, table: Table) -> None:
        super().__init__(insert(table))

    def add(self, connection: Connection, rows: Sequence[Collection[Any]]) -> None:
        """Insert rows before the group's commit, as ``run_later`` does. Their values are in the order of the columns."""
        if rows:
            waiting: list[Collection[Any]] = waiting_for(connection, self, list)
            waiting += rows

    def ready(self, dialect: Dialect, rows: Sequence[Collection[Any]]) -> list[list[Any]]:
        """Rows of one thing for ``add_ready``, made from rows as ``add`` takes them."""
        return self.plan(dialect).alike_in_driver_form(rows)

    def ready_alone(self, dialect: Dialect, row: Iterable[Any]) -> list[Any]:
        """The same of one row."""
        return self.plan(dialect).row_in_driver_form(row)

    def add_ready(self, connection: Connection, rows: Sequence[Collection[Any]]) -> None:
        """Insert rows before the group's commit that are in the driver's form already."""
        if rows:
            waiting: list[Collection[Any]] = waiting_for(connection, self, list, are_ready=True)
            waiting += rows


class Query(Command, Generic[Row]):
    """A statement that returns rows. Each row is made into ``shape`` from its columns, in order."""

    def __init__(self, shape: Callable[..., Row], clause: Clause | Callable[[str], Clause]) -> None:
        super().__init__(clause)
        self._shape = shape

    def all(self, connection: Connection, values: Values) -> list[Row]:
        plan = self.plan(connection.dialect)
        return list(starmap(self._shape, plan.all_converted(rows_of(connection, plan.text, plan.arguments(values)))))

    def first(self, connection: Connection, values: Values) -> Row | None:
        plan = self.plan(connection.dialect)
        rows = rows_of(connection, plan.text, plan.arguments(values))
        return self._shape(*plan.converted(rows[0])) if rows else None


class AnyQuery(Query[Row]):
    """A query that may ask for lists of values. Its text varies with their lengths, so SQLAlchemy runs it then."""

    def __init__(self, shape: Callable[..., Row], clause: Select[Any]) -> None:
        super().__init__(shape, clause)
        self._selected = clause
        self._varies = any(isinstance(part, BindParameter) and part.expanding for part in iterate(clause))

    def all(self, connection: Connection, values: Values) -> list[Row]:
        if self._varies:
            return list(starmap(self._shape, connection.execute(self._selected, values)))
        return super().all(connection, values)


class PreparedStatement:
    """One statement in one dialect: its text, its values in the driver's order, and their conversion."""

    def __init__(self, clause: Clause, columns: Sequence[str] | None, dialect: Dialect) -> None:
        compiled = clause.compile(dialect=dialect, column_keys=columns)
        self.text = str(compiled)
        # Literals of the clause, such as a fixed limit, are bound by the compiler and never given by the caller.
        self._constants = {
            name: value for name, value in compiled.params.items() if value is not None and name not in (columns or ())
        }
        self._names = list(compiled.positiontup)
        self._pick = itemgetter(*self._names) if len(self._names) > 1 else lambda given: [given[name] for name in self._names]
        takes = [taking(compiled.binds[name].type, dialect) for name in self._names]
        gives = [giving(column.type, dialect) for column in answered_columns(clause)]
        self._takes = [(place, convert) for place, convert in enumerate(takes) if convert is not None]
        self._gives = [(place, convert) for place, convert in enumerate(gives) if convert is not None]

    def arguments(self, values: Values) -> tuple[Any, ...]:
        """The values in the order in which the driver takes them."""
        return tuple(self.row_in_driver_form(self.picked(values)))

    def picked(self, values: Values) -> Collection[Any]:
        """The values in the driver's order, but as they are."""
        picked: Collection[Any] = self._pick({**self._constants, **values} if self._constants else values)
        return picked

    def row_in_driver_form(self, row: Iterable[Any]) -> list[Any]:
        """A row of picked values as the driver takes them."""
        made = list(row)
        for place, convert in self._takes:
            value = made[place]
            if value is not None:
                made[place] = convert(value)
        return made

    def in_driver_form(self, rows: Iterable[Collection[Any]]) -> list[list[Any]]:
        """Many rows of picked values as the driver takes them. The same object in rows that follow each other is converted
        once."""
        converted = [list(row) for row in rows]
        for place, convert in self._takes:
            last = made = None
            for row in converted:
                value = row[place]
                if value is not last:
                    last, made = value, None if value is None else convert(value)
                row[place] = made
        return converted

    def alike_in_driver_form(self, rows: Sequence[Collection[Any]]) -> list[list[Any]]:
        """Rows that belong to one thing, which mostly have one value in each column that is converted."""
        columns: list[Sequence[Any]] = list(zip(*rows, strict=True))
        for place, convert in self._takes if rows else ():
            column = columns[place]
            first, count = column[0], len(column)
            if column.count(first) == count:
                columns[place] = [None if first is None else convert(first)] * count
            else:
                columns[place] = [None if value is None else convert(value) for value in column]
        return [list(row) for row in zip(*columns, strict=True)]

    def converted(self, row: Sequence[Any]) -> list[Any]:
        """A row as the driver gave it, in the columns' own types."""
        found = list(row)
        for place, convert in self._gives:
            if found[place] is not None:
                found[place] = convert(found[place])
        return found

    def all_converted(self, rows: Iterable[Sequence[Any]]) -> list[list[Any]]:
        """Many rows as the driver gave them, converted column by column. What is the same in rows that follow each other is
        converted once."""
        found = [list(row) for row in rows]
        for place, convert in self._gives:
            last = made = None
            for row in found:
                value = row[place]
                if value != last:
                    last, made = value, None if value is None else convert(value)
                row[place] = made
        return found


@contextmanager
def cursor_of(connection: Connection, text: str) -> Iterator[DBAPICursor]:
    """The driver's cursor in the transaction under way. Its errors are raised as SQLAlchemy raises them, and a lost connection
    is given up as SQLAlchemy does it."""
    cursor = new_cursor(connection)
    try:
        yield cursor
    except BaseException as error:
        raise_as_sqlalchemy(connection, text, cursor, error)
    cursor.close()


def new_cursor(connection: Connection) -> DBAPICursor:
    """A cursor of the driver in the transaction under way, which is begun with the first."""
    if not connection.in_transaction():
        connection.begin()
    return connection.connection.cursor()


def raise_as_sqlalchemy(connection: Connection, text: str, cursor: DBAPICursor, error: BaseException) -> NoReturn:
    """Raise an error of the driver's cursor as SQLAlchemy raises it, which also closes the cursor."""
    is_of_driver = isinstance(error, connection.dialect.loaded_dbapi.Error)
    connection._handle_dbapi_exception(error, text if is_of_driver else None, None, cursor, None)


def rows_of(connection: Connection, text: str, arguments: Sequence[Any]) -> Sequence[Sequence[Any]]:
    """The rows that a statement returns, as the driver gives them."""
    if not text.startswith(READS):
        connection.info[WROTE] = True
    # Written out and not by ``cursor_of``, whose generator takes as long as a small statement.
    cursor = new_cursor(connection)
    try:
        cursor.execute(text, arguments)
        rows: Sequence[Sequence[Any]] = cursor.fetchall()
    except BaseException as error:
        raise_as_sqlalchemy(connection, text, cursor, error)
    cursor.close()
    return rows


def waiting_for(
    connection: Connection,
    command: Command,
    kind: type[list[Any]] | type[dict[Any, Any]],
    *,
    are_ready: bool = False,
) -> Any:
    """The rows that wait for the end of the group to be written by a command, in a list or by key."""
    info = connection.info
    info[WROTE] = True
    waiting = info.get(WAITING)
    if waiting is None:
        waiting = info[WAITING] = {}
    found = waiting.get((command, are_ready))
    if found is None:
        found = waiting[command, are_ready] = kind()
    return found


def write_waiting(connection: Connection) -> None:
    """Write the rows that were left for later, each statement once for all its rows."""
    waiting: dict[tuple[Command, bool], WaitingRows] = connection.info.pop(WAITING, {})
    for (command, are_ready), rows in waiting.items():
        plan = command.plan(connection.dialect)
        ordered = rows if isinstance(rows, list) else [rows[key] for key in sorted(rows)]
        # Converted here and not row by row, because much of it is the same in rows that follow each other.
        converted: Any = ordered if are_ready else plan.in_driver_form(ordered)
        with cursor_of(connection, plan.text) as cursor:
            cursor.executemany(plan.text, converted)


def when_undone(engine: Engine, forget: Callable[[Connection], object], *, savepoints: bool = True) -> None:
    """Have every connection of an engine forget something when its transaction is undone, and each savepoint of it as well."""

    def forget_here(connection: Connection) -> None:
        # A connection that was cut, as by cancelled work, has nothing left to forget; to ask it would hide why it was cut.
        if not connection.invalidated:
            forget(connection)

    event.listen(engine, "rollback", forget_here)
    if savepoints:
        event.listen(engine, "rollback_savepoint", lambda connection, name, context: forget_here(connection))


def forget_waiting(connection: Connection) -> None:
    """Drop the rows that undone work had left for later."""
    connection.info.pop(WAITING, None)


def taking(kind: TypeEngine[Any], dialect: Dialect) -> Convert | None:
    """The function that makes a value what the driver takes; None where none is needed."""
    if type(kind) in PLAIN:
        return None if dialect.name == "postgresql" else PLAIN[type(kind)][0]
    # Both drivers take bytes and truth values as they are.
    if isinstance(kind, LargeBinary | Boolean):
        return None
    return kind.dialect_impl(dialect).bind_processor(dialect)


def giving(kind: TypeEngine[Any], dialect: Dialect) -> Convert | None:
    """The function that makes a value of what the driver gives; None where none is needed."""
    if type(kind) in PLAIN:
        return None if dialect.name == "postgresql" else PLAIN[type(kind)][1]
    # Both drivers give bytes as bytes.
    if isinstance(kind, LargeBinary):
        return None
    return kind.dialect_impl(dialect).result_processor(dialect, None)


def single(value: Any) -> Any:
    """The shape of a row that is one value."""
    return value


def answered_columns(clause: Clause) -> Sequence[Any]:
    """The columns of the rows that a statement returns; none for a plain insert, update or delete."""
    return list(clause.selected_columns) if clause.is_select else []


def insert_into(table: Table, dialect: str) -> Any:
    """An insert with an ``ON CONFLICT`` clause, which both databases have and write alike."""
    # Loaded when it is used: most databases are one of the two, and the other's module is large.
    return import_module(f"sqlalchemy.dialects.{dialect}").insert(table)
