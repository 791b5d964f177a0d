"""Readiness: the database is reached, has the right schema, takes writes, and has not just failed."""

from __future__ import annotations

import asyncio
import time

from sqlalchemy import Connection

from quietcuff.core.model.errors import StoreFailing, StoreNotUsable
from quietcuff.storage.engine.faults import READ_ONLY
from quietcuff.storage.engine.migrate import require_newest_schema
from quietcuff.storage.engine.store import NO_TENANT, Store

LOOK_SECONDS = 1.0


class Readiness:
    """A check of the database that looks at most once a second, however many ask.

    The route is open to everybody, and each look costs a commit.
    """

    def __init__(self, store: Store) -> None:
        self._store = store
        self._lock = asyncio.Lock()
        self._good_until = 0.0

    async def require(self) -> None:
        """Make sure that the database can be served from.

        Raises:
            StoreNotUsable: it cannot, and somebody must do something.
            Busy: not just now.
        """
        async with self._lock:
            if time.monotonic() < self._good_until:
                return
            try:
                await self._look()
            except StoreFailing as error:
                raise StoreNotUsable(error.told) from error
            self._good_until = time.monotonic() + LOOK_SECONDS

    async def _look(self) -> None:
        if self._store.trouble is not None:
            raise self._store.trouble
        await self._store.read(NO_TENANT, require_newest_schema)
        await self._store.write(NO_TENANT, require_writable)


def require_writable(connection: Connection) -> None:
    """Make the database do its smallest write.

    Raises:
        StoreFailing: it is a standby, or read-only for another reason.
    """
    if connection.dialect.name == "sqlite":
        # The file's own number, which nobody reads, is set to the value it has: one page goes through the log to the disk.
        number = int(connection.exec_driver_sql("PRAGMA user_version").scalar_one())
        connection.exec_driver_sql(f"PRAGMA user_version = {number}")
        return
    asked = "SELECT pg_is_in_recovery() OR current_setting('transaction_read_only')::boolean"
    if connection.exec_driver_sql(asked).scalar_one():
        raise StoreFailing(READ_ONLY.code, READ_ONLY.told, READ_ONLY.retry_after_seconds)
