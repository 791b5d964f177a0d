"""``quietcuff import``: store a file of sittings, one a line, straight into the database; safe to stop and run again.

Lines that are stored already are recognised and not stored twice. The outcome of each line goes into files if they were asked
for, the totals to the person at the terminal.
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
from quietcuff.answered import Problem
from quietcuff.application import Caller, Known, ReceivedLine, Tally
from quietcuff.application.batch import MOST_LINES_HELD, by_identifier, by_identifier_or_content, lines_of
from quietcuff.application.deciders import Deciders
from quietcuff.application.garbage import look_seldom
from quietcuff.cli.support.cores import cores
from quietcuff.cli.support.desk import note_command
from quietcuff.cli.support.input_file import InputFile
from quietcuff.cli.support.opening import opened, require_there
from quietcuff.cli.support.progress import LineProgress
from quietcuff.cli.support.sheets import add_sheet_options, is_sheet, options_from, sittings_of
from quietcuff.cli.support.tenant_work import named
from quietcuff.cli.support.words import ARRAY_GIVEN, say
from quietcuff.core.model.errors import Busy, Conflict, Fault, NotAcceptable, NotFound, NotReadable
from quietcuff.decode.ndjson import MAX_BYTES, Line
from quietcuff.decode.sheet.table import MOST_BYTES as MOST_SHEET_BYTES
from quietcuff.report.faults import place_of
from quietcuff.rules.catalog import load_rulebook
from quietcuff.settings import Settings, read_settings
from quietcuff.storage.engine.store import NO_TENANT
from quietcuff.words.languages import load_languages

DONE, FAILED, LINES_REFUSED, INTERRUPTED = 0, 1, 3, 130
MOST_SHOWN = 10
# More than a server holds of a batch, where others' requests would wait for them.
LINES_HELD = 2 * MOST_LINES_HELD
GO_ON = "Run it again to go on: what is stored is not stored twice."
# What lies in the line itself. Anything else lies in the service or its database, and would happen to every line.
FAULTS_OF_LINES = (NotReadable, NotAcceptable, NotFound, Conflict)

ENCODER = msgspec.json.Encoder()


class KeptLine(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A refused line with its problem, to be corrected and sent again: its text, or its bytes if they are not UTF-8. A line
    that is too long was not read whole, so it has only its number."""

    line: int
    problem: Problem
    text: str | None = None
    base64: bytes | None = None


class OutcomeReporter:
    """Reports the outcomes of the lines. ``failure`` is an error that would hit every line, so the rest need not be read."""

    def __init__(self, refused: BinaryIO | None, answers: BinaryIO | None) -> None:
        self.request_id = str(uuid4())
        self.failure: Exception | None = None
        self._refused, self._answers = refused, answers
        self._tally = Tally()
        self._began = time.monotonic()

    def tell(self, received: ReceivedLine) -> None:
        """Report one line."""
        outcome = received.outcome
        if isinstance(outcome, Exception) and not isinstance(outcome, FAULTS_OF_LINES):
            self.failure = self.failure or outcome
            return
        self._tally.count(received)
        if self._answers is None and not isinstance(outcome, Exception):
            return
        # Loaded only here: it brings the web framework along, which takes a third of a start.
        from quietcuff.api.routes.batches import RefusedLine, line_of

        told = line_of(received, self.request_id)
        if self._answers is not None:
            write(self._answers, told)
        if isinstance(told, RefusedLine):
            self._tell_refused(received.line, told.problem)

    def end(self) -> int:
        """Report the totals, or the reason for stopping, and return the exit code."""
        if self.failure is not None:
            return self._stop(reason_of(self.failure), FAILED)
        if self._answers is not None:
            from quietcuff.api.routes.batches import last_line

            write(self._answers, last_line(self._tally, is_whole=True))
        say(self._sum())
        return LINES_REFUSED if self._tally.refused else DONE

    def interrupted(self) -> int:
        """Report an interruption and return the exit code."""
        return self._stop("Interrupted.", INTERRUPTED)

    def _stop(self, reason: str, code: int) -> int:
        say(f"{reason} So far {self._sum()} {GO_ON}")
        return code

    def _sum(self) -> str:
        tally, seconds = self._tally, time.monotonic() - self._began
        counts = f"{tally.stored:,} stored, {tally.replayed:,} stored before, {tally.refused:,} refused"
        return f"{tally.lines:,} lines: {counts}; {seconds:.0f} s, {tally.lines / seconds:,.0f} a second."

    def _tell_refused(self, line: Line, problem: Problem) -> None:
        if self._refused is not None:
            write(self._refused, kept_line(line, problem))
        # A file of another kind is refused at every line; the first few say as much as all of them.
        elif self._tally.refused <= MOST_SHOWN:
            faults = [f"{place_in_line(fault)}: {fault.code}." for fault in problem.errors]
            say(f"Line {line.number} is refused. {' '.join(faults)}")


def place_in_line(fault: Fault) -> str:
    """Place of a fault in its line, or in its sheet."""
    return place_of(fault, [fault.row]) if fault.row is not None else fault.pointer or "the line"


def kept_line(line: Line, problem: Problem) -> KeptLine:
    """A refused line as it is written to the file."""
    if len(line.text) > MAX_BYTES:
        return KeptLine(line=line.number, problem=problem)
    try:
        return KeptLine(line=line.number, problem=problem, text=line.text.decode())
    except UnicodeDecodeError:
        return KeptLine(line=line.number, problem=problem, base64=line.text)


def reason_of(failure: Exception) -> str:
    """Reason for stopping, without any word that might quote a value."""
    if isinstance(failure, Busy):
        return "Stopped: the database cannot be reached, or is locked by somebody else."
    return f"Stopped by an error that nobody foresaw ({type(failure).__name__})."


def write(file: BinaryIO, line: msgspec.Struct) -> None:
    """Write one line of NDJSON."""
    file.write(ENCODER.encode(line) + b"\n")


ACTOR = "import"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.description = (
        "Evaluate and store the reading set on each line of NDJSON, or the sittings of a spreadsheet (CSV), straight into the "
        "database, without a server. "
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
    parser.add_argument(
        "--jobs",
        type=int,
        metavar="N",
        help="evaluate in so many processes beside this one, which stores; by default one less than cores, for long files",
    )
    add_sheet_options(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Import the file and return the exit code."""
    settings = read_settings(os.environ)
    require_there(settings.database_url)
    known = by_identifier_or_content if arguments.key_by_content or is_sheet(arguments) else by_identifier
    with ExitStack() as opened:
        source = InputFile(arguments.file)
        opened.callback(source.close)
        refused = opened.enter_context(open_private(arguments.refused)) if arguments.refused else None
        answers = opened.enter_context(open_private(arguments.answers)) if arguments.answers else None
        teller = OutcomeReporter(refused, answers)
        try:
            lines = sheet_of(source, arguments, teller) if is_sheet(arguments) else lines_of(until_failure(source, teller))
            with LineProgress(source) as how_far:
                asyncio.run(import_all(settings, arguments.tenant, lines, known, teller, how_far, jobs=arguments.jobs))
        except KeyboardInterrupt:
            return teller.interrupted()
        return teller.end()


async def import_all(
    settings: Settings,
    tenant_name: str,
    lines: AsyncIterator[Line],
    known: Known,
    teller: OutcomeReporter,
    how_far: LineProgress,
    *,
    jobs: int | None = None,
) -> None:
    """Store the sitting of every line."""

    def tell(received: ReceivedLine) -> None:
        teller.tell(received)
        how_far.count()

    # As for serving: two programs must not write to one SQLite file.
    async with opened(settings, for_serving=True) as store:
        tenant = await store.read(NO_TENANT, lambda snapshot: named(snapshot, tenant_name))
        desk = application.open_desk(store, load_rulebook())
        caller = Caller(tenant_id=tenant.tenant_id, actor=ACTOR, request_id=teller.request_id)
        await note_command(desk, caller)
        # The rules stay for the whole run; the collector need not look through them at every full round.
        gc.freeze()
        look_seldom()
        processes = max(0, cores() - 1) if jobs is None else jobs
        deciders = Deciders(processes, desk, when_busy=jobs is None) if processes else None
        try:
            await application.receive_sittings(desk, caller, lines, known, tell, deciders=deciders, most_held=LINES_HELD)
        except Exception as error:
            # The failure is reported with the counts at the end; any other error is of the input and is raised here.
            if error is not teller.failure:
                raise
        finally:
            if deciders is not None:
                deciders.close()


def refuse_array(first: bytes) -> None:
    """Refuse a file that is one JSON array, instead of refusing each of its lines.

    Raises:
        NotReadable: it begins as an array does.
    """
    if first.lstrip().startswith(b"["):
        raise NotReadable(Fault(pointer="", code="wrong-type", detail=ARRAY_GIVEN))


async def until_failure(source: InputFile, teller: OutcomeReporter) -> AsyncIterator[bytes]:
    """Bytes of the file, until an error occurs that would hit every line.

    Raises:
        NotReadable: it is an array.
        Exception: that error.
    """
    is_begun = False
    async for chunk in source.chunks():
        if not is_begun and chunk.strip():
            is_begun = True
            refuse_array(chunk)
        if teller.failure is not None:
            raise teller.failure
        yield chunk


async def sheet_of(source: InputFile, arguments: argparse.Namespace, teller: OutcomeReporter) -> AsyncIterator[Line]:
    """Sittings of a sheet, until an error occurs that would hit every one.

    Raises:
        NotReadable, NotAcceptable: nothing of the sheet can be read, or not all of it.
        Exception: that error.
    """
    rulebook = load_rulebook()
    raw = await source.read(MOST_SHEET_BYTES + 1)
    for sitting in sittings_of(raw, options_from(arguments), load_languages(rulebook), rulebook):
        if teller.failure is not None:
            raise teller.failure
        yield sitting


def open_private(name: str) -> BinaryIO:
    """A new file that only its owner can read, because it will hold readings of people."""
    return open(name, "wb", opener=lambda path, flags: os.open(path, flags, 0o600))
