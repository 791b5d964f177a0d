"""The metadata of all tables, and the column types for ids and instants.

Keys and indexes get their names from the metadata. The two column types are spelled differently in SQLite and PostgreSQL.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from importlib import import_module
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import (
    BigInteger,
    Column,
    ColumnElement,
    Dialect,
    LargeBinary,
    MetaData,
    SmallInteger,
    String,
    Table,
    TypeDecorator,
)
from sqlalchemy.types import TypeEngine

metadata = MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    }
)


WHERE = "where"
DECODE_ID = msgspec.msgpack.Decoder(UUID).decode
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MICROSECOND = timedelta(microseconds=1)
SECONDS_A_DAY, MICROSECONDS_A_SECOND = 86_400, 1_000_000


def types_of(dialect: Dialect) -> Any:
    """The module of a database's own types, which is loaded for that database only."""
    return import_module(f"sqlalchemy.dialects.{dialect.name}")


class Id(TypeDecorator[UUID]):
    """A UUID: ``uuid`` on PostgreSQL, its 16 bytes on SQLite."""

    impl = LargeBinary(16)
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        return dialect.type_descriptor(
            types_of(dialect).UUID(as_uuid=True) if dialect.name == "postgresql" else LargeBinary(16)
        )

    def process_bind_param(self, value: UUID | None, dialect: Dialect) -> Any:
        return value if value is None or dialect.name == "postgresql" else id_to_bytes(value)

    def process_result_value(self, value: Any, dialect: Dialect) -> UUID | None:
        return value if value is None or dialect.name == "postgresql" else id_of_bytes(value)


class Instant(TypeDecorator[datetime]):
    """A moment in UTC: ``timestamptz`` on PostgreSQL, microseconds since 1970 on SQLite."""

    impl = BigInteger
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        return dialect.type_descriptor(
            types_of(dialect).TIMESTAMP(timezone=True) if dialect.name == "postgresql" else BigInteger()
        )

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> Any:
        return value if value is None or dialect.name == "postgresql" else microseconds(value)

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        # asyncpg already gives a datetime in UTC.
        if value is None or dialect.name == "postgresql":
            moment: datetime | None = value
            return moment
        return from_microseconds(value)


def id_to_bytes(value: UUID) -> bytes:
    # As ``value.bytes``, without its way through two properties.
    return value.int.to_bytes(16, "big")


# The rows of one answer name the same few people, sets and moments again and again.
@lru_cache(maxsize=1024)
def id_of_bytes(value: bytes) -> UUID:
    # As 16 bytes of MessagePack: ``UUID(bytes=value)`` takes ten times as long, and each set has an id of its own.
    return DECODE_ID(b"\xc4\x10" + value)


@lru_cache(maxsize=1024)
def from_microseconds(value: int) -> datetime:
    """The moment a number of microseconds after the start of 1970, in UTC."""
    return EPOCH + value * MICROSECOND


def microseconds(moment: datetime) -> int:
    """Whole microseconds since 1970, exact for any aware datetime."""
    since = moment - EPOCH
    # Not divided by a microsecond, which takes a third longer.
    return (since.days * SECONDS_A_DAY + since.seconds) * MICROSECONDS_A_SECOND + since.microseconds


def where(condition: ColumnElement[bool]) -> dict[str, Any]:
    """The condition of an index over some rows only, the same on both databases."""
    # An option of PostgreSQL would load its dialect and its driver, on SQLite too: see tell_postgresql.
    return {"sqlite_where": condition, "info": {WHERE: condition}}


def tell_postgresql(tables: Iterable[Table]) -> None:
    """Give the indexes over some rows their condition on PostgreSQL as well, once that is opened."""
    for table in tables:
        for index in table.indexes:
            if WHERE in index.info:
                index.dialect_options["postgresql"]["where"] = index.info[WHERE]


def lease_columns() -> tuple[Column[Any], ...]:
    """The columns of a job that say who wants it, and who works on it until when."""
    return (
        Column("created_by", String(255), nullable=False),
        Column("created_at", Instant, nullable=False),
        Column("worker", Id, doc="the process that works on it, until lease_until"),
        Column("lease_until", Instant),
        Column("attempts", SmallInteger, nullable=False, doc="since anything was last committed"),
    )
