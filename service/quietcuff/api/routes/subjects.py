"""``/v1/subjects``: the registry of people. Identifiers are in bodies only, never in an address."""

from __future__ import annotations

from hashlib import sha256
from typing import Any

import msgspec
from litestar import Controller, Request, get, post
from litestar.params import RawBody
from litestar.response.base import ASGIResponse

from quietcuff import application
from quietcuff.analytics.trend_picture import TrendQuery, read_trend_picture
from quietcuff.analytics.trend_words import picture_words
from quietcuff.api import problem_types as kinds
from quietcuff.api.authentication import caller_of
from quietcuff.api.openapi import SubjectFound, SubjectRecord
from quietcuff.api.operations import AnswerLink, Operation, OperationParameter, Reply, described, saved_replies
from quietcuff.api.reads import note_found
from quietcuff.api.requests import (
    BEGAN_BEFORE,
    BEGAN_FROM,
    IF_MATCH_OPTIONAL,
    IF_NONE_MATCH,
    PathText,
    if_match_of,
    is_known_already,
    moment_parameter,
    query_of,
)
from quietcuff.api.responses import (
    LANGUAGE_HEADERS,
    LANGUAGE_PARAMETERS,
    VARIES,
    answer,
    answer_record,
    answer_struct,
    language_headers,
    not_modified,
    speaker_of,
)
from quietcuff.api.service import service_of
from quietcuff.core.model.changes import SubjectChange
from quietcuff.core.model.readings import Identifier
from quietcuff.core.over_visits.result import Summary
from quietcuff.decode.own_json import read
from quietcuff.security.scopes import Need
from quietcuff.words.envelopes import spoken_summary

TAG = "Subjects"
SVG = "image/svg+xml"
# The picture styles itself, and loads nothing.
SVG_HEADERS = {"Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'"}


class Find(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The person to look for."""

    identifier: Identifier


LINKS = (
    AnswerLink(operation="get_subject", parameters={"subject_id": "$response.body#/id"}),
    AnswerLink(operation="read_patient", parameters={"resource_id": "$response.body#/id"}),
)
SAVE = Operation(
    id="save_subject",
    tag=TAG,
    summary="Register a person, or what is newly known of one",
    description="By identifier. What is left out stays as it is; null clears. Sets that are stored are not re-evaluated.",
    access=Need("Patient", "c"),
    parameters=(IF_MATCH_OPTIONAL,),
    body=SubjectChange,
    examples={"a person, by an identifier of yours": "subject"},
    replies=saved_replies(SubjectRecord, LINKS),
    problems=(kinds.BAD_HEADER, kinds.VERSION_STALE),
)
FIND = Operation(
    id="find_subject",
    tag=TAG,
    summary="The id of a person, by identifier",
    access=Need("Patient", "s"),
    body=Find,
    examples={"by identifier": "identifier"},
    replies=(Reply(description="Known.", shape=SubjectFound),),
    problems=(kinds.NOT_FOUND,),
)
GET = Operation(
    id="get_subject",
    tag=TAG,
    summary="What is known of a person",
    description="With the `history` that a sitting of this moment would be evaluated with: paste it into a dry run.",
    access=Need("Patient", "r"),
    replies=(Reply(description="The person.", shape=SubjectRecord, headers=("ETag",)),),
)


SUMMARY = Operation(
    id="summarise_subject",
    tag=TAG,
    summary="A person over sittings",
    description=(
        "The arm to use, the latest result, a value for each setting, labels with their certainty, white-coat and masked "
        "patterns, the control measure and the next step over visits. Computed afresh each time, from at most 500 sets."
    ),
    access=Need("Patient", "r"),
    parameters=LANGUAGE_PARAMETERS,
    replies=(Reply(description="The summary.", shape=Summary, example="summary", headers=LANGUAGE_HEADERS),),
)
TREND = Operation(
    id="draw_trend_of_subject",
    tag=TAG,
    summary="A person's pressures over time, as a picture",
    description="Results of closed sittings with the 95 % interval of the usual pressure, readings that did not count shown "
    "faintly, the limits of the guidelines of the latest result, and the time on treatment. At most the newest 500 sittings. "
    "It names nobody. The same sittings, rules and language give the same bytes.",
    access=Need("Patient", "r"),
    lane="picture",
    parameters=(
        BEGAN_FROM,
        BEGAN_BEFORE,
        OperationParameter(
            name="guideline",
            within="query",
            schema={"type": "string"},
            description="The limits of this guideline, in place of those of the latest result.",
        ),
        IF_NONE_MATCH,
        *LANGUAGE_PARAMETERS,
    ),
    replies=(
        Reply(description="The picture.", media_type=SVG, headers=("ETag", *LANGUAGE_HEADERS)),
        Reply(status=304, description="The caller has it already.", headers=("ETag", "Vary")),
    ),
    problems=(kinds.NOT_INSTALLED,),
)


class Subjects(Controller):
    """People."""

    path = "/v1/subjects"

    @post(opt=described(SAVE))
    async def save(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
        """Register a person."""
        desk, caller, change = service_of(request).desk, caller_of(request), read(body, SubjectChange)
        record = await application.save_subject(desk, caller, change, if_match=if_match_of(request))
        return answer_record(record, location=f"{self.path}/{record.id}")

    @post("/find", opt=described(FIND))
    async def find(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
        """Look a person up."""
        desk, caller, wanted = service_of(request).desk, caller_of(request), read(body, Find)
        found = await application.find_subject(desk, caller, wanted.identifier)
        # The identifier is in the body, which the trail does not see; without this the read would be of nobody.
        note_found(request, 1, person=found)
        return answer_struct(SubjectFound(id=found))

    @get("/{subject_id:str}", opt=described(GET))
    async def get_one(self, request: Request[Any, Any, Any], subject_id: PathText) -> ASGIResponse:
        """Answer the registered person."""
        return answer_record(await application.read_subject(service_of(request).desk, caller_of(request), subject_id))

    @get("/{subject_id:str}/summary", opt=described(SUMMARY))
    async def summarise(self, request: Request[Any, Any, Any], subject_id: PathText) -> ASGIResponse:
        """Sum a person up."""
        summary = await application.read_summary(service_of(request).desk, caller_of(request), subject_id)
        speaker = speaker_of(request)
        return answer(
            summary if speaker is None else spoken_summary(speaker, summary),
            headers=language_headers(speaker),
        )

    @get("/{subject_id:str}/trend.svg", opt=described(TREND))
    async def draw_trend(self, request: Request[Any, Any, Any], subject_id: PathText) -> ASGIResponse:
        """Draw a person's pressures."""
        asked = query_of(request, "from", "to", "guideline", "lang")
        query = TrendQuery(
            since=moment_parameter("from", asked["from"]) if "from" in asked else None,
            until=moment_parameter("to", asked["to"]) if "to" in asked else None,
            guideline=asked.get("guideline"),
        )
        service, speaker = service_of(request), speaker_of(request)
        words = picture_words(service.languages, speaker)
        picture = await read_trend_picture(service.desk, caller_of(request), subject_id, query, words)
        etag = f'"{sha256(picture).hexdigest()[:32]}"'
        if is_known_already(request, etag):
            return not_modified(etag, VARIES)
        return answer(picture, media_type=SVG, headers={"ETag": etag, **SVG_HEADERS, **language_headers(speaker)})
