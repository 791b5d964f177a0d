"""While the application runs: every half minute, open sets in which nothing arrives any more are closed."""

from __future__ import annotations

import asyncio
from uuid import uuid4

from quietcuff import ingest
from quietcuff.api.logs import log_failure

SECONDS_BETWEEN = 30


async def sweep_forever(desk: ingest.Desk, seconds_between: float = SECONDS_BETWEEN) -> None:
    """Close idle sets again and again. A sweep that fails is logged, and the next one comes all the same."""
    while True:
        try:
            await ingest.close_idle_sets(desk)
        except Exception as error:
            log_failure(error, str(uuid4()))
        await asyncio.sleep(seconds_between)
