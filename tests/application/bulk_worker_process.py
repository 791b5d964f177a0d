"""A process that works on exports until it is killed: ``python bulk_worker_process.py DATABASE_URL SETS_A_PAGE``.

It says that it is ready once it looks for work.
"""

from __future__ import annotations

import asyncio
import contextlib
import sys

from quietcuff import application
from quietcuff.application.bulk.worker import ExportLimits, ExportWorker
from quietcuff.core.model.errors import Busy
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.bulk import pages
from quietcuff.storage.engine.store import open_store


async def main(url: str) -> None:
    desk = application.open_desk(open_store(url), load_rulebook())
    worker = ExportWorker(desk, "https://bp.example.org", ExportLimits(lease_seconds=1))
    print("ready", flush=True)
    while True:
        with contextlib.suppress(Busy):
            await worker.work()
        await asyncio.sleep(0.05)


if __name__ == "__main__":
    pages.SETS_A_PAGE = int(sys.argv[2])
    asyncio.run(main(sys.argv[1]))
