"""``quietcuff import``: a file of sittings, one a line, straight into the database that the environment names.

It can be stopped anywhere and run again: what is stored already is found and not stored twice.

What ``quietcuff import`` tells: of each line, into files where they were asked for; of all, to the person.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import os
import time
from collections.abc import AsyncIterator
from contextlib import ExitStack
from typing import BinaryIO
from uuid import uuid4

import msgspec

from quietcuff import application
from quietcuff.api.problems import Problem
from quietcuff.api.routes.batches import RefusedLine, last_line, line_of
from quietcuff.application import Caller, Known, ReceivedLine, Tally
from quietcuff.application.batch import by_identifier, by_identifier_or_content
from quietcuff.cli.support.input_file import InputFile
from quietcuff.cli.support.opening import opened, require_there
from quietcuff.cli.support.progress import HowFar
from quietcuff.cli.support.tenant_work import named, note_command
from quietcuff.cli.support.words import ARRAY_GIVEN, say
from quietcuff.core.model.errors import Busy, Conflict, Fault, NotAcceptable, NotFound, NotReadable
from quietcuff.decode.ndjson import MAX_BYTES, Line
from quietcuff.rules.catalog import load_rulebook
from quietcuff.settings import Settings, read_settings
from quietcuff.storage.engine.store import NO_TENANT

DONE, FAILED, LINES_REFUSED, INTERRUPTED = 0, 1, 3, 130
MOST_SHOWN = 10
GO_ON = "Run it again to go on: what is stored is not stored twice."
# What lies in the line itself. Anything else lies in the service or its database, and would happen to every line.
FAULTS_OF_LINES = (NotReadable, NotAcceptable, NotFound, Conflict)

ENCODER = msgspec.json.Encoder()


class KeptLine(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A refused line with its problem, to be mended and sent again: its text, or its bytes where they are no UTF-8. One that
    is too long was not read whole: only its number is told."""

    line: int
    problem: Problem
    text: str | None = None
    base64: bytes | None = None


class Teller:
    """Tells what comes of the lines. ``failure`` is what would fail for every line; the file need not be read further."""

    def __init__(self, refused: BinaryIO | None, answers: BinaryIO | None) -> None:
        self.request_id = str(uuid4())
        self.failure: Exception | None = None
        self._refused, self._answers = refused, answers
        self._tally = Tally()
        self._began = time.monotonic()

    def tell(self, received: ReceivedLine) -> None:
        """Tell of one line."""
        outcome = received.outcome
        if isinstance(outcome, Exception) and not isinstance(outcome, FAULTS_OF_LINES):
            self.failure = self.failure or outcome
            return
        self._tally.count(received)
        if self._answers is None and not isinstance(outcome, Exception):
            return
        told = line_of(received, self.request_id)
        if self._answers is not None:
            write(self._answers, told)
        if isinstance(told, RefusedLine):
            self._tell_refused(received.line, told)

    def end(self) -> int:
        """Tell the sum, or why there is none; the exit code."""
        if self.failure is not None:
            return self._stop(reason_of(self.failure), FAILED)
        if self._answers is not None:
            write(self._answers, last_line(self._tally, is_whole=True))
        say(self._sum())
        return LINES_REFUSED if self._tally.refused else DONE

    def interrupted(self) -> int:
        """Tell how far it came; the exit code."""
        return self._stop("Interrupted.", INTERRUPTED)

    def _stop(self, reason: str, code: int) -> int:
        say(f"{reason} So far {self._sum()} {GO_ON}")
        return code

    def _sum(self) -> str:
        tally, seconds = self._tally, time.monotonic() - self._began
        counts = f"{tally.stored:,} stored, {tally.replayed:,} stored before, {tally.refused:,} refused"
        return f"{tally.lines:,} lines: {counts}; {seconds:.0f} s, {tally.lines / seconds:,.0f} a second."

    def _tell_refused(self, line: Line, told: RefusedLine) -> None:
        if self._refused is not None:
            write(self._refused, kept_line(line, told.problem))
        elif self._tally.refused <= MOST_SHOWN:
            faults = [f"{fault.pointer or 'the line'}: {fault.code}." for fault in told.problem.errors]
            say(f"Line {line.number} is refused. {' '.join(faults)}")


def kept_line(line: Line, problem: Problem) -> KeptLine:
    """The line as it is kept."""
    if len(line.text) > MAX_BYTES:
        return KeptLine(line=line.number, problem=problem)
    try:
        return KeptLine(line=line.number, problem=problem, text=line.text.decode())
    except UnicodeDecodeError:
        return KeptLine(line=line.number, problem=problem, base64=line.text)


def reason_of(failure: Exception) -> str:
    """Why the command cannot go on, without a word that might quote a value."""
    if isinstance(failure, Busy):
        return "Stopped: the database cannot be reached, or is locked by somebody else."
    return f"Stopped by an error that nobody foresaw ({type(failure).__name__})."


def write(file: BinaryIO, line: msgspec.Struct) -> None:
    """One more line of NDJSON."""
    file.write(ENCODER.encode(line) + b"\n")


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
        source = InputFile(arguments.file)
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
    settings: Settings, tenant_name: str, source: InputFile, known: Known, teller: Teller, how_far: HowFar
) -> None:
    """Send every line through the flow."""

    def tell(received: ReceivedLine) -> None:
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


async def until_failure(source: InputFile, teller: Teller) -> AsyncIterator[bytes]:
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
