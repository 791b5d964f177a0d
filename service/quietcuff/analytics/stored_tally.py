"""Counts of what the rules in force say of everything that is stored: Parquet parts, and the kernel over each of them.

The parts are written first, so that each is counted by whoever comes to it: this process, further ones, or a Dask cluster. The
numbers are whole and add up to the same total in any order. Parts hold what was measured, and nothing that says who it is; they
go when the counting ends.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import aclosing
from pathlib import Path
from tempfile import TemporaryDirectory

import msgspec

from quietcuff.analytics.cluster import connect, tally_with
from quietcuff.analytics.columns.tally import AnswerTally, Told, tally_parts, write_part
from quietcuff.analytics.follow_ups.people import whole_people
from quietcuff.application.context import AppContext
from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.readings import ReadingSet
from quietcuff.storage.rows.analysis_pages import AnalysedSet

SETS_A_PART = 5_000
SET = DocumentDecoder(ReadingSet)


class TallyEngine(msgspec.Struct, frozen=True, kw_only=True):
    """Processes of this machine, or the cluster at an address, to count. The workers of a cluster must find ``folder``, in
    which the parts are written for the while; None for the system's own folder for such files."""

    processes: int = 1
    cluster: str | None = None
    folder: Path | None = None


async def tally_stored(desk: AppContext, tenant_id: int, engine: TallyEngine, told: Told) -> AnswerTally:
    """The tally of all sets of a tenant that are not voided, the same whoever counts.

    Raises:
        NotAcceptable: nobody answers at the cluster's address.
    """
    # Before the parts are written, which may take long.
    client = None if engine.cluster is None else await asyncio.to_thread(connect, engine.cluster)
    try:
        with TemporaryDirectory(prefix="quietcuff-parts-", dir=engine.folder) as folder:
            parts = [part async for part in write_stored(desk, tenant_id, Path(folder))]
            if client is not None:
                return await asyncio.to_thread(tally_with, client, desk.rulebook, parts, told)
            return await asyncio.to_thread(tally_parts, desk.rulebook, parts, told, processes=engine.processes)
    finally:
        if client is not None:
            await asyncio.to_thread(client.close)


async def write_stored(desk: AppContext, tenant_id: int, folder: Path) -> AsyncIterator[Path]:
    """The parts of all sets, person by person, as they are written."""
    held: list[AnalysedSet] = []
    number = 0
    async with aclosing(whole_people(desk, tenant_id)) as pages:
        async for people in pages:
            held += [one for sets in people for one in sets]
            while len(held) >= SETS_A_PART:
                yield await asyncio.to_thread(_write, held[:SETS_A_PART], folder / f"part-{number:05}.parquet")
                held, number = held[SETS_A_PART:], number + 1
    if held:
        yield await asyncio.to_thread(_write, held, folder / f"part-{number:05}.parquet")


def _write(stored: list[AnalysedSet], path: Path) -> Path:
    sets = (SET.decode(one.document) for one in stored)
    return write_part(((str(place), one, one.history) for place, one in enumerate(sets)), path)
