"""``quietcuff deliver``: a worker that delivers stored results; any number of workers share the work."""

from __future__ import annotations

import argparse
import asyncio
import os
import signal
from datetime import UTC, datetime

from quietcuff.api.logs import configure_logs, log_failure
from quietcuff.application.context import Tenants
from quietcuff.cli.support.opening import opened
from quietcuff.cli.support.public_url import settle_public_url
from quietcuff.cli.support.resuming import add_resuming_to, why_not_deliver
from quietcuff.cli.support.words import say
from quietcuff.core.model.errors import StoreNotUsable
from quietcuff.delivery.worker import hired
from quietcuff.settings import Settings, read_settings


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = (
        "Runs until it is stopped, at any moment: nothing is lost. Several may run on PostgreSQL. With SQLite the "
        "serving process does this by itself."
    )
    parser.add_argument("--once", action="store_true", help="send what is due now, then end")
    add_resuming_to(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Deliver until stopped, or once."""
    settings = read_settings(os.environ)
    configure_logs(settings.log_level)
    tried = asyncio.run(deliver(settings, once=arguments.once, resumes=arguments.resume_delivery))
    if arguments.once:
        say(f"{tried} sent or tried.")
    return 0


async def deliver(settings: Settings, *, once: bool, resumes: bool = False) -> int:
    """Deliver, and return the number of entries tried.

    Raises:
        StoreNotUsable: the schema is not the one needed, or the database may be a copy.
        Busy: the database cannot be reached.
    """

    def clock() -> datetime:
        return datetime.now(UTC)

    async with opened(settings) as store:
        settings = await settle_public_url(store, settings, os.environ)
        reason = await why_not_deliver(store, settings, resumes=resumes)
        if reason is not None:
            raise StoreNotUsable(reason)
        address, allowed = settings.public_url, settings.deliver_to
        work = hired(store, Tenants(store, clock), clock, public_url=address, deliver_to=allowed, log=log_failure)
        async with work as worker:
            if once:
                return await worker.work_off()
            task = asyncio.create_task(worker.run())
            # Cancelled at any moment: what was taken and not marked as sent is sent by the next worker.
            for wanted in (signal.SIGINT, signal.SIGTERM):
                asyncio.get_running_loop().add_signal_handler(wanted, task.cancel)
            await asyncio.wait([task])
            return 0
