"""What a batch answers: a line for each line, in their order, and one at the end that says that nothing is missing."""

from __future__ import annotations

from collections.abc import AsyncIterator
from tempfile import SpooledTemporaryFile
from typing import Literal

import msgspec

from quietcuff.api.logs import log_failure
from quietcuff.api.problem_types import INTERNAL_ERROR
from quietcuff.api.problems import Problem, problem_of, refusal_of
from quietcuff.application import Answer, Received, Tally
from quietcuff.core.model.errors import Busy
from quietcuff.core.model.evaluation import Level, State

IN_MEMORY_BYTES = 1024 * 1024
CHUNK_BYTES = 64 * 1024

NO_ROOM_SECONDS = 30

ENCODER = msgspec.json.Encoder()


class StoredLine(msgspec.Struct, frozen=True, kw_only=True):
    """A line whose sitting is stored, now or before by the same line; ``envelope`` where the whole was asked for."""

    line: int
    status: Literal[201] = 201
    id: str
    version: int
    replayed: bool
    state: State
    safety_level: Level
    envelope: msgspec.Raw | msgspec.UnsetType = msgspec.UNSET


class RefusedLine(msgspec.Struct, frozen=True, kw_only=True):
    """A line of which nothing is stored, and why."""

    line: int
    status: int
    problem: Problem


class LastLine(msgspec.Struct, frozen=True, kw_only=True):
    """The end of a batch: how many lines there were that are not blank, and what came of them. ``end`` is false where there was
    no room for answers to more, and no more were taken in."""

    end: bool
    lines: int
    stored: int
    replayed: int
    refused: int


class ToldSafety(msgspec.Struct, frozen=True):
    """As much of the safety as a line tells."""

    level: Level


class ToldEvaluation(msgspec.Struct, frozen=True):
    """As much of an evaluation as a line tells."""

    state: State
    safety: ToldSafety


class ToldEnvelope(msgspec.Struct, frozen=True):
    """As much of an envelope as a line tells."""

    evaluation: ToldEvaluation


DECODER = msgspec.json.Decoder(ToldEnvelope)


def line_of(received: Received, request_id: str, *, in_full: bool = False) -> StoredLine | RefusedLine:
    """What came of a line."""
    number, outcome = received.line.number, received.outcome
    if isinstance(outcome, Answer):
        return stored_line(number, outcome, in_full=in_full)
    refusal = refusal_of(outcome)
    instance = f"{request_id}#{number}"
    if refusal.kind is INTERNAL_ERROR:
        log_failure(outcome, instance)
    return RefusedLine(line=number, status=refusal.kind.status, problem=problem_of(refusal, instance))


def stored_line(number: int, answer: Answer, *, in_full: bool) -> StoredLine:
    evaluation = DECODER.decode(answer.body).evaluation
    return StoredLine(
        line=number,
        id=answer.set_id,
        version=answer.version,
        replayed=answer.replayed,
        state=evaluation.state,
        safety_level=evaluation.safety.level,
        envelope=msgspec.Raw(answer.body) if in_full else msgspec.UNSET,
    )


def last_line(tally: Tally, *, is_whole: bool) -> LastLine:
    """The line that says whether anything is missing."""
    return LastLine(end=is_whole, **msgspec.structs.asdict(tally))


class Spool:
    """The answers of a batch, kept until its last line is read: in memory while they are few, then in a file."""

    def __init__(self, request_id: str, *, in_full: bool, most_bytes: int) -> None:
        self._request_id = request_id
        self._in_full = in_full
        self._most_bytes = most_bytes
        self._is_whole = True
        self._tally = Tally()
        self._file = SpooledTemporaryFile(max_size=IN_MEMORY_BYTES)  # noqa: SIM115 - closed when it is sent or dropped

    def tell(self, received: Received) -> None:
        """Keep the answer to a line."""
        self._tally.count(received)
        self._write(line_of(received, self._request_id, in_full=self._in_full))

    def has_room(self) -> bool:
        """Whether more lines may be taken in; asked before each."""
        self._is_whole = self._is_whole and self._file.tell() < self._most_bytes
        return self._is_whole

    def finish(self) -> int:
        """Write the last line; the length of it all in bytes."""
        self._write(last_line(self._tally, is_whole=self._is_whole))
        return self._file.tell()

    async def chunks(self) -> AsyncIterator[bytes]:
        """All of it, once."""
        self._file.seek(0)
        with self._file:
            while chunk := self._file.read(CHUNK_BYTES):
                yield chunk

    def close(self) -> None:
        """Drop it all."""
        self._file.close()

    def _write(self, line: msgspec.Struct) -> None:
        try:
            self._file.write(ENCODER.encode(line) + b"\n")
        except OSError as error:
            # No room for answers on this machine's disk, whatever the database's has.
            raise Busy(NO_ROOM_SECONDS) from error
