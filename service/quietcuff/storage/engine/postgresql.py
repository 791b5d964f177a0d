"""Opening a PostgreSQL database.

Apart from SQLite, because SQLAlchemy's engine for it brings its mapper along, which nothing here uses and takes long to load.
"""

from __future__ import annotations

from sqlalchemy import URL
from sqlalchemy.ext.asyncio import AsyncEngine, create_async_engine

from quietcuff.storage.engine import database
from quietcuff.storage.schema.base import tell_postgresql
from quietcuff.storage.schema.sittings import EVERY_TABLE


def open_postgresql(url: URL, *, writes: bool, pool_size: int) -> AsyncEngine:
    """A PostgreSQL engine with time-outs on everything. A reader sees one snapshot and cannot write."""
    tell_postgresql(EVERY_TABLE)
    limits = {
        "application_name": "quietcuff",
        "statement_timeout": f"{database.STATEMENT_SECONDS}s",
        "lock_timeout": f"{database.LOCK_SECONDS}s",
        "idle_in_transaction_session_timeout": f"{database.IDLE_SECONDS}s",
        # The statements are short: compiling them would cost more time than it saves.
        "jit": "off",
    }
    engine = create_async_engine(
        url,
        pool_size=pool_size,
        max_overflow=0,
        pool_pre_ping=False,
        pool_timeout=database.POOL_SECONDS,
        connect_args={"server_settings": limits, "timeout": database.LOCK_SECONDS},
    )
    if writes:
        return engine
    # One work reads with several statements, and all of them must see the same moment.
    return engine.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
