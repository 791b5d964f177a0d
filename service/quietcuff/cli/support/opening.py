"""Opening of a command's database: it must exist, have this program's schema, and come with the key of its trail.

Only commands that create something may create a SQLite file (``make_if_new``); every other one reports that it is missing.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path

from quietcuff.cli.support.words import say
from quietcuff.core.model.errors import StoreNotUsable
from quietcuff.settings import Settings
from quietcuff.storage.engine.database import is_sqlite, keep_to_owner, parse_url
from quietcuff.storage.engine.migrate import require_newest_schema
from quietcuff.storage.engine.store import NO_TENANT, Store, open_store
from quietcuff.storage.rows.tenants import all_tenant_ids
from quietcuff.storage.trail.keys import TrailFiles
from quietcuff.storage.trail.seals import newest_seal


@asynccontextmanager
async def opened(settings: Settings, *, for_serving: bool = False, needs_trail_key: bool = True) -> AsyncIterator[Store]:
    """The database of the settings, open while a command works.

    Raises:
        StoreNotUsable: it does not exist, its schema is not the one needed, another process serves from it, or its trail has a
        key that is not given.
        Busy: it cannot be reached.
    """
    require_there(settings.database_url)
    store = open_store(settings.database_url, for_serving=for_serving, trail=settings.trail)
    try:
        await store.read(NO_TENANT, require_newest_schema)
        if needs_trail_key:
            await require_trail_key(store, settings.trail)
        yield store
    finally:
        await store.close()


def require_there(url: str) -> None:
    """Refuse a SQLite file that does not exist, because opening it would create an empty one.

    Raises:
        StoreNotUsable: it does not exist.
    """
    parsed = parse_url(url)
    if is_sqlite(parsed) and not Path(str(parsed.database)).exists():
        raise StoreNotUsable(
            f"There is no database {parsed.database}. Name the one that is meant in QUIETCUFF_DATABASE_URL; a new one is made "
            "by quietcuff keys create, clients register, serve or database upgrade."
        )


async def require_trail_key(store: Store, files: TrailFiles) -> None:
    """Refuse to write to a trail without its key, because rows written so would look forged.

    Raises:
        StoreNotUsable: the newest seal of a tenant was made with a key that is not given.
    """
    given = {None, *(key.name for key in files.read_keys())}
    for tenant_id in await store.read(NO_TENANT, all_tenant_ids):
        seal = await store.read(tenant_id, partial(newest_seal, tenant_id=tenant_id))
        if seal is not None and seal.key_name not in given:
            raise StoreNotUsable(f"The trail is kept with the key {seal.key_name}: name its file in QUIETCUFF_TRAIL_KEY_FILE.")


def make_if_new(url: str) -> None:
    """Create a SQLite database whose file does not exist yet. An existing database is never changed."""
    parsed = parse_url(url)
    if is_sqlite(parsed) and not Path(str(parsed.database)).exists():
        from quietcuff.storage.engine.migrate import upgrade

        keep_to_owner(parsed)
        upgrade(url)
        say(f"Made a new database: {parsed.database}")
