"""Sheets as bodies: what a request says of its sheet in the query, and the sittings of the body."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterable
from urllib.parse import parse_qsl

import msgspec
from litestar.exceptions import HTTPException

from quietcuff.api.operations import CSV, OperationParameter, OtherBody
from quietcuff.api.requests import Connection, header_of, query_of
from quietcuff.api.service import Service
from quietcuff.core.model.errors import Fault, NotAcceptable
from quietcuff.decode.ndjson import Line
from quietcuff.decode.sheet.columns import COLUMNS
from quietcuff.decode.sheet.options import DATE_ORDERS, SheetOptions, options_of, read_options
from quietcuff.decode.sheet.sheet import SheetSitting, SheetWords, read_sheet
from quietcuff.decode.sheet.table import MOST_BYTES
from quietcuff.words.sheet_words import plain_headers, plain_values

OPTIONS = ("zone", "dates", "mapping")
PARAMETERS = (
    OperationParameter(
        name="zone",
        within="query",
        schema={"type": "string", "examples": ["Europe/Vienna"]},
        description="Of a sheet: the time zone of times without an offset.",
    ),
    OperationParameter(
        name="dates",
        within="query",
        schema={"type": "string", "enum": list(DATE_ORDERS)},
        description="Of a sheet: the order of dates that are not written as 2026-05-04.",
    ),
    OperationParameter(
        name="mapping",
        within="query",
        schema={"type": "string"},
        description="Of a sheet: a mapping as JSON, with `zone`, `dates`, `columns` (from headers to our names), `values` (by "
        "column, from cells to codes), `same` (what holds in every row) and `ignore` (headers left out).",
    ),
)
BODY = OtherBody(
    schema={"type": "string", "description": "A sheet with one row a reading, at most 16 MiB and 50,000 rows."},
    examples={"a sheet of two sittings": "sheet"},
)


def is_sheet(connection: Connection) -> bool:
    """True for a body that is a sheet."""
    return (header_of(connection, "Content-Type") or "").partition(";")[0].strip().lower() == CSV


def options_in(connection: Connection) -> SheetOptions:
    """What the query says of the sheet; the parameters go before the same in the mapping.

    Raises:
        NotAcceptable: it cannot be used, or is of another route.
    """
    asked = query_of(connection, *OPTIONS, "lang")
    try:
        mapping = read_options(asked["mapping"].encode(), "json") if "mapping" in asked else SheetOptions()
    except NotAcceptable as error:
        raise _of_parameter("mapping", error) from error
    said = {name: asked[name] for name in ("zone", "dates") if name in asked}
    try:
        return options_of({**msgspec.to_builtins(mapping), **said})
    except NotAcceptable as error:
        raise _of_parameter(next(iter(said)), error) from error


def _of_parameter(name: str, error: NotAcceptable) -> NotAcceptable:
    faults = []
    for fault in error.faults:
        said = (fault.pointer or "").removeprefix("/")
        faults.append(
            Fault(parameter=said if said in OPTIONS and name != "mapping" else name, code=fault.code, detail=fault.detail)
        )
    return NotAcceptable(faults)


def speaks_of_sheet(connection: Connection) -> bool:
    """True where the query names what only a sheet has."""
    names = {name for name, _ in parse_qsl(connection.scope["query_string"].decode("latin-1"), keep_blank_values=True)}
    return not names.isdisjoint(OPTIONS)


async def sittings_in(service: Service, chunks: AsyncIterator[bytes], options: SheetOptions) -> list[SheetSitting]:
    """The sittings of a body that is a sheet.

    Raises:
        HTTPException: 413; the body is too large.
        NotReadable, NotAcceptable: as ``decode.sheet.sheet.read_sheet``.
    """
    held = bytearray()
    async for chunk in chunks:
        held += chunk
        if len(held) > MOST_BYTES:
            raise HTTPException(status_code=413)
    words = SheetWords(headers=plain_headers(service.languages, list(COLUMNS)), codes=plain_values(service.languages))
    # In a thread: the rows of a long sheet take seconds, and others wait for the loop.
    return await asyncio.to_thread(read_sheet, bytes(held), options, words, service.desk.rulebook.limits)


async def each_of(sittings: Iterable[Line]) -> AsyncIterator[Line]:
    """The sittings one after the other, as a batch takes them."""
    for sitting in sittings:
        yield sitting
