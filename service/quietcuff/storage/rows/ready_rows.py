"""The rows of a new set as the driver takes them, made in another process and stamped with the time of their storing."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import Connection, Dialect, make_url

from quietcuff.storage.rows import reading_sets, readings, versions
from quietcuff.storage.rows.reading_sets import SetRow
from quietcuff.storage.rows.readings import ReadingRow
from quietcuff.storage.rows.versions import AnsweredVersion, VersionRow
from quietcuff.storage.schema.base import microseconds


class ReadyRows(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """The rows of the first version of a set, whose times are those of its storing."""

    subject_id: UUID
    set_id: UUID
    set_row: list[Any]
    readings: list[list[Any]]
    version: list[Any]
    status: str


def places(row: type[msgspec.Struct], *names: str) -> tuple[int, ...]:
    return tuple(row.__struct_fields__.index(name) for name in names)


# The first version has one time.
TIMES_OF_SET = places(SetRow, "created_at", "updated_at", "touched_at", "closed_at", "mean_updated_at")
TIMES_OF_READING = places(ReadingRow, "updated_at", "pulse_updated_at", "flags_updated_at")
TIMES_OF_VERSION = places(VersionRow, "created_at")
(CLOSES_AT,) = places(VersionRow, "closes_at")
DOCUMENTS = places(VersionRow, "document", "evaluation")


@lru_cache(maxsize=2)
def dialect_of(driver: str) -> Dialect:
    """The dialect of a driver, without a connection."""
    return make_url(f"{driver}://").get_dialect()()


def ready_rows(driver: str, set_row: SetRow, rows: Sequence[ReadingRow], version: VersionRow) -> ReadyRows:
    """Rows in the form in which a driver takes them."""
    dialect = dialect_of(driver)
    of_set = reading_sets.INSERT.ready_alone(dialect, reading_sets.insert_values(set_row))
    of_version = versions.INSERT.ready_alone(dialect, versions.insert_values(version))
    of_readings = readings.INSERT.ready(dialect, list(map(msgspec.structs.astuple, rows)))
    return ReadyRows(set_row.subject_id, set_row.set_id, of_set, of_readings, of_version, set_row.status)


def insert_ready(connection: Connection, made: ReadyRows, at: datetime, idle: timedelta) -> AnsweredVersion:
    """Store the rows with the group as of this moment, and return the version as it is answered."""
    moment = instant(connection.dialect, at)
    stamp(made.set_row, TIMES_OF_SET, moment)
    stamp(made.version, TIMES_OF_VERSION, moment)
    for row in made.readings:
        stamp(row, TIMES_OF_READING, moment)
    closes_at = None
    if made.version[CLOSES_AT] is not None:
        closes_at = at + idle
        made.version[CLOSES_AT] = instant(connection.dialect, closes_at)
    reading_sets.INSERT.add_ready(connection, [made.set_row])
    readings.INSERT.add_ready(connection, made.readings)
    versions.INSERT.add_ready(connection, [made.version])
    document, evaluation = (made.version[place] for place in DOCUMENTS)
    return AnsweredVersion(
        set_id=made.set_id,
        subject_id=made.subject_id,
        version=1,
        cause="created",
        status=made.status,
        closes_at=closes_at,
        set_created_at=at,
        created_at=at,
        document=document,
        evaluation=evaluation,
    )


def instant(dialect: Dialect, at: datetime) -> Any:
    """A moment as the driver takes it."""
    return at if dialect.name == "postgresql" else microseconds(at)


def stamp(row: list[Any], times: tuple[int, ...], moment: Any) -> None:
    """Set the times that a row has."""
    for place in times:
        if row[place] is not None:
            row[place] = moment
