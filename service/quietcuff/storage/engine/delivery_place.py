"""The place a database delivers from: its machine and path, or its cluster and name, and its public URL.

A copy of a database finds itself at another place, or under another URL, than its original.
"""

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
    """A place, and the public URL under which results were delivered from there; empty where none was set."""

    place: str
    public_url: str


def kept_place(dialect: str) -> Any:
    statement = insert_into(delivery_place, dialect)
    values = {name: statement.excluded[name] for name in ("place", "public_url", "set_at")}
    return statement.on_conflict_do_update(index_elements=["delivery_place_id"], set_=values)


PLACE = Query(DeliveryPlace, select(delivery_place.c.place, delivery_place.c.public_url))
KEPT = Command(kept_place)


def find_delivery_place(connection: Connection) -> DeliveryPlace | None:
    """The stored place; None where nothing was delivered yet."""
    return PLACE.first(connection, {})


def keep_delivery_place(connection: Connection, found: DeliveryPlace, at: datetime) -> None:
    """Store this as the place from now on."""
    values = {"place": found.place, "public_url": found.public_url, "set_at": at}
    KEPT.run(connection, {"delivery_place_id": THE_ONE, **values})


def present_place(connection: Connection, instance: str | None) -> str:
    """The place of the database now: for SQLite its machine and path, for PostgreSQL its cluster and name.

    ``instance`` replaces the machine's name where it is given. For PostgreSQL it is put before the cluster, because any machine
    may work on it.
    """
    if connection.dialect.name == "sqlite":
        path = Path(str(connection.engine.url.database)).resolve()
        return f"{instance or socket.gethostname()}:{path}"
    cluster = connection.exec_driver_sql("SELECT system_identifier FROM pg_control_system()").scalar_one()
    name = connection.exec_driver_sql("SELECT current_database()").scalar_one()
    return f"{instance or ''}:{cluster}/{name}"
