"""``/v1/reading-sets/batch``: any number of sittings in one request, one a line.

The answer has one line for each line, in the same order, and a last line that shows whether it is complete.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from tempfile import SpooledTemporaryFile
from typing import Annotated, Any, Literal

import msgspec
from litestar import Controller, Request, post
from litestar.response.base import ASGIResponse
from litestar.response.streaming import ASGIStreamingResponse

from quietcuff import application
from quietcuff.answered import Envelope, Problem
from quietcuff.api import problem_types as kinds
from quietcuff.api.authentication import caller_of
from quietcuff.api.examples import SITTINGS
from quietcuff.api.logs import log_failure
from quietcuff.api.openapi import REFERENCE
from quietcuff.api.operations import CSV, NDJSON, Lines, Operation, OperationParameter, Reply, described
from quietcuff.api.problem_types import INTERNAL_ERROR
from quietcuff.api.problems import problem_of, refusal_of
from quietcuff.api.requests import IDEMPOTENCY_KEY_OF_BATCH, idempotency_key_of, prefers_representation
from quietcuff.api.responses import LANGUAGE_HEADERS, LANGUAGE_PARAMETERS, language_headers, speaker_of
from quietcuff.api.service import service_of
from quietcuff.api.sheets import BODY, PARAMETERS, each_of, is_sheet, options_in, sittings_in, speaks_of_sheet
from quietcuff.application import Answer, ReceivedLine, Tally
from quietcuff.application.batch import by_identifier_or_content, by_identifier_or_line, lines_of
from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.errors import Busy
from quietcuff.core.model.evaluation import Level, State
from quietcuff.core.model.readings import ReadingSet
from quietcuff.security.scopes import Need
from quietcuff.words.envelopes import spoken_envelope
from quietcuff.words.speaker import Speaker

IN_MEMORY_BYTES = 1024 * 1024
CHUNK_BYTES = 64 * 1024

NO_ROOM_SECONDS = 30

ENCODER = msgspec.json.Encoder()


# The bytes as they were answered for the set alone.
StoredEnvelope = Annotated[msgspec.Raw, msgspec.Meta(extra_json_schema={"$ref": REFERENCE.format(name=Envelope.__name__)})]


class StoredLine(msgspec.Struct, frozen=True, kw_only=True):
    """A line whose sitting is stored, by this request or an earlier one; ``envelope`` if the full representation was asked
    for."""

    line: int
    status: Literal[201] = 201
    id: str
    version: int
    replayed: bool
    state: State
    safety_level: Level
    envelope: StoredEnvelope | msgspec.UnsetType = msgspec.UNSET


class RefusedLine(msgspec.Struct, frozen=True, kw_only=True):
    """A line of which nothing is stored, with its problem."""

    line: int
    status: int
    problem: Problem


class LastLine(msgspec.Struct, frozen=True, kw_only=True):
    """Last line of a batch: counts of the lines that are not blank, by outcome. ``end`` is False if there was no room for
    further answers, so that no further lines were taken in."""

    end: bool
    lines: int
    stored: int
    replayed: int
    refused: int


class ToldSafety(msgspec.Struct, frozen=True):
    """The part of the safety that an answer line shows."""

    level: Level


class ToldEvaluation(msgspec.Struct, frozen=True):
    """The part of an evaluation that an answer line shows."""

    state: State
    safety: ToldSafety


class ToldEnvelope(msgspec.Struct, frozen=True):
    """The part of an envelope that an answer line shows."""

    evaluation: ToldEvaluation


DECODER = DocumentDecoder(ToldEnvelope)


def line_of(
    received: ReceivedLine, request_id: str, *, in_full: bool = False, speaker: Speaker | None = None
) -> StoredLine | RefusedLine:
    """The answer line for a received line."""
    number, outcome = received.line.number, received.outcome
    if isinstance(outcome, Answer):
        return stored_line(number, outcome, in_full=in_full, speaker=speaker)
    refusal = refusal_of(outcome)
    instance = f"{request_id}#{number}"
    if refusal.kind is INTERNAL_ERROR:
        log_failure(outcome, instance)
    return RefusedLine(line=number, status=refusal.kind.status, problem=problem_of(refusal, instance))


def stored_line(number: int, answer: Answer, *, in_full: bool, speaker: Speaker | None) -> StoredLine:
    envelope = answer.body if speaker is None or not in_full else spoken_envelope(speaker, answer.body)
    evaluation = DECODER.decode(answer.body).evaluation
    return StoredLine(
        line=number,
        id=answer.set_id,
        version=answer.version,
        replayed=answer.replayed,
        state=evaluation.state,
        safety_level=evaluation.safety.level,
        envelope=msgspec.Raw(envelope) if in_full else msgspec.UNSET,
    )


def last_line(tally: Tally, *, is_whole: bool) -> LastLine:
    """The last line, which shows whether anything is missing."""
    return LastLine(end=is_whole, **msgspec.structs.asdict(tally))


class Spool:
    """Answers of a batch, kept until its last line is read: in memory at first, then in a file."""

    def __init__(self, request_id: str, *, in_full: bool, most_bytes: int, speaker: Speaker | None = None) -> None:
        self._request_id = request_id
        self._in_full = in_full
        self._speaker = speaker
        self._most_bytes = most_bytes
        self._is_whole = True
        self._tally = Tally()
        self._file = SpooledTemporaryFile(max_size=IN_MEMORY_BYTES)  # noqa: SIM115 - closed when it is sent or dropped

    def tell(self, received: ReceivedLine) -> None:
        """Keep the answer to a line."""
        self._tally.count(received)
        self._write(line_of(received, self._request_id, in_full=self._in_full, speaker=self._speaker))

    def has_room(self) -> bool:
        """True if more lines may be taken in; asked before each line."""
        # Once full it stays full, even if it is asked again: the lines taken in must be the first ones without a gap.
        self._is_whole = self._is_whole and self._file.tell() < self._most_bytes
        return self._is_whole

    def finish(self) -> int:
        """Write the last line and return the length of all in bytes."""
        self._write(last_line(self._tally, is_whole=self._is_whole))
        return self._file.tell()

    async def chunks(self) -> AsyncIterator[bytes]:
        """The whole answer, once."""
        self._file.seek(0)
        with self._file:
            while chunk := self._file.read(CHUNK_BYTES):
                yield chunk

    def close(self) -> None:
        """Discard the answers."""
        self._file.close()

    def _write(self, line: msgspec.Struct) -> None:
        try:
            self._file.write(ENCODER.encode(line) + b"\n")
        except OSError as error:
            # No room for answers on this machine's disk, whatever the database's has.
            raise Busy(NO_ROOM_SECONDS) from error


STORE_BATCH = Operation(
    id="store_reading_sets",
    tag="Reading sets",
    summary="Evaluate and store many reading sets, one a line, or a sheet of readings",
    description="""NDJSON in, of any length; a line is a reading set of at most 256 KiB. Blank lines are skipped.
Lines are stored while they come in, and answered in their order after the last one: `line` is the number of the line in
the body, blank ones counted. A line that is refused stops no other. The last line of the answer, `{"end": true, …}`,
counts; an answer without it was cut off. Where the answer gets longer than the operator allows, no further line is taken
in, and the last one is `{"end": false, …}`: send the lines that are not answered in another batch. Sittings of one person
are evaluated in the order of their lines.

A line is known by its `identifier`: sent again, it is answered as the first time, with `"replayed": true`. A line without
one is stored each time, unless the request has an `Idempotency-Key`: then it is known by that and its line number.

A sheet (`text/csv`) has one row a reading and a row of headers. It is read as a whole: a header that is not known, or a row
that nobody can place, refuses all of it (422), with every fault by `row` and `column`. Its sittings are then stored and
answered like lines, in order of time; `line` is the number of a sitting's first row. A sitting without an identifier is known
by all that it says, so that the same sheet sent again makes nothing twice.""",
    access=Need("Observation", "c"),
    lane="batch",
    parameters=(
        *PARAMETERS,
        IDEMPOTENCY_KEY_OF_BATCH,
        OperationParameter(
            name="Prefer",
            within="header",
            schema={"type": "string", "examples": ["return=representation"]},
            description="`return=representation`: each line of the answer holds the whole `envelope` of its set.",
        ),
        *LANGUAGE_PARAMETERS,
    ),
    body=Lines((ReadingSet,)),
    media_type=NDJSON,
    examples={"two sittings": tuple(SITTINGS.values())},
    also={CSV: BODY},
    replies=(
        Reply(
            description="A line for each line that is not blank, and a last one.",
            shape=Lines((StoredLine, RefusedLine, LastLine)),
            media_type=NDJSON,
            example="batch-answer",
            headers=("Preference-Applied", *LANGUAGE_HEADERS),
        ),
    ),
    problems=(kinds.BAD_HEADER, kinds.BAD_REQUEST, kinds.NOT_READABLE, kinds.NOT_ACCEPTABLE),
)

BYTES_A_MEGABYTE = 1_000_000


class Batches(Controller):
    """Many sittings at once."""

    path = "/v1/reading-sets/batch"

    @post(status_code=200, opt=described(STORE_BATCH), request_max_body_size=None)
    async def store_all(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Evaluate and store the sitting of each line, and answer once the last one is read."""
        service, caller, known = service_of(request), caller_of(request), by_identifier_or_line(idempotency_key_of(request))
        options = options_in(request) if is_sheet(request) or speaks_of_sheet(request) else None
        lines = lines_of(request.stream())
        if is_sheet(request) and options is not None:
            lines, known = each_of(await sittings_in(service, request.stream(), options)), by_identifier_or_content
        in_full, speaker = prefers_representation(request), speaker_of(request)
        most_bytes = service.settings.batch_answer_megabytes * BYTES_A_MEGABYTE
        spool = Spool(caller.request_id, in_full=in_full, most_bytes=most_bytes, speaker=speaker)
        try:
            await application.receive_sittings(service.desk, caller, lines, known, spool.tell, may_go_on=spool.has_room)
            length = spool.finish()
        except BaseException:
            spool.close()
            raise
        headers = {"Content-Length": str(length), **language_headers(speaker)}
        if in_full:
            headers["Preference-Applied"] = "return=representation"
        return ASGIStreamingResponse(iterator=spool.chunks(), media_type=NDJSON, headers=headers)
