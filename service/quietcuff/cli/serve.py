"""``quietcuff serve``: run the HTTP service.

It upgrades nothing: if the schema is not the one needed, it says so and stops. Only a missing SQLite file is created, so that a
first run needs no other command.
"""

from __future__ import annotations

import argparse
import asyncio
import atexit
import gc
import os
import shutil
import socket
import tempfile
from contextlib import nullcontext

import msgspec

from quietcuff import __version__
from quietcuff.cli.support.cores import cores
from quietcuff.cli.support.opening import make_if_new, opened
from quietcuff.cli.support.public_url import settle_public_url
from quietcuff.cli.support.resuming import add_resuming_to, why_not_deliver
from quietcuff.cli.support.tenant_work import record_in_every_trail
from quietcuff.cli.support.words import PORT_ACCEPTED, say
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.demo.bedside import FACTORY, KEY_FILE
from quietcuff.rules.catalog import load_rulebook
from quietcuff.settings import FIGURES_FOLDER, THIS_MACHINE, Settings, read_settings
from quietcuff.storage.engine.database import keep_to_owner, lock_for_serving, parse_url, refuse_several_workers
from quietcuff.storage.engine.migrate import require_row_security
from quietcuff.storage.engine.store import NO_TENANT

DECIDERS = "QUIETCUFF_DECIDERS"
SERVICE = "quietcuff.api.app:create_app_from_environment"
GRACE_SECONDS = 20
LAST_PORT = 65_535
DIGEST_SHOWN = 12


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument("--host", default="127.0.0.1", help="the address to listen on; this machine only by default")
    parser.add_argument("--port", type=int, default=8080)
    parser.add_argument("--workers", type=int, default=1, help="processes; more than one needs PostgreSQL")
    parser.add_argument(
        "--deciders",
        type=int,
        metavar="N",
        help="processes that evaluate sittings beside each worker; by default the cores that the workers leave",
    )
    # The demonstration's own: its page of a guided sitting, which uses the key in this file.
    parser.add_argument("--bedside-key-file", help=argparse.SUPPRESS)
    add_resuming_to(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Serve until stopped."""
    # The workers read their settings from the environment again.
    os.environ[DECIDERS] = str(deciders_of(arguments.deciders, arguments.workers))
    settings = read_settings(os.environ, host=arguments.host, port=arguments.port)
    refuse_several_workers(settings.database_url, arguments.workers)
    check_port(arguments.host, arguments.port)
    if settings.metrics_port:
        check_port(THIS_MACHINE, settings.metrics_port)
    share_figures(arguments.workers)
    make_if_new(settings.database_url)
    keep_to_owner(parse_url(settings.database_url))
    settings = asyncio.run(check_database(settings, resumes=arguments.resume_delivery))
    say(f"Quietcuff {__version__} at {settings.public_url}, documentation at {settings.public_url}/docs")
    # These too are others than the workers would find.
    os.environ["QUIETCUFF_PUBLIC_URL"] = settings.public_url
    os.environ["QUIETCUFF_DELIVER"] = settings.deliver
    app = SERVICE
    if arguments.bedside_key_file is not None:
        os.environ[KEY_FILE], app = arguments.bedside_key_file, FACTORY
    serve(arguments.host, arguments.port, arguments.workers, app, settings)
    return 0


async def check_database(settings: Settings, *, resumes: bool = False) -> Settings:
    """Check that the database can be served from, while a reason can still be printed plainly. Returns the settings with the
    database's public URL, and without delivery if the database may be a copy.

    Raises:
        StoreNotUsable: another process serves from it, its schema is not the one needed, row security does not apply to the
        role, the trail has a key that is not given, or the database has another public URL.
        Busy: it cannot be reached.
    """
    # Taken and given back: only the server process that starts afterwards may hold it.
    lock = lock_for_serving(parse_url(settings.database_url))
    if lock is not None:
        lock.release()
    async with opened(settings) as store:
        # A role that owns the tables or passes row security by would let a query without its tenant see every tenant.
        await store.read(NO_TENANT, require_row_security)
        settings = await settle_public_url(store, settings, os.environ)
        rules = load_rulebook().digest.removeprefix("sha256:")[:DIGEST_SHOWN]
        await record_in_every_trail(store, settings.trail, what=f"serve: rules {rules}")
        reason = await why_not_deliver(store, settings, resumes=resumes) if settings.delivers or resumes else None
    if reason is None:
        return settings
    say(reason)
    return msgspec.structs.replace(settings, deliver="off")


def deciders_of(asked: int | None, workers: int) -> int | str:
    """How many processes evaluate beside each worker: as many as the option says, or the setting, or as cores are left."""
    if asked is not None:
        return asked
    return os.environ.get(DECIDERS) or max(0, cores() // max(1, workers) - 1)


def check_port(host: str, port: int) -> None:
    """Check that the port is available, before its address is printed.

    Raises:
        NotAcceptable: not a port number, not an address of this machine, or a port in use.
    """
    try:
        if not 0 <= port <= LAST_PORT:
            raise OverflowError("no port")
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)[0]
        with socket.socket(family, kind, protocol) as trying:
            # As the server itself does; otherwise a port that was in use a moment ago would be refused.
            trying.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            trying.bind(address)
    except (OSError, OverflowError) as error:
        raise NotAcceptable.of(parameter="host and port", code="bad-setting", detail=PORT_ACCEPTED) from error


def share_figures(workers: int) -> None:
    """Name a folder in which several workers count together, for as long as they run."""
    if workers > 1 and FIGURES_FOLDER not in os.environ:
        os.environ[FIGURES_FOLDER] = folder = tempfile.mkdtemp(prefix="quietcuff-figures-")
        atexit.register(shutil.rmtree, folder, ignore_errors=True)


def serve(host: str, port: int, workers: int, app: str, settings: Settings) -> None:
    """Run the server processes. Figures of several workers are answered by the process that watches over them."""
    import uvicorn

    # Until the service is ready, which turns it on again: what is made on the way there stays.
    gc.disable()

    from quietcuff.api.bounded_http import BoundedHttp
    from quietcuff.api.logs import configure_logs
    from quietcuff.api.metrics import is_shared, together, told_on
    from quietcuff.api.traces import why_not_traced

    if (reason := why_not_traced(os.environ)) is not None:
        say(reason)
    # Here too: of several workers, this process is the one that tells of their start and end.
    configure_logs(settings.log_level)
    with told_on(settings.metrics_port, together()) if is_shared() else nullcontext():
        uvicorn.run(
            app,
            factory=True,
            http=BoundedHttp,
            host=host,
            port=port,
            workers=workers,
            lifespan="on",
            log_config=None,
            access_log=False,
            server_header=False,
            # Forwarded headers can be sent by anybody; the address of a client must not be what the client says.
            proxy_headers=False,
            timeout_keep_alive=30,
            timeout_graceful_shutdown=GRACE_SECONDS,
        )
