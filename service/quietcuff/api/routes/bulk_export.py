"""Routes of bulk export: ``$export``, its status, its files and its end. Source: Bulk Data Access 3."""

from __future__ import annotations

from email.utils import format_datetime
from typing import Any

import msgspec
from litestar import Controller, Request, delete, get, post
from litestar.params import RawBody
from litestar.response.base import ASGIResponse
from litestar.response.streaming import ASGIStreamingResponse

from quietcuff.api import problem_types as kinds
from quietcuff.api.authentication import caller_of, principal_of
from quietcuff.api.fhir_responses import FHIR_BASE, FHIR_JSON, FHIR_JSON_UTF8, check_format, pairs_of, publisher_of
from quietcuff.api.operations import JSON, Operation, OperationParameter, Reply, described
from quietcuff.api.requests import Connection, PathText, accepts_gzip, header_of, number_of
from quietcuff.api.responses import answer
from quietcuff.api.service import service_of
from quietcuff.application import groups
from quietcuff.application.bulk import jobs
from quietcuff.application.bulk.jobs import Export
from quietcuff.core.model.errors import NotAllowed, NotFound
from quietcuff.decode.fhir.parameters import read_parameters
from quietcuff.fhir.bulk.gzip_files import gzip_length
from quietcuff.fhir.bulk.manifest import Manifest, manifest_of
from quietcuff.fhir.bulk.plan import EXPORTED_TYPES, ExportPlan, Pairs
from quietcuff.fhir.bulk.request import KickOff, Level, Readable, plan_of
from quietcuff.fhir.operation_outcome import operation_outcome
from quietcuff.fhir.resources.group import group_resource
from quietcuff.security.scopes import Need, Scopes
from quietcuff.storage.bulk.groups import Members

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
BEGUN = Reply(status=202, description="Begun. Content-Location is where to ask after it.", headers=("Content-Location",))
REFUSALS = (kinds.BAD_REQUEST, kinds.NOT_ALLOWED, kinds.FORMAT_NOT_OFFERED, kinds.TOO_OFTEN)


def kick_off(level: str, method: str) -> Operation:
    """One operation that starts an export."""
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
        else tuple(
            OperationParameter(name=name, within="query", schema=TEXT, description=text) for name, text in PARAMETERS.items()
        ),
        body=PARAMETERS_BODY if by_post else None,
        media_type=JSON,
        examples={"what changed since May": "export-parameters"} if by_post else {},
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


JOBS = "/bulk"
EVERYBODY = Members()


class BulkExport(Controller):
    """Exports."""

    path = FHIR_BASE

    @get("/$export", status_code=202, opt=described(KICK_OFFS["system", "get"]))
    async def export_all(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Begin an export of everything."""
        return await _begin(request, "system", EVERYBODY, None)

    @post("/$export", status_code=202, opt=described(KICK_OFFS["system", "post"]))
    async def export_all_by_post(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
        """Begin an export of everything, with the parameters in the body."""
        return await _begin(request, "system", EVERYBODY, body)

    @get("/Patient/$export", status_code=202, opt=described(KICK_OFFS["patient", "get"]))
    async def export_patients(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Begin an export of all people."""
        return await _begin(request, "patient", EVERYBODY, None)

    @post("/Patient/$export", status_code=202, opt=described(KICK_OFFS["patient", "post"]))
    async def export_patients_by_post(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
        """Begin an export of all people or of those that the body names."""
        return await _begin(request, "patient", EVERYBODY, body)

    @get("/Group/{group_id:str}", opt=described(READ_GROUP))
    async def group(self, request: Request[Any, Any, Any], group_id: PathText) -> ASGIResponse:
        """Answer a group."""
        check_format(request, [value for name, value in pairs_of(request.scope["query_string"]) if name == "_format"])
        found = await groups.read_group(service_of(request).desk, caller_of(request), group_id)
        resource = group_resource(found.id, found.name, found.created_at, found.people)
        return answer(resource, media_type=FHIR_JSON_UTF8, headers={"ETag": 'W/"1"'})

    @get("/Group/{group_id:str}/$export", status_code=202, opt=described(KICK_OFFS["group", "get"]))
    async def export_group(self, request: Request[Any, Any, Any], group_id: PathText) -> ASGIResponse:
        """Begin an export of the people of a group."""
        members = await groups.members_of_group(service_of(request).desk, caller_of(request), group_id)
        return await _begin(request, "group", members, None)

    @post("/Group/{group_id:str}/$export", status_code=202, opt=described(KICK_OFFS["group", "post"]))
    async def export_group_by_post(self, request: Request[Any, Any, Any], group_id: PathText, body: RawBody) -> ASGIResponse:
        """Begin an export of the people of a group, or of those of them that the body names."""
        members = await groups.members_of_group(service_of(request).desk, caller_of(request), group_id)
        return await _begin(request, "group", members, body)

    @get(f"{JOBS}/{{job_id:str}}", opt=described(POLL))
    async def ask(self, request: Request[Any, Any, Any], job_id: PathText) -> ASGIResponse:
        """Answer the state of an export, and its manifest once it is done."""
        found = await jobs.ask_after_export(service_of(request).desk, caller_of(request), job_id)
        _check_scopes(request, found, found.plan.types)
        if found.state == "open":
            headers = {"X-Progress": found.progress, "Retry-After": str(found.retry_after_seconds)}
            return answer(b"", status=202, headers=headers)
        if found.state == "failed":
            kind = kinds.EXPORT_FAILED
            return answer(operation_outcome(kind.status, kind.title), status=kind.status, media_type=FHIR_JSON_UTF8)
        return _manifest(request, found, job_id)

    @delete(f"{JOBS}/{{job_id:str}}", status_code=202, opt=described(STOP))
    async def stop(self, request: Request[Any, Any, Any], job_id: PathText) -> ASGIResponse:
        """End an export, and have its files deleted."""
        desk, caller = service_of(request).desk, caller_of(request)
        found = await jobs.find_export(desk, caller, job_id)
        _check_scopes(request, found, found.plan.types)
        await jobs.end_export(desk, caller, job_id)
        return answer(b"", status=202)

    @get(f"{JOBS}/{{job_id:str}}/{{number:str}}", opt=described(READ_FILE))
    async def read_file(self, request: Request[Any, Any, Any], job_id: PathText, number: PathText) -> ASGIResponse:
        """Send a file, as it is stored to a client that accepts gzip."""
        desk, caller = service_of(request).desk, caller_of(request)
        found = await jobs.read_export(desk, caller, job_id)
        place = number_of(number)
        if place > len(found.files):
            raise NotFound("file")
        file = found.files[place - 1]
        # Files of deletions and errors tell of several types at once, so all of the plan's are needed.
        _check_scopes(request, found, [file.resource_type] if file.purpose == "output" else found.plan.types)
        await jobs.note_download(desk, caller)
        packed = accepts_gzip(request)
        headers = {"Vary": "Accept-Encoding", "Content-Length": str(gzip_length(file) if packed else file.plain_bytes)}
        return ASGIStreamingResponse(
            iterator=jobs.export_file(desk, caller, job_id, file, packed=packed),
            media_type=NDJSON,
            headers=headers | ({"Content-Encoding": "gzip"} if packed else {}),
        )


async def _begin(request: Request[Any, Any, Any], level: Level, members: Members, body: bytes | None) -> ASGIResponse:
    raw: bytes = request.scope["query_string"]
    query = pairs_of(raw)
    check_format(request, [])
    service, publisher = service_of(request), await publisher_of(request)
    path = request.scope["path"] + (f"?{raw.decode('ascii')}" if raw else "")
    asked = KickOff(
        request=f"{publisher.public_url}{path}",
        level=level,
        parameters=query if body is None else [*query, *read_parameters(body)],
        by_post=body is not None,
        is_lenient="handling=lenient" in (header_of(request, "Prefer") or "").replace(" ", ""),
    )
    # Planned before the job is stored, so that a parameter that cannot be met is refused now and not by a failed job.
    readable, now = _readable(principal_of(request).scopes), service.desk.clock()
    plan = await service.desk.store.read(
        publisher.tenant.tenant_id, lambda snapshot: plan_of(snapshot, asked, publisher, members, readable, now)
    )
    job_id = await jobs.start_export(service.desk, caller_of(request), plan, service.export_limits)
    service.export_bell.set()
    return answer(b"", status=202, headers={"Content-Location": f"{publisher.fhir_url}{JOBS}/{job_id}"})


def _manifest(request: Connection, found: Export, job_id: str) -> ASGIResponse:
    if found.transaction_time is None or found.expires_at is None:
        raise NotFound("manifest")
    address = f"{service_of(request).settings.public_url}{FHIR_BASE}{JOBS}/{job_id}"
    manifest = manifest_of(found.plan.request, found.transaction_time, found.files, address)
    headers = {"Expires": format_datetime(found.expires_at, usegmt=True)}
    return answer(msgspec.json.encode(manifest), media_type=JSON, headers=headers)


def _readable(scopes: Scopes) -> Readable:
    """Types that may be exported, which need both read and search, with the searches that narrow each."""
    found = {name: [scopes.parts(Need(name, letter)) for letter in "rs"] for name in EXPORTED_TYPES}
    return {name: _common(*parts) for name, parts in found.items() if all(part != [] for part in parts)}


def _common(reading: list[Pairs] | None, searching: list[Pairs] | None) -> list[Pairs] | None:
    """Searches that satisfy both scopes; None for the whole type."""
    if reading is None or searching is None:
        return searching if reading is None else reading
    return [(*one, *other) for one in reading for other in searching]


def _check_scopes(request: Connection, export: Export, types: Any) -> None:
    """Refuse callers who may not read the content of an export.

    Raises:
        NotAllowed: it holds a type that the key may not read, or a type that the key may read in part only and did not narrow
        so itself.
    """
    principal = principal_of(request)
    readable = _readable(principal.scopes)
    for name in types:
        parts = readable.get(name, [])
        is_own = export.created_by == principal.actor and _holds_no_more(export.plan, name, parts or [])
        if parts is not None and not is_own:
            raise NotAllowed(f"system/{name}.rs")


def _holds_no_more(plan: ExportPlan, resource_type: str, parts: list[Pairs]) -> bool:
    """True if everything of a type in the export would also be found by one of these searches. A client's token may have fewer
    scopes now than the one that started the export."""
    filters = plan.filters_of(resource_type)
    return bool(filters) and all(any(set(part) <= set(one) for part in parts) for one in filters)
