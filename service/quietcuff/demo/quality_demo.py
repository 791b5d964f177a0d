"""The demonstration of the report on measuring: an invented year goes through the flow into a database of its own, and the
report on it becomes a page."""

from __future__ import annotations

import asyncio
import gc
import tempfile
import time
from collections.abc import AsyncIterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from uuid import uuid4

import msgspec
from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from quietcuff.analytics.extras import require
from quietcuff.analytics.quality.shapes import Filters, Report
from quietcuff.analytics.quality.stored import page_of, report_stored
from quietcuff.application import AppContext, Caller, ReceivedLine, Tally, open_desk, receive_lines
from quietcuff.application.batch import by_identifier
from quietcuff.core.model.errors import DemoFailed
from quietcuff.demo.clinic_year import GROUP, PLANTED, TENANT, Json, invent_year
from quietcuff.demo.narrative import MARGIN, tell_heading
from quietcuff.rules.catalog import load_rulebook
from quietcuff.storage.engine.migrate import upgrade
from quietcuff.storage.engine.store import NO_TENANT, open_store
from quietcuff.storage.rows.tenants import find_or_create_tenant

SITTINGS = 5_000
LINES_A_CHUNK = 64
TITLE = "{title}: an invented clinic group, no real people"
NOT_REAL = "Every person, room, observer and number below is invented."


class YearReported(msgspec.Struct, frozen=True, kw_only=True):
    """The outcome of a year: how many sittings were stored, in how many seconds, and the report with its page."""

    stored: int
    storing_seconds: float
    report: Report
    page: str


def run_quality_demo(console: Console, page_file: Path, *, sittings: int = SITTINGS) -> None:
    """Invent a year, store it, report on it, write the page and tell the first paragraph.

    Raises:
        NotInstalled: the extra that reckons is missing.
        DemoFailed: a sitting was not stored.
    """
    require("analytics")
    tell_heading(console, GROUP)
    say(console, NOT_REAL, "bold")
    say(console, f"A year of about {sittings:,} sittings is evaluated and stored, each as a client's would be. Planted in it:")
    for habit in PLANTED:
        say(console, f"- {habit}")
    yesterday = datetime.now(UTC).date() - timedelta(days=1)
    with tempfile.TemporaryDirectory(prefix="quietcuff-demo-") as folder:
        told = asyncio.run(report_year(f"sqlite:///{Path(folder) / 'clinics.db'}", invent_year(sittings, yesterday), yesterday))
    page_file.write_text(told.page, encoding="utf-8")
    say(console, f"{told.stored:,} sittings were stored in {told.storing_seconds:.0f} s. What the report says first:")
    for sentence in told.report.summary:
        say(console, sentence, "bold")
    # A path must come out in one piece, however long it is.
    where = f"The whole report is the page {page_file.resolve()}. The database is gone again."
    console.print(Text(" " * MARGIN + where), soft_wrap=True)


def say(console: Console, text: str, style: str = "") -> None:
    """A paragraph inside the margins."""
    console.print(Padding(Text(text, style), (0, MARGIN, 1, MARGIN), expand=False))


async def report_year(url: str, bodies: list[Json], until: date) -> YearReported:
    """Store a year in a new database, and report on it."""
    await asyncio.to_thread(upgrade, url)
    store = open_store(url, for_serving=True)
    try:
        desk = open_desk(store, load_rulebook())
        tenant = await store.write(NO_TENANT, lambda connection: find_or_create_tenant(connection, TENANT, datetime.now(UTC)))
        began = time.monotonic()
        stored = await store_year(desk, tenant.tenant_id, bodies)
        took = time.monotonic() - began
        report = await report_stored(desk, tenant.tenant_id, Filters(until=until))
        report = msgspec.structs.replace(report, title=TITLE.format(title=report.title))
        page = await asyncio.to_thread(page_of, report, desk)
        return YearReported(stored=stored, storing_seconds=took, report=report, page=page)
    finally:
        await store.close()


async def store_year(desk: AppContext, tenant_id: int, bodies: list[Json]) -> int:
    """Send every sitting the way of an imported line; how many were stored.

    Raises:
        DemoFailed: one was not.
    """
    tally, refused = Tally(), list[Exception]()

    def tell(received: ReceivedLine) -> None:
        tally.count(received)
        if isinstance(received.outcome, Exception):
            refused.append(received.outcome)

    caller = Caller(tenant_id=tenant_id, actor="demo", request_id=str(uuid4()))
    # Nothing that is loaded by now is garbage: each look at it costs time.
    gc.freeze()
    await receive_lines(desk, caller, lines_of(bodies), by_identifier, tell, may_go_on=lambda: not refused)
    if refused:
        raise DemoFailed(f"An invented sitting was not stored ({type(refused[0]).__name__}).") from refused[0]
    return tally.stored


async def lines_of(bodies: list[Json]) -> AsyncIterator[bytes]:
    """The sittings as NDJSON, some at a time."""
    encoder = msgspec.json.Encoder()
    for start in range(0, len(bodies), LINES_A_CHUNK):
        yield encoder.encode_lines(bodies[start : start + LINES_A_CHUNK])
