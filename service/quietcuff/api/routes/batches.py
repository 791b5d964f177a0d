"""``/v1/reading-sets/batch``: many sittings in one request, one a line, however many there are."""

from __future__ import annotations

from typing import Any

from litestar import Controller, Request, post
from litestar.response.base import ASGIResponse
from litestar.response.streaming import ASGIStreamingResponse

from quietcuff import application
from quietcuff.api import problem_types as kinds
from quietcuff.api.caller import caller_of
from quietcuff.api.examples import BATCH_ANSWER, READING_SETS
from quietcuff.api.operations import NDJSON, Operation, Parameter, Reply, described
from quietcuff.api.parameters import IDEMPOTENCY_KEY_OF_BATCH
from quietcuff.api.requests import idempotency_key_of, prefers_representation
from quietcuff.api.routes.batch_answers import Spool
from quietcuff.api.service import service_of
from quietcuff.application.batch import by_identifier_or_line
from quietcuff.security.scopes import Need

STORE_BATCH = Operation(
    id="store_reading_sets",
    tag="Reading sets",
    summary="Evaluate and store many reading sets, one a line",
    description="""NDJSON in, of any length; a line is a reading set of at most 256 KiB. Blank lines are skipped.
Lines are stored while they come in, and answered in their order after the last one: `line` is the number of the line in
the body, blank ones counted. A line that is refused stops no other. The last line of the answer, `{"end": true, …}`,
counts; an answer without it was cut off. Where the answer gets longer than the operator allows, no further line is taken
in, and the last one is `{"end": false, …}`: send the lines that are not answered in another batch. Sittings of one person
are evaluated in the order of their lines.

A line is known by its `identifier`: sent again, it is answered as the first time, with `"replayed": true`. A line without
one is stored each time, unless the request has an `Idempotency-Key`: then it is known by that and its line number.""",
    access=Need("Observation", "c"),
    lane="batch",
    parameters=(
        IDEMPOTENCY_KEY_OF_BATCH,
        Parameter(
            name="Prefer",
            within="header",
            schema={"type": "string", "examples": ["return=representation"]},
            description="`return=representation`: each line of the answer holds the whole `envelope` of its set.",
        ),
    ),
    body={"type": "array", "items": {"$ref": "#/components/schemas/ReadingSet"}, "description": "One a line."},
    media_type=NDJSON,
    examples={"two sittings": list(READING_SETS.values())},
    replies=(
        Reply(
            description="A line for each line that is not blank, and a last one.",
            shape={"type": "array", "items": {"type": "object"}, "description": "One a line."},
            media_type=NDJSON,
            example=BATCH_ANSWER,
            headers=("Preference-Applied",),
        ),
    ),
    problems=(kinds.BAD_HEADER, kinds.BAD_REQUEST),
)

BYTES_A_MEGABYTE = 1_000_000


class Batches(Controller):
    """Many sittings at once."""

    path = "/v1/reading-sets/batch"

    @post(status_code=200, opt=described(STORE_BATCH), request_max_body_size=None)
    async def store_all(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Evaluate and store the sitting of each line, and answer once the last one is read."""
        desk, caller, known = service_of(request).desk, caller_of(request), by_identifier_or_line(idempotency_key_of(request))
        in_full = prefers_representation(request)
        most_bytes = service_of(request).settings.batch_answer_megabytes * BYTES_A_MEGABYTE
        spool = Spool(caller.request_id, in_full=in_full, most_bytes=most_bytes)
        try:
            await application.receive_lines(desk, caller, request.stream(), known, spool.tell, may_go_on=spool.has_room)
            length = spool.finish()
        except BaseException:
            spool.close()
            raise
        headers = {"Content-Length": str(length)}
        if in_full:
            headers["Preference-Applied"] = "return=representation"
        return ASGIStreamingResponse(iterator=spool.chunks(), media_type=NDJSON, headers=headers)
