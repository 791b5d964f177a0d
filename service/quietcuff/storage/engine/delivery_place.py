"""Where a database delivers from. A copy finds itself elsewhere, or under another address, than its original was."""

from __future__ import annotations

import socket
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec
from sqlalchemy import Connection, select

from quietcuff.storage.engine.statements import Command, Query, insert_into
from quietcuff.storage.schema.delivery import delivery_place

THE_ONE = 1


class DeliveryPlace(msgspec.Struct, frozen=True):
    """A place, and the public URL under which it was delivered from there; empty where none was set."""

    place: str
    public_url: str


def kept_place(dialect: str) -> Any:
    statement = insert_into(delivery_place, dialect)
    values = {name: statement.excluded[name] for name in ("place", "public_url", "set_at")}
    return statement.on_conflict_do_update(index_elements=["delivery_place_id"], set_=values)


PLACE = Query(DeliveryPlace, select(delivery_place.c.place, delivery_place.c.public_url))
KEPT = Command(kept_place)


def find_delivery_place(connection: Connection) -> DeliveryPlace | None:
    """The place that holds; None where nothing was delivered yet."""
    return PLACE.first(connection, {})


def keep_delivery_place(connection: Connection, found: DeliveryPlace, at: datetime) -> None:
    """From now on this is the place."""
    values = {"place": found.place, "public_url": found.public_url, "set_at": at}
    KEPT.run(connection, {"delivery_place_id": THE_ONE, **values})


def present_place(connection: Connection, instance: str | None) -> str:
    """Where the database is now: a SQLite file by its machine and path, a PostgreSQL database by its cluster and name.
    ``instance`` stands for the machine where it is given; PostgreSQL, which any machine may work on, has it beside."""
    if connection.dialect.name == "sqlite":
        path = Path(str(connection.engine.url.database)).resolve()
        return f"{instance or socket.gethostname()}:{path}"
    cluster = connection.exec_driver_sql("SELECT system_identifier FROM pg_control_system()").scalar_one()
    name = connection.exec_driver_sql("SELECT current_database()").scalar_one()
    return f"{instance or ''}:{cluster}/{name}"
