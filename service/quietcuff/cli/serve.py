"""``quietcuff serve``: the HTTP service.

Nothing is upgraded by it: where the schema is not the one needed, it says so and stops. Only a SQLite file that is not there
yet is made, so that a first run needs no other command.
"""

from __future__ import annotations

import argparse
import asyncio
import os

from quietcuff import __version__
from quietcuff.cli.database import make_if_new
from quietcuff.cli.public_url import settle_public_url
from quietcuff.cli.words import say
from quietcuff.settings import Settings, read_settings
from quietcuff.storage.database import lock_for_serving, parse_url, refuse_several_workers
from quietcuff.storage.migrate import require_newest_schema
from quietcuff.storage.store import NO_TENANT, open_store

GRACE_SECONDS = 20


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.add_argument("--host", default="127.0.0.1", help="the address to listen on; this machine only by default")
    parser.add_argument("--port", type=int, default=8080)
    parser.add_argument("--workers", type=int, default=1, help="processes; more than one needs PostgreSQL")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Serve until stopped."""
    settings = read_settings(os.environ, host=arguments.host, port=arguments.port)
    refuse_several_workers(settings.database_url, arguments.workers)
    make_if_new(settings.database_url)
    settings = asyncio.run(check_database(settings))
    say(f"Quietcuff {__version__} at {settings.public_url}, documentation at {settings.public_url}/docs")
    # The workers read their settings from the environment again; the address alone is another than they would find.
    os.environ["QUIETCUFF_PUBLIC_URL"] = settings.public_url
    serve(arguments.host, arguments.port, arguments.workers)
    return 0


async def check_database(settings: Settings) -> Settings:
    """Make sure that the database can be served from, while the reason can still be told plainly; the settings with its public
    URL.

    Raises:
        StoreNotUsable: another process serves from it, or its schema is not the one needed, or another public URL is its.
        Busy: it cannot be reached.
    """
    lock = lock_for_serving(parse_url(settings.database_url))
    if lock is not None:
        lock.release()
    store = open_store(settings.database_url)
    try:
        await store.read(NO_TENANT, require_newest_schema)
        return await settle_public_url(store, settings, os.environ)
    finally:
        await store.close()


def serve(host: str, port: int, workers: int) -> None:
    """Run the server processes."""
    import uvicorn

    uvicorn.run(
        "quietcuff.api.app:create_app_from_environment",
        factory=True,
        host=host,
        port=port,
        workers=workers,
        lifespan="on",
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_keep_alive=30,
        timeout_graceful_shutdown=GRACE_SECONDS,
    )
