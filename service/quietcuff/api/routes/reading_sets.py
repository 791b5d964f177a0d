"""``/v1/reading-sets``: store sittings, change them, and read them back."""

from __future__ import annotations

from base64 import b64encode
from hashlib import sha256
from typing import Any

from litestar import Controller, Request, get, post
from litestar.params import RawBody
from litestar.response.base import ASGIResponse

from quietcuff import application
from quietcuff.answered import Envelope
from quietcuff.api import problem_types as kinds
from quietcuff.api.authentication import caller_of
from quietcuff.api.examples import SITTINGS
from quietcuff.api.fhir_responses import FHIR_JSON, publisher_of
from quietcuff.api.openapi import SetPage, VersionList
from quietcuff.api.operations import AnswerLink, Operation, OperationParameter, Reply, described
from quietcuff.api.reads import note_found
from quietcuff.api.requests import (
    BEGAN_BEFORE,
    BEGAN_FROM,
    IDEMPOTENCY_KEY,
    IF_MATCH,
    IF_MATCH_OR_ANY,
    IF_NONE_MATCH,
    PAGE_CURSOR,
    PAGE_LENGTH,
    Connection,
    PathText,
    format_of,
    id_parameter,
    idempotency_key_of,
    if_match_of,
    is_known_already,
    limit_parameter,
    moment_parameter,
    number_of,
    query_of,
)
from quietcuff.api.responses import (
    LANGUAGE_HEADERS,
    LANGUAGE_PARAMETERS,
    VARIES,
    answer,
    answer_page,
    language_headers,
    not_modified,
    speaker_of,
    spoken_etag,
)
from quietcuff.api.routes.reading_set_marks import MARK_PARAMETERS, MARKS, marks_of
from quietcuff.api.service import service_of
from quietcuff.core.model.changes import Append, Correction, Move
from quietcuff.core.model.errors import Fault
from quietcuff.core.model.readings import ReadingSet, voided_faults
from quietcuff.core.record.sheet_text import STYLE, sheet_html, sheet_text
from quietcuff.decode.own_json import read
from quietcuff.fhir.read.bundle import sitting_bundle
from quietcuff.security.scopes import Need
from quietcuff.storage.rows.reading_sets import SetQuery
from quietcuff.words.envelopes import spoken_envelope

TAG = "Reading sets"
PLAIN, HTML = "text/plain", "text/html"
CREATE, READ, SEARCH, UPDATE = (Need("Observation", letter) for letter in "crsu")
ITS_ID = {"set_id": "$response.body#/id"}
ITS_VERSION = {**ITS_ID, "header.If-Match": "$response.header.ETag"}
LINKS = (
    AnswerLink(operation="get_reading_set", parameters=ITS_ID),
    AnswerLink(operation="list_reading_set_versions", parameters=ITS_ID),
    AnswerLink(operation="get_reading_set_version", parameters={**ITS_ID, "number": "$response.body#/version"}),
    AnswerLink(operation="get_reading_set_bundle", parameters=ITS_ID),
    AnswerLink(operation="get_reading_set_sheet", parameters=ITS_ID),
    AnswerLink(operation="append_readings", parameters=ITS_VERSION),
    AnswerLink(operation="reopen_reading_set", parameters=ITS_VERSION),
    AnswerLink(operation="correct_reading_set", parameters=ITS_VERSION),
    AnswerLink(operation="move_reading_set", parameters=ITS_VERSION),
    AnswerLink(operation="get_subject", parameters={"subject_id": "$response.body#/subject_id"}),
    AnswerLink(operation="list_reading_sets", parameters={"query.subject_id": "$response.body#/subject_id"}),
    AnswerLink(operation="read_observation", parameters={"resource_id": "{$response.body#/id}-r0"}),
    AnswerLink(operation="read_patient", parameters={"resource_id": "$response.body#/subject_id"}),
    AnswerLink(operation="read_provenance", parameters={"resource_id": "{$response.body#/id}-v1"}),
)
CHANGED = Reply(
    description="The set as it now stands.",
    shape=Envelope,
    headers=("ETag", "Idempotency-Replayed", *LANGUAGE_HEADERS),
    links=LINKS,
)
CHANGE_PROBLEMS = (kinds.BAD_HEADER, kinds.CONFLICT, kinds.VERSION_STALE, kinds.VERSION_NOT_NAMED)
UNCHANGED = Reply(status=304, description="You have it already.", headers=("ETag", "Vary"))

STORE = Operation(
    id="store_reading_set",
    tag=TAG,
    summary="Evaluate and store a reading set",
    description="One sitting: whole, or with `closed: false` and more to come. The answer is sent once it is on disk.",
    access=CREATE,
    parameters=(IDEMPOTENCY_KEY, *LANGUAGE_PARAMETERS),
    body=ReadingSet,
    examples=SITTINGS,
    replies=(
        Reply(
            status=201,
            description="Stored, or stored before by the same request.",
            shape=Envelope,
            headers=("ETag", "Location", "Idempotency-Replayed", *LANGUAGE_HEADERS),
            links=LINKS,
        ),
    ),
    problems=(kinds.BAD_HEADER, kinds.CONFLICT),
)
LIST = Operation(
    id="list_reading_sets",
    tag=TAG,
    summary="Stored sets, newest first",
    access=SEARCH,
    parameters=(
        OperationParameter(
            name="subject_id",
            within="query",
            schema={"type": "string", "format": "uuid"},
            description="Only of this person, by the id that this service gave. Unknown: an empty list.",
        ),
        BEGAN_FROM,
        BEGAN_BEFORE,
        *MARK_PARAMETERS,
        PAGE_LENGTH,
        PAGE_CURSOR,
    ),
    replies=(Reply(description="A page.", shape=SetPage, headers=("Link",)),),
)
GET = Operation(
    id="get_reading_set",
    tag=TAG,
    summary="One set, as it stands",
    access=READ,
    parameters=(IF_NONE_MATCH, *LANGUAGE_PARAMETERS),
    replies=(Reply(description="The newest version.", shape=Envelope, headers=("ETag", *LANGUAGE_HEADERS)), UNCHANGED),
)
LIST_VERSIONS = Operation(
    id="list_reading_set_versions",
    tag=TAG,
    summary="Why each version of a set is there",
    access=READ,
    replies=(Reply(description="The versions, oldest first.", shape=VersionList),),
)
GET_VERSION = Operation(
    id="get_reading_set_version",
    tag=TAG,
    summary="A set as it was",
    description="To the byte as it was answered when that version was the newest.",
    access=READ,
    parameters=(IF_NONE_MATCH, *LANGUAGE_PARAMETERS),
    replies=(Reply(description="That version.", shape=Envelope, headers=("ETag", *LANGUAGE_HEADERS)), UNCHANGED),
)
APPEND = Operation(
    id="append_readings",
    tag=TAG,
    summary="Add readings to an open set, or close it",
    description="Each answer carries the next step. `context` answers are merged key by key; `closed: true`, with or without "
    "readings, closes. A set in which nothing arrives for 60 minutes is closed by the service.",
    access=UPDATE,
    parameters=(IF_MATCH_OR_ANY, IDEMPOTENCY_KEY, *LANGUAGE_PARAMETERS),
    body=Append,
    examples={
        "one more reading, and an answer asked for meanwhile": "one-more-reading",
        "nothing more will come": "close-sitting",
    },
    replies=(CHANGED,),
    problems=CHANGE_PROBLEMS,
)
REOPEN = Operation(
    id="reopen_reading_set",
    tag=TAG,
    summary="Open a set again within 24 hours of its closing",
    access=UPDATE,
    parameters=(IF_MATCH, IDEMPOTENCY_KEY, *LANGUAGE_PARAMETERS),
    replies=(CHANGED,),
    problems=(*CHANGE_PROBLEMS, kinds.NOT_ACCEPTABLE),
)
CORRECT = Operation(
    id="correct_reading_set",
    tag=TAG,
    summary="Put right what a set says, or take it back",
    description="All changes together or none. A field set to null is removed. Nothing is overwritten: earlier versions "
    "stay readable. The person cannot be amended: move the set to the other.",
    access=UPDATE,
    parameters=(IF_MATCH, IDEMPOTENCY_KEY, *LANGUAGE_PARAMETERS),
    body=Correction,
    examples={
        "a typing error, a reading of somebody else, an answer put right": "correct-sitting",
        "the wrong person": "void-sitting",
    },
    replies=(CHANGED,),
    problems=CHANGE_PROBLEMS,
)
GET_SHEET = Operation(
    id="get_reading_set_sheet",
    tag=TAG,
    summary="The record sheet of a set, to read and to print",
    description="All that was written down of the sitting and what was made of it, as it stands: every reading with whether it "
    "counts and why, preparation, device, labels, certainty, next step. `Accept: text/html` gives a page of A4 that loads and "
    "runs nothing; else it is plain text.",
    access=READ,
    parameters=(IF_NONE_MATCH, *LANGUAGE_PARAMETERS),
    replies=(
        Reply(description="The sheet.", media_type=PLAIN, headers=("ETag", *LANGUAGE_HEADERS)),
        Reply(description="The sheet.", media_type=HTML, headers=("ETag", *LANGUAGE_HEADERS)),
        UNCHANGED,
    ),
    problems=(kinds.FORMAT_NOT_OFFERED,),
)
MOVE = Operation(
    id="move_reading_set",
    tag=TAG,
    summary="Move a sitting to the person whose it is",
    description="Takes the set back and stores it anew of the other person, both or neither. The answer is the new set, which "
    "`replaces` the old; the old one says `replaced_by`. "
    "Readings that were voided, and facts of the first person, stay behind.",
    access=UPDATE,
    parameters=(IF_MATCH, IDEMPOTENCY_KEY, *LANGUAGE_PARAMETERS),
    body=Move,
    examples={"the wrong person": "move-sitting"},
    replies=(
        Reply(
            status=201,
            description="The set of the other person.",
            shape=Envelope,
            headers=("ETag", "Location", "Idempotency-Replayed", *LANGUAGE_HEADERS),
            links=LINKS,
        ),
    ),
    problems=CHANGE_PROBLEMS,
)
GET_BUNDLE = Operation(
    id="get_reading_set_bundle",
    tag=TAG,
    summary="The sitting as one FHIR Bundle",
    description="Person, devices, every reading, the mean and how it came about; no reference leads out of it.",
    access=READ,
    replies=(Reply(description="A Bundle of type collection.", media_type="application/fhir+json"),),
)


# The sheet's own style works, and nothing else is loaded, run or sent.
STYLE_HASH = b64encode(sha256(STYLE.encode()).digest()).decode()
SHEET_POLICY = (
    f"default-src 'none'; style-src 'sha256-{STYLE_HASH}'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)


class ReadingSets(Controller):
    """Sittings."""

    path = "/v1/reading-sets"

    @post(opt=described(STORE))
    async def store(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
        """Evaluate and store a sitting."""
        return await store_sitting(request, body)

    @get(opt=described(LIST))
    async def list_all(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Answer a page of sittings."""
        service = service_of(request)
        asked = query_of(request, "subject_id", "from", "to", *MARKS, "limit", "cursor")
        page = await application.list_sets(service.desk, caller_of(request), set_query(asked))
        note_found(request, page.count)
        return answer_page(page, service.settings.public_url + self.path, asked)

    @get("/{set_id:str}", opt=described(GET))
    async def get_one(self, request: Request[Any, Any, Any], set_id: PathText) -> ASGIResponse:
        """Answer the newest version."""
        return answer_read(request, await application.read_set(service_of(request).desk, caller_of(request), set_id))

    @get("/{set_id:str}/versions", opt=described(LIST_VERSIONS))
    async def list_versions(self, request: Request[Any, Any, Any], set_id: PathText) -> ASGIResponse:
        """Answer the cause of each version."""
        return answer(await application.read_versions(service_of(request).desk, caller_of(request), set_id))

    @get("/{set_id:str}/versions/{number:str}", opt=described(GET_VERSION))
    async def get_version(self, request: Request[Any, Any, Any], set_id: PathText, number: PathText) -> ASGIResponse:
        """Answer a version as it was answered when it was new."""
        desk, caller = service_of(request).desk, caller_of(request)
        return answer_read(request, await application.read_version(desk, caller, set_id, number_of(number)))

    @post("/{set_id:str}/readings", opt=described(APPEND))
    async def append(self, request: Request[Any, Any, Any], set_id: PathText, body: RawBody) -> ASGIResponse:
        """Add to an open sitting, or close it."""
        desk, caller, change = service_of(request).desk, caller_of(request), read(body, Append, faults_of_appended)
        key, versions = idempotency_key_of(request), if_match_of(request)
        stored = await application.append(desk, caller, set_id, change, if_match=versions, idempotency_key=key)
        return answer_set(request, stored)

    @post("/{set_id:str}/reopen", opt=described(REOPEN))
    async def reopen(self, request: Request[Any, Any, Any], set_id: PathText) -> ASGIResponse:
        """Open a sitting again."""
        desk, caller = service_of(request).desk, caller_of(request)
        key, versions = idempotency_key_of(request), if_match_of(request)
        return answer_set(request, await application.reopen(desk, caller, set_id, if_match=versions, idempotency_key=key))

    @post("/{set_id:str}/corrections", opt=described(CORRECT))
    async def correct(self, request: Request[Any, Any, Any], set_id: PathText, body: RawBody) -> ASGIResponse:
        """Correct a sitting."""
        desk, caller, correction = service_of(request).desk, caller_of(request), read(body, Correction)
        key, versions = idempotency_key_of(request), if_match_of(request)
        stored = await application.correct(desk, caller, set_id, correction, if_match=versions, idempotency_key=key)
        return answer_set(request, stored)

    @get("/{set_id:str}/sheet", opt=described(GET_SHEET))
    async def get_sheet(self, request: Request[Any, Any, Any], set_id: PathText) -> ASGIResponse:
        """Answer the record sheet as text or as a page."""
        media_type, speaker = format_of(request, PLAIN, HTML), speaker_of(request)
        sheet = await application.read_sheet(service_of(request).desk, caller_of(request), set_id, speaker)
        body = (sheet_html(sheet) if media_type == HTML else sheet_text(sheet)).encode()
        # Of the bytes and not of the version: the wording of a sheet may change without a new version of its set.
        headers = {"ETag": f'"{sha256(body).hexdigest()[:32]}"', **language_headers(speaker)}
        headers["Vary"] = "Accept, Accept-Language"
        if is_known_already(request, headers["ETag"]):
            return not_modified(headers["ETag"], {"Vary": headers["Vary"]})
        if media_type == HTML:
            headers["Content-Security-Policy"] = SHEET_POLICY
        return answer(body, media_type=media_type, headers=headers)

    @post("/{set_id:str}/move", opt=described(MOVE))
    async def move(self, request: Request[Any, Any, Any], set_id: PathText, body: RawBody) -> ASGIResponse:
        """Move a sitting to the right person."""
        desk, caller, wanted = service_of(request).desk, caller_of(request), read(body, Move)
        key, versions = idempotency_key_of(request), if_match_of(request)
        return answer_set(request, await application.move(desk, caller, set_id, wanted, if_match=versions, idempotency_key=key))

    @get("/{set_id:str}/fhir", opt=described(GET_BUNDLE))
    async def get_bundle(self, request: Request[Any, Any, Any], set_id: PathText) -> ASGIResponse:
        """Answer the sitting as one Bundle."""
        publisher = await publisher_of(request)
        store, tenant_id = service_of(request).desk.store, publisher.tenant.tenant_id
        bundle = await store.read(tenant_id, lambda snapshot: sitting_bundle(snapshot, publisher, set_id))
        return answer(bundle, media_type=FHIR_JSON)


async def store_sitting(connection: Connection, body: bytes) -> ASGIResponse:
    """Evaluate and store a sitting."""
    desk, caller, key = service_of(connection).desk, caller_of(connection), idempotency_key_of(connection)
    reading_set = application.understand(desk, body)
    return answer_set(connection, await application.receive(desk, caller, reading_set, idempotency_key=key))


def faults_of_appended(change: Append) -> list[Fault]:
    """Faults for fields of an appended reading that only a correction may set."""
    return voided_faults(change.readings)


def answer_set(request: Connection, stored: application.Answer) -> ASGIResponse:
    """A set after a change, or after a repeat of the same change."""
    speaker = speaker_of(request)
    headers = {"ETag": f'"{stored.version}"', **language_headers(speaker)}
    if stored.created:
        headers["Location"] = f"{ReadingSets.path}/{stored.set_id}"
    if stored.replayed:
        headers["Idempotency-Replayed"] = "true"
    body = stored.body if speaker is None else spoken_envelope(speaker, stored.body)
    return answer(body, status=201 if stored.created else 200, headers=headers)


def answer_read(request: Connection, found: application.Answer) -> ASGIResponse:
    """A set as read, or 304 if the caller has it."""
    speaker = speaker_of(request)
    body = found.body if speaker is None else spoken_envelope(speaker, found.body)
    etag = f'"{found.version}"' if speaker is None else spoken_etag(found.version, body)
    if is_known_already(request, etag):
        return not_modified(etag, VARIES)
    return answer(body, headers={"ETag": etag, **language_headers(speaker)})


def set_query(asked: dict[str, str]) -> SetQuery:
    """The query for a list of sets.

    Raises:
        NotAcceptable: a parameter that cannot be read.
    """
    return SetQuery(
        subject_id=id_parameter("subject_id", asked["subject_id"]) if "subject_id" in asked else None,
        since=moment_parameter("from", asked["from"]) if "from" in asked else None,
        until=moment_parameter("to", asked["to"]) if "to" in asked else None,
        marks=marks_of(asked),
        limit=limit_parameter(asked),
        cursor=asked.get("cursor"),
    )
