"""Readiness: the database is reached, has the right schema, takes writes, and has not just failed."""

from __future__ import annotations

import asyncio
import time

from sqlalchemy import Connection

from quietcuff.core.model.errors import Busy, StoreFailing, StoreNotUsable
from quietcuff.storage.engine.faults import GONE, READ_ONLY, fault_of
from quietcuff.storage.engine.migrate import require_newest_schema
from quietcuff.storage.engine.store import NO_TENANT, Store

LOOK_SECONDS = 1.0
# A lost connection is known to be lost once it is used. Readers and the writer have connections of their own, so that one may
# fail after the other while the server is well; with connections made anew the third look is told of the server itself.
LOOKS = 3
AWAY = (
    "The database cannot be reached: its server is stopped, starting, or cut off. See that it runs, and QUIETCUFF_DATABASE_URL."
)


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
                await self._look_again()
            except StoreFailing as error:
                raise StoreNotUsable(error.told) from error
            self._good_until = time.monotonic() + LOOK_SECONDS

    async def _look_again(self) -> None:
        """Look until it is plain whether the server is away, or only a connection to it was lost."""
        for left in reversed(range(LOOKS)):
            try:
                return await self._look()
            except Busy as error:
                # Without a cause it is our own queue that is full. An unknown cause is what came after a connection was lost.
                cause = error.__cause__
                if isinstance(error, StoreFailing) or cause is None or fault_of(cause) not in (GONE, None):
                    raise
                if not left:
                    raise StoreNotUsable(AWAY) from error

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
