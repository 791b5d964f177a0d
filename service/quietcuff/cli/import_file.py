"""``quietcuff import``: a file of sittings, one a line, straight into the database that the environment names.

It can be stopped anywhere and run again: what is stored already is found and not stored twice.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import os
from collections.abc import AsyncIterator
from contextlib import ExitStack
from typing import BinaryIO

from quietcuff import application
from quietcuff.application import Caller, Known, Received
from quietcuff.application.batch import by_identifier, by_identifier_or_content
from quietcuff.cli.import_teller import Teller
from quietcuff.cli.support.input_file import Source
from quietcuff.cli.support.opening import opened, require_there
from quietcuff.cli.support.progress import HowFar
from quietcuff.cli.support.tenant_work import named, note_command
from quietcuff.cli.support.words import ARRAY_GIVEN
from quietcuff.core.model.errors import Fault, NotReadable
from quietcuff.rules.catalog import load_rulebook
from quietcuff.settings import Settings, read_settings
from quietcuff.storage.engine.store import NO_TENANT

ACTOR = "import"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """What the command takes."""
    parser.description = (
        "Evaluate and store the reading set on each line of NDJSON, straight into the database, without a server. "
        "Stopped and run again, it stores nothing twice. Ends with 0 when every line is stored, 3 when some were refused, "
        "1 when it could not go on."
    )
    parser.add_argument("file", metavar="FILE", help="a file, compressed where its name ends in .gz, or - for standard input")
    parser.add_argument("--tenant", required=True, help="whose data it is; a tenant is made with its first key")
    parser.add_argument(
        "--key-by-content", action="store_true", help="take lines without an identifier too, known by all that they say"
    )
    parser.add_argument("--refused", metavar="FILE", help="write each refused line here, with its problem, as NDJSON")
    parser.add_argument("--answers", metavar="FILE", help="write what came of each line here, as a batch answers it")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Import the file; the exit code."""
    settings = read_settings(os.environ)
    require_there(settings.database_url)
    known = by_identifier_or_content if arguments.key_by_content else by_identifier
    with ExitStack() as opened:
        source = Source(arguments.file)
        opened.callback(source.close)
        refused = opened.enter_context(open_private(arguments.refused)) if arguments.refused else None
        answers = opened.enter_context(open_private(arguments.answers)) if arguments.answers else None
        teller = Teller(refused, answers)
        try:
            with HowFar(source) as how_far:
                asyncio.run(import_all(settings, arguments.tenant, source, known, teller, how_far))
        except KeyboardInterrupt:
            return teller.interrupted()
        return teller.end()


async def import_all(
    settings: Settings, tenant_name: str, source: Source, known: Known, teller: Teller, how_far: HowFar
) -> None:
    """Send every line through the flow."""

    def tell(received: Received) -> None:
        teller.tell(received)
        how_far.count()

    async with opened(settings, for_serving=True) as store:
        tenant = await store.read(NO_TENANT, lambda snapshot: named(snapshot, tenant_name))
        desk = application.open_desk(store, load_rulebook())
        caller = Caller(tenant_id=tenant.tenant_id, actor=ACTOR, request_id=teller.request_id)
        await note_command(desk, caller)
        gc.freeze()
        try:
            await application.receive_lines(desk, caller, until_failure(source, teller), known, tell)
        except Exception as error:
            if error is not teller.failure:
                raise


def refuse_array(first: bytes) -> None:
    """Refuse a file that is one JSON array, before each of its lines is refused by itself.

    Raises:
        NotReadable: it begins as an array does.
    """
    if first.lstrip().startswith(b"["):
        raise NotReadable(Fault(pointer="", code="wrong-type", detail=ARRAY_GIVEN))


async def until_failure(source: Source, teller: Teller) -> AsyncIterator[bytes]:
    """The file's bytes, until something fails that would fail for every line.

    Raises:
        NotReadable: it is an array.
        Exception: what failed.
    """
    is_begun = False
    async for chunk in source.chunks():
        if not is_begun and chunk.strip():
            is_begun = True
            refuse_array(chunk)
        if teller.failure is not None:
            raise teller.failure
        yield chunk


def open_private(name: str) -> BinaryIO:
    """A new file for its owner alone, for it will hold readings of people."""
    return open(name, "wb", opener=lambda path, flags: os.open(path, flags, 0o600))
