"""What ``quietcuff import`` tells: of each line, into files where they were asked for; of all, to the person."""

from __future__ import annotations

import time
from typing import BinaryIO
from uuid import uuid4

import msgspec

from quietcuff.api.problems import Problem
from quietcuff.api.routes.batch_answers import RefusedLine, last_line, line_of
from quietcuff.application import Received, Tally
from quietcuff.cli.support.words import say
from quietcuff.core.model.errors import Busy, Conflict, NotAcceptable, NotFound, NotReadable
from quietcuff.decode.ndjson import MAX_BYTES, Line

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

    def tell(self, received: Received) -> None:
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
