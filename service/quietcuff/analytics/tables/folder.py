"""Tables in a folder of the owner's alone, with their dictionary beside them; or one table as a stream of bytes."""

from __future__ import annotations

import asyncio
import os
from collections.abc import AsyncIterator
from contextlib import ExitStack
from pathlib import Path

from quietcuff.analytics.tables.dictionary import dictionary_page, dictionary_schema
from quietcuff.analytics.tables.schema import TABLES, Table
from quietcuff.analytics.tables.streams import TablesWanted, table_rows
from quietcuff.analytics.tables.writing import Buffer, Format, require_for, table_file
from quietcuff.application.context import AppContext, HowFar, untold

OWNER_ONLY = 0o600


async def write_tables(
    desk: AppContext, wanted: TablesWanted, folder: Path, kind: Format, told: HowFar = untold
) -> dict[str, int]:
    """Write the tables wanted and the dictionary into a folder that is there and empty; how many rows each has.

    A file has its name once it is whole.

    Raises:
        NotInstalled: the packages that write Parquet are missing.
    """
    require_for(kind)
    identified = wanted.disguise.identified
    tables = tuple(table for table in TABLES if table.name in wanted.names)
    with ExitStack() as open_files:
        files = {}
        for table in tables:
            stream = open_files.enter_context(open(_new(folder / f"{table.name}.{kind}.part"), "wb"))
            files[table.name] = table_file(table, kind, stream, identified=identified)
        async for rows in table_rows(desk, wanted, told):
            for name, some in rows.items():
                files[name].add(some)
        for file in files.values():
            file.close()
    for name in files:
        (folder / f"{name}.{kind}.part").rename(folder / f"{name}.{kind}")
    _write(folder / "dictionary.md", dictionary_page(tables, identified=identified).encode())
    _write(folder / "dictionary.schema.json", dictionary_schema(tables, identified=identified))
    return {name: file.rows for name, file in files.items()}


async def stream_table(desk: AppContext, wanted: TablesWanted, table: Table, kind: Format) -> AsyncIterator[bytes]:
    """One table's bytes, as they are made."""
    buffer = Buffer()
    file = table_file(table, kind, buffer, identified=wanted.disguise.identified)
    async for rows in table_rows(desk, wanted):
        await asyncio.to_thread(file.add, rows[table.name])
        if part := buffer.take():
            yield part
    file.close()
    yield buffer.take()


def _new(path: Path) -> int:
    return os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, OWNER_ONLY)


def _write(path: Path, data: bytes) -> None:
    with open(_new(path), "wb") as stream:
        stream.write(data)
