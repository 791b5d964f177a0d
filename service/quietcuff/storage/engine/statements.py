"""Statements built once from the tables' metadata, compiled once for each dialect, and run as driver SQL.

For a small statement SQLAlchemy spends most of its time on compiling, binding, converting rows and describing results. Here
that is prepared once, and the driver's own cursor runs it; the transaction and its errors stay SQLAlchemy's.
Rows that the same work does not read again can wait until the end of the group, and are then written in one go. Rows that
several works of one group look up by keys of their own can be read ahead, in one statement for all of them. What was read ahead
holds for one round of works that touch different people, and is forgotten after it. A key without rows is remembered too, so
that nobody asks for it again.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from importlib import import_module
from operator import itemgetter
from typing import Any, Generic, TypeVar

from sqlalchemy import (
    CTE,
    BindParameter,
    Boolean,
    Connection,
    Dialect,
    LargeBinary,
    Select,
    Table,
    bindparam,
    column,
    insert,
    values,
)
from sqlalchemy.engine.interfaces import DBAPICursor
from sqlalchemy.sql import ColumnElement
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
AHEAD = "quietcuff read ahead"
MOST_KEYS = 256
Key = tuple[Any, ...]
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
        waiting: SortedRows = waiting_for(connection, plan, dict)
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
            waiting: list[Collection[Any]] = waiting_for(connection, self.plan(connection.dialect), list)
            waiting += rows


class Query(Command, Generic[Row]):
    """A statement that returns rows. Each row is made into ``shape`` from its columns, in order."""

    def __init__(self, shape: Callable[..., Row], clause: Clause | Callable[[str], Clause]) -> None:
        super().__init__(clause)
        self._shape = shape

    def all(self, connection: Connection, values: Values) -> list[Row]:
        plan = self.plan(connection.dialect)
        return [self._shape(*plan.converted(row)) for row in rows_of(connection, plan.text, plan.arguments(values))]

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
            return [self._shape(*row) for row in connection.execute(self._selected, values)]
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
        arguments = list(self.picked(values))
        for place, convert in self._takes:
            if arguments[place] is not None:
                arguments[place] = convert(arguments[place])
        return tuple(arguments)

    def picked(self, values: Values) -> Collection[Any]:
        """The values in the driver's order, but as they are."""
        picked: Collection[Any] = self._pick({**self._constants, **values} if self._constants else values)
        return picked

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

    def converted(self, row: Sequence[Any]) -> list[Any]:
        """A row as the driver gave it, in the columns' own types."""
        found = list(row)
        for place, convert in self._gives:
            if found[place] is not None:
                found[place] = convert(found[place])
        return found


@contextmanager
def cursor_of(connection: Connection, text: str) -> Iterator[DBAPICursor]:
    """The driver's cursor in the transaction under way. Its errors are raised as SQLAlchemy raises them, and a lost connection
    is given up as SQLAlchemy does it."""
    if not connection.in_transaction():
        connection.begin()
    cursor = connection.connection.cursor()
    try:
        yield cursor
    except BaseException as error:
        is_of_driver = isinstance(error, connection.dialect.loaded_dbapi.Error)
        connection._handle_dbapi_exception(error, text if is_of_driver else None, None, cursor, None)
    cursor.close()


def rows_of(connection: Connection, text: str, arguments: Sequence[Any]) -> Sequence[Sequence[Any]]:
    """The rows that a statement returns, as the driver gives them."""
    if not text.startswith(READS):
        connection.info[WROTE] = True
    with cursor_of(connection, text) as cursor:
        cursor.execute(text, arguments)
        return cursor.fetchall()


def waiting_for(connection: Connection, plan: PreparedStatement, kind: type[list[Any]] | type[dict[Any, Any]]) -> Any:
    """The rows that wait for the end of the group to be written with a statement, in a list or by key."""
    info = connection.info
    info[WROTE] = True
    waiting = info.get(WAITING)
    if waiting is None:
        waiting = info[WAITING] = {}
    found = waiting.get(plan.text)
    if found is None:
        found = waiting[plan.text] = plan, kind()
    return found[1]


def write_waiting(connection: Connection) -> None:
    """Write the rows that were left for later, each statement once for all its rows."""
    waiting: dict[str, tuple[PreparedStatement, WaitingRows]] = connection.info.pop(WAITING, {})
    for text, (plan, rows) in waiting.items():
        # Converted here and not row by row, because much of it is the same in rows that follow each other.
        converted = plan.in_driver_form(rows if isinstance(rows, list) else [rows[key] for key in sorted(rows)])
        with cursor_of(connection, text) as cursor:
            cursor.executemany(text, converted)


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
        self._bare, self._ending = clause, ending
        self._many: dict[tuple[str, int], PreparedStatement] = {}
        super().__init__(shape, self.clause_of_one())

    def clause_of_one(self) -> Select[Any]:
        """The rows of one key, its parts given by name."""
        conditions = (part == bindparam(name, type_=part.type) for name, part in self._key.items())
        return self._ending(self._bare.where(*conditions))

    def clause_of_many(self, size: int) -> Select[Any]:
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
        return super().all(connection, values) if found is None else found

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
        self.hold(connection, tenant_id, found)
        return found

    def hold(self, connection: Connection, tenant_id: int, found: dict[Key, list[Row]]) -> None:
        """Remember rows that were read in another way."""
        ahead = connection.info.setdefault(AHEAD, {}).setdefault(self, {})
        ahead.update({(tenant_id, *key): rows for key, rows in found.items()})

    def is_missing(self, connection: Connection, values: Values) -> bool:
        """True where the key was read ahead and has no row."""
        return self._found_ahead(connection, values) == []

    def _read_part(self, connection: Connection, tenant_id: int, keys: list[Key], found: dict[Key, list[Row]]) -> None:
        plan = self._plan_of_many(connection.dialect, len(keys))
        given: dict[str, Any] = {"tenant_id": tenant_id}
        for place in range(1 << (len(keys) - 1).bit_length()):
            # Filled up with nulls to a power of two, so that there are few statements to prepare.
            key = keys[place] if place < len(keys) else (None,) * len(self._key)
            given.update({f"{name}_{place}": part for name, part in zip(self._key, key, strict=True)})
        for row in rows_of(connection, plan.text, plan.arguments(given)):
            converted = plan.converted(row)
            found[tuple(converted[-len(self._key) :])].append(self._shape(*converted[: -len(self._key)]))

    def _plan_of_many(self, dialect: Dialect, count: int) -> PreparedStatement:
        size = 1 << (count - 1).bit_length()
        plan = self._many.get((dialect.name, size))
        if plan is None:
            plan = self._many[dialect.name, size] = PreparedStatement(self.clause_of_many(size), None, dialect)
        return plan

    def _found_ahead(self, connection: Connection, values: Values) -> list[Row] | None:
        ahead = connection.info.get(AHEAD)
        found = ahead.get(self) if ahead else None
        if found is None:
            return None
        rows = found.get((values["tenant_id"], *(values[name] for name in self._key)))
        return None if rows is None else list(rows)


def forget_ahead(connection: Connection) -> None:
    """Forget what was read ahead."""
    connection.info.pop(AHEAD, None)
