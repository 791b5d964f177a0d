"""The database's time, to compare a machine's clock with."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection, func, select

from quietcuff.storage.engine.statements import Query, single
from quietcuff.storage.schema.trail import trail

NEWEST: Query[datetime | None] = Query(single, select(func.max(trail.c.at)))
NOW: Query[datetime | None] = Query(single, select(func.clock_timestamp()))


def database_time(connection: Connection) -> tuple[datetime | None, bool]:
    """The time of a server, and True; the newest moment in a SQLite file's trail, if any, and False."""
    is_running = connection.dialect.name != "sqlite"
    return (NOW if is_running else NEWEST).all(connection, {})[0], is_running
