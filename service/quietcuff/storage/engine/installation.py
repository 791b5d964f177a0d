"""The public URL of a database: links and published identifiers begin with it, whichever process writes them."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import Connection, select

from quietcuff.storage.engine.statements import Command, Query, insert_into, single
from quietcuff.storage.schema.tenants import installation

THE_ONE = 1


def _first(dialect: str) -> Any:
    return insert_into(installation, dialect).on_conflict_do_nothing()


def moved_url(dialect: str) -> Any:
    statement = insert_into(installation, dialect)
    values = {name: statement.excluded[name] for name in ("public_url", "set_at")}
    return statement.on_conflict_do_update(index_elements=["installation_id"], set_=values)


PUBLIC_URL: Query[str] = Query(single, select(installation.c.public_url))
FIRST, MOVED = Command(_first), Command(moved_url)


def find_public_url(connection: Connection) -> str | None:
    """The public URL; None where none was set yet."""
    return PUBLIC_URL.first(connection, {})


def keep_public_url(connection: Connection, public_url: str, at: datetime) -> str:
    """Set the public URL where none was set yet; the stored one is returned."""
    FIRST.run(connection, {"installation_id": THE_ONE, "public_url": public_url, "set_at": at})
    # Read back, because another process may have set another URL first.
    return find_public_url(connection) or public_url


def move_public_url(connection: Connection, public_url: str, at: datetime) -> None:
    """Set the public URL, whether or not one was set before."""
    MOVED.run(connection, {"installation_id": THE_ONE, "public_url": public_url, "set_at": at})
