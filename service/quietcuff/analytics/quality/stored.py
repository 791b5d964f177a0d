"""The report on what is stored: sittings read page by page into tables, then the statistics in a thread of their own.

Numeric libraries are loaded when the first report is made.
"""

from __future__ import annotations

import asyncio
from typing import Any

from quietcuff.analytics.extras import require
from quietcuff.analytics.quality.shapes import Filters, Report
from quietcuff.analytics.tables.arrow import arrow_schema
from quietcuff.analytics.tables.disguise import Disguise
from quietcuff.analytics.tables.schema import READINGS, SETS, Table
from quietcuff.analytics.tables.streams import TablesWanted, table_rows
from quietcuff.application.context import AppContext, HowFar, untold

# Dates must be true, or months and days would mean nothing; who a person is never reaches the report.
TRUE_DATES = Disguise(secret=b"", identified=True)


async def report_stored(desk: AppContext, tenant_id: int, filters: Filters, told: HowFar = untold) -> Report:
    """The report on a tenant's sittings.

    Raises:
        NotInstalled: there is nothing to reckon with.
    """
    require("analytics")
    sets, readings = await stored_tables(desk, tenant_id, told)
    return await asyncio.to_thread(_report, sets, readings, filters, desk)


async def stored_tables(desk: AppContext, tenant_id: int, told: HowFar = untold) -> tuple[Any, Any]:
    """The tables ``sets`` and ``readings`` of a tenant, with the columns that the report takes."""
    from quietcuff.analytics.quality.sets import READING_COLUMNS, SET_COLUMNS

    wanted = TablesWanted(tenant_id=tenant_id, names=["sets", "readings"], disguise=TRUE_DATES)
    gathered = {SETS.name: Gathered(SETS, SET_COLUMNS), READINGS.name: Gathered(READINGS, READING_COLUMNS)}
    async for rows in table_rows(desk, wanted, told):
        for name, some in rows.items():
            await asyncio.to_thread(gathered[name].add, some)
    return gathered[SETS.name].table(), gathered[READINGS.name].table()


class Gathered:
    """Rows of a table gathered as Arrow batches, some columns of them."""

    def __init__(self, table: Table, columns: tuple[str, ...]) -> None:
        import pyarrow as pa

        whole = arrow_schema(table, identified=True)
        self._schema = pa.schema([whole.field(name) for name in columns if name in whole.names])
        self._batches: list[Any] = []

    def add(self, rows: list[dict[str, Any]]) -> None:
        """Keep some rows."""
        import pyarrow as pa

        columns = [pa.array([row[field.name] for row in rows], field.type) for field in self._schema]
        self._batches.append(pa.RecordBatch.from_arrays(columns, schema=self._schema))

    def table(self) -> Any:
        """All rows."""
        import pyarrow as pa

        return pa.Table.from_batches(self._batches, schema=self._schema)


def _report(sets: Any, readings: Any, filters: Filters, desk: AppContext) -> Report:
    from quietcuff.analytics.quality.report import report_on
    from quietcuff.analytics.quality.words import load_quality_rules

    return report_on(sets, readings, filters, load_quality_rules(desk.rulebook), desk.rulebook)


def page_of(report: Report, desk: AppContext) -> str:
    """The report as a page."""
    from quietcuff.analytics.quality.page import quality_page
    from quietcuff.analytics.quality.words import load_quality_rules

    return quality_page(report, load_quality_rules(desk.rulebook))
