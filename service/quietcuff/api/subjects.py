"""``/v1/subjects``: what is known of people. Their identifiers stand in bodies only, never in an address."""

from __future__ import annotations

from typing import Any

import msgspec
from litestar import Controller, Request, get, post
from litestar.params import FromPath, RawBody
from litestar.response.base import ASGIResponse

from quietcuff import ingest
from quietcuff.api import examples
from quietcuff.api import problem_types as kinds
from quietcuff.api.answers import answer, answer_record, answer_struct
from quietcuff.api.caller import caller_of
from quietcuff.api.operations import Link, Operation, Reply, described
from quietcuff.api.parameters import IF_MATCH_OPTIONAL
from quietcuff.api.requests import if_match_of
from quietcuff.api.service import service_of
from quietcuff.api.shapes import SubjectFound, SubjectRecord
from quietcuff.api.summary_example import SUMMARY as SUMMARY_EXAMPLE
from quietcuff.core.changes import SubjectChange
from quietcuff.core.readings import Identifier
from quietcuff.core.summary_outcome import Summary
from quietcuff.decode.own_json import read
from quietcuff.security.scopes import Need

TAG = "Subjects"


class Find(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Whom to look for."""

    identifier: Identifier


LINKS = (
    Link(operation="get_subject", parameters={"subject_id": "$response.body#/id"}),
    Link(operation="read_patient", parameters={"resource_id": "$response.body#/id"}),
)
SAVE = Operation(
    id="save_subject",
    tag=TAG,
    summary="Register a person, or what is newly known of one",
    description="By identifier. What is left out stays as it is; null clears. Sets that are stored are not re-evaluated.",
    access=Need("Patient", "c"),
    parameters=(IF_MATCH_OPTIONAL,),
    body=SubjectChange,
    examples=examples.SUBJECTS,
    replies=(
        Reply(status=200, description="Known before.", shape=SubjectRecord, headers=("ETag", "Location"), links=LINKS),
        Reply(status=201, description="New.", shape=SubjectRecord, headers=("ETag", "Location"), links=LINKS),
    ),
    problems=(kinds.BAD_HEADER, kinds.VERSION_STALE),
)
FIND = Operation(
    id="find_subject",
    tag=TAG,
    summary="The id of a person, by identifier",
    access=Need("Patient", "s"),
    body=Find,
    examples=examples.IDENTIFIERS,
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
    replies=(Reply(description="The summary.", shape=Summary, example=SUMMARY_EXAMPLE),),
)


class Subjects(Controller):
    """People."""

    path = "/v1/subjects"

    @post(opt=described(SAVE))
    async def save(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
        """Register a person."""
        desk, caller, change = service_of(request).desk, caller_of(request), read(body, SubjectChange)
        record = await ingest.save_subject(desk, caller, change, if_match=if_match_of(request))
        return answer_record(record, location=f"{self.path}/{record.id}")

    @post("/find", opt=described(FIND))
    async def find(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
        """Look a person up."""
        desk, caller, wanted = service_of(request).desk, caller_of(request), read(body, Find)
        return answer_struct(SubjectFound(id=await ingest.find_subject(desk, caller, wanted.identifier)))

    @get("/{subject_id:str}", opt=described(GET))
    async def get_one(self, request: Request[Any, Any, Any], subject_id: FromPath[str]) -> ASGIResponse:
        """Answer what is known."""
        return answer_record(await ingest.read_subject(service_of(request).desk, caller_of(request), subject_id))

    @get("/{subject_id:str}/summary", opt=described(SUMMARY))
    async def summarise(self, request: Request[Any, Any, Any], subject_id: FromPath[str]) -> ASGIResponse:
        """Sum a person up."""
        return answer(await ingest.read_summary(service_of(request).desk, caller_of(request), subject_id))
