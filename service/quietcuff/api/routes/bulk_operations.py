"""What each route of bulk export says of itself."""

from __future__ import annotations

from quietcuff.api import problem_types as kinds
from quietcuff.api.fhir_responses import FHIR_JSON
from quietcuff.api.operations import JSON, Operation, Parameter, Reply
from quietcuff.fhir.bulk.manifest import Manifest
from quietcuff.fhir.bulk.plan import EXPORTED_TYPES
from quietcuff.security.scopes import Need

TAG = "Bulk export"
NDJSON = "application/fhir+ndjson"
TEXT = {"type": "string"}
PARAMETERS = {
    "_type": f"Types, by commas: {', '.join(EXPORTED_TYPES)}. All that the key may read by default.",
    "_since": "Only what changed after this instant: the transactionTime of the export before.",
    "_until": "Only what changed before this instant.",
    "_typeFilter": "Searches, by commas, such as Observation?code=96607-7, percent-encoded; one of them must find it.",
    "_elements": "Names of elements, by commas, such as Observation.component; the rest is left out.",
    "_outputFormat": "application/fhir+ndjson, application/ndjson or ndjson: one and the same.",
}
WHOSE = {"system": "everything", "patient": "all people", "group": "the people of a group"}
PARAMETERS_BODY = {
    "type": "object",
    "required": ["resourceType"],
    "properties": {"resourceType": {"const": "Parameters"}, "parameter": {"type": "array", "items": {"type": "object"}}},
}
EXAMPLE = {
    "resourceType": "Parameters",
    "parameter": [
        {"name": "_type", "valueString": "Observation"},
        {"name": "_since", "valueInstant": "2026-05-01T00:00:00Z"},
    ],
}
BEGUN = Reply(status=202, description="Begun. Content-Location is where to ask after it.", headers=("Content-Location",))
REFUSALS = (kinds.BAD_REQUEST, kinds.NOT_ALLOWED, kinds.FORMAT_NOT_OFFERED, kinds.TOO_OFTEN)


def kick_off(level: str, method: str) -> Operation:
    """One way of beginning an export."""
    by_post = method == "post"
    return Operation(
        id=f"export_{level}" + ("_by_post" if by_post else ""),
        tag=TAG,
        summary=f"Begin an export of {WHOSE[level]}" + (", with a Parameters resource" if by_post else ""),
        description="Needs the scopes r and s of each type. An export that is begun is worked on beside the requests.",
        access="any-key",
        speaks_fhir=True,
        parameters=()
        if by_post
        else tuple(Parameter(name=name, within="query", schema=TEXT, description=text) for name, text in PARAMETERS.items()),
        body=PARAMETERS_BODY if by_post else None,
        media_type=JSON,
        examples={"what changed since May": EXAMPLE} if by_post else {},
        replies=(BEGUN,),
        problems=REFUSALS,
    )


KICK_OFFS = {(level, method): kick_off(level, method) for level in WHOSE for method in ("get", "post")}
POLL = Operation(
    id="ask_after_export",
    tag=TAG,
    summary="How an export stands",
    access="any-key",
    speaks_fhir=True,
    replies=(
        Reply(description="It is done: its manifest.", shape=Manifest, headers=("Expires",)),
        Reply(status=202, description="Not done yet.", headers=("X-Progress", "Retry-After")),
    ),
    problems=(kinds.NOT_FOUND, kinds.NOT_ALLOWED, kinds.TOO_OFTEN, kinds.EXPORT_FAILED),
)
STOP = Operation(
    id="end_export",
    tag=TAG,
    summary="End an export, done or not, and delete its files",
    access="any-key",
    speaks_fhir=True,
    replies=(Reply(status=202, description="It is ended."),),
    problems=(kinds.NOT_FOUND,),
)
READ_FILE = Operation(
    id="read_export_file",
    tag=TAG,
    summary="One file of an export",
    description="A resource a line. With Accept-Encoding: gzip it is sent compressed, as it is stored.",
    access="any-key",
    lane="file",
    speaks_fhir=True,
    replies=(Reply(description="The file.", media_type=NDJSON, headers=("Content-Encoding",)),),
    problems=(kinds.NOT_FOUND, kinds.NOT_ALLOWED),
)
READ_GROUP = Operation(
    id="read_group",
    tag=TAG,
    summary="A group, as FHIR shows it",
    access=Need("Group", "r"),
    speaks_fhir=True,
    replies=(Reply(description="The Group.", media_type=FHIR_JSON, headers=("ETag",)),),
    problems=(kinds.NOT_FOUND, kinds.FORMAT_NOT_OFFERED),
)
