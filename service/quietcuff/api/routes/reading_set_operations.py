"""What each route of ``/v1/reading-sets`` says of itself."""

from __future__ import annotations

from quietcuff.api import examples
from quietcuff.api import problem_types as kinds
from quietcuff.api.operations import Link, Operation, Parameter, Reply
from quietcuff.api.parameters import IDEMPOTENCY_KEY, IF_MATCH, IF_MATCH_OR_ANY, IF_NONE_MATCH
from quietcuff.api.shapes import Envelope, SetPage, VersionList
from quietcuff.core.model.changes import Append, Correction, Move
from quietcuff.core.model.readings import ReadingSet
from quietcuff.security.scopes import Need
from quietcuff.storage.rows.queries import LONGEST_PAGE

TAG = "Reading sets"
PLAIN, HTML = "text/plain", "text/html"
CREATE, READ, SEARCH, UPDATE = (Need("Observation", letter) for letter in "crsu")
ITS_ID = {"set_id": "$response.body#/id"}
ITS_VERSION = {**ITS_ID, "header.If-Match": "$response.header.ETag"}
LINKS = (
    Link(operation="get_reading_set", parameters=ITS_ID),
    Link(operation="list_reading_set_versions", parameters=ITS_ID),
    Link(operation="get_reading_set_version", parameters={**ITS_ID, "number": "$response.body#/version"}),
    Link(operation="get_reading_set_bundle", parameters=ITS_ID),
    Link(operation="get_reading_set_sheet", parameters=ITS_ID),
    Link(operation="append_readings", parameters=ITS_VERSION),
    Link(operation="reopen_reading_set", parameters=ITS_VERSION),
    Link(operation="correct_reading_set", parameters=ITS_VERSION),
    Link(operation="move_reading_set", parameters=ITS_VERSION),
    Link(operation="get_subject", parameters={"subject_id": "$response.body#/subject_id"}),
    Link(operation="list_reading_sets", parameters={"query.subject_id": "$response.body#/subject_id"}),
    Link(operation="read_observation", parameters={"resource_id": "{$response.body#/id}-r0"}),
    Link(operation="read_patient", parameters={"resource_id": "$response.body#/subject_id"}),
    Link(operation="read_provenance", parameters={"resource_id": "{$response.body#/id}-v1"}),
)
CHANGED = Reply(description="The set as it now stands.", shape=Envelope, headers=("ETag", "Idempotency-Replayed"), links=LINKS)
CHANGE_PROBLEMS = (kinds.BAD_HEADER, kinds.CONFLICT, kinds.VERSION_STALE, kinds.VERSION_NOT_NAMED)
UNCHANGED = Reply(status=304, description="You have it already.", headers=("ETag",))

STORE = Operation(
    id="store_reading_set",
    tag=TAG,
    summary="Evaluate and store a reading set",
    description="One sitting: whole, or with `closed: false` and more to come. The answer is sent once it is on disk.",
    access=CREATE,
    parameters=(IDEMPOTENCY_KEY,),
    body=ReadingSet,
    examples=examples.READING_SETS,
    replies=(
        Reply(
            status=201,
            description="Stored, or stored before by the same request.",
            shape=Envelope,
            headers=("ETag", "Location", "Idempotency-Replayed"),
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
        Parameter(
            name="subject_id",
            within="query",
            schema={"type": "string", "format": "uuid"},
            description="Only of this person, by the id that this service gave. Unknown: an empty list.",
        ),
        Parameter(
            name="from",
            within="query",
            schema={"type": "string"},
            description="Only sittings that began at this day or time, or later. A plain day is in the tenant's time zone.",
        ),
        Parameter(name="to", within="query", schema={"type": "string"}, description="Only sittings that began before this."),
        Parameter(
            name="limit",
            within="query",
            schema={"type": "integer", "minimum": 1, "maximum": LONGEST_PAGE, "default": 50},
            description="The length of the page.",
        ),
        Parameter(name="cursor", within="query", schema={"type": "string"}, description="From the `next` of an earlier page."),
    ),
    replies=(Reply(description="A page.", shape=SetPage, headers=("Link",)),),
)
GET = Operation(
    id="get_reading_set",
    tag=TAG,
    summary="One set, as it stands",
    access=READ,
    parameters=(IF_NONE_MATCH,),
    replies=(Reply(description="The newest version.", shape=Envelope, headers=("ETag",)), UNCHANGED),
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
    parameters=(IF_NONE_MATCH,),
    replies=(Reply(description="That version.", shape=Envelope, headers=("ETag",)), UNCHANGED),
)
APPEND = Operation(
    id="append_readings",
    tag=TAG,
    summary="Add readings to an open set, or close it",
    description="Each answer carries the next step. `context` answers are merged key by key; `closed: true`, with or without "
    "readings, closes. A set in which nothing arrives for 60 minutes is closed by the service.",
    access=UPDATE,
    parameters=(IF_MATCH_OR_ANY, IDEMPOTENCY_KEY),
    body=Append,
    examples=examples.APPENDS,
    replies=(CHANGED,),
    problems=CHANGE_PROBLEMS,
)
REOPEN = Operation(
    id="reopen_reading_set",
    tag=TAG,
    summary="Open a set again within 24 hours of its closing",
    access=UPDATE,
    parameters=(IF_MATCH, IDEMPOTENCY_KEY),
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
    parameters=(IF_MATCH, IDEMPOTENCY_KEY),
    body=Correction,
    examples=examples.CORRECTIONS,
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
    parameters=(IF_NONE_MATCH,),
    replies=(
        Reply(description="The sheet.", media_type=PLAIN, headers=("ETag",)),
        Reply(description="The sheet.", media_type=HTML, headers=("ETag",)),
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
    parameters=(IF_MATCH, IDEMPOTENCY_KEY),
    body=Move,
    examples=examples.MOVES,
    replies=(
        Reply(
            status=201,
            description="The set of the other person.",
            shape=Envelope,
            headers=("ETag", "Location", "Idempotency-Replayed"),
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
