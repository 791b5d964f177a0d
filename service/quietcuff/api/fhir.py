"""``/fhir/R4``: what is stored, as FHIR. Source: FHIR R4 http and search."""

from __future__ import annotations

from typing import Any

from litestar import Controller, Request, get, post
from litestar.params import FromPath, RawBody
from litestar.response.base import ASGIResponse

from quietcuff.api import problem_types as kinds
from quietcuff.api.answers import answer, not_modified
from quietcuff.api.fhir_answers import FHIR_BASE, FHIR_JSON, FHIR_JSON_UTF8, check_format, pairs_of, publisher_of
from quietcuff.api.operations import FORM, Operation, Parameter, Reply, described
from quietcuff.api.requests import header_of
from quietcuff.api.service import service_of
from quietcuff.export.asking import parse_search
from quietcuff.export.capability import capability_statement
from quietcuff.export.dates import Clock
from quietcuff.export.parameters import PARAMETERS
from quietcuff.export.read import read_resource
from quietcuff.export.search import searchset
from quietcuff.security.scopes import Need
from quietcuff.security.tokens import TOKEN_PATH

TAG = "FHIR R4"
CONTROLS = {
    "_count": "The length of a page.",
    "_sort": "date or -date.",
    "_summary": "count: the number of matches only.",
    "_total": "none or accurate.",
    "_cursor": "From the next link of an earlier page.",
    "_format": "json.",
}
SEARCHED = {**{parameter.name: parameter.documentation for parameter in PARAMETERS}, **CONTROLS}


def _read(kind: str, letter: str = "r") -> Operation:
    return Operation(
        id=f"read_{kind.lower()}",
        tag=TAG,
        summary=f"One {kind}",
        access=Need(kind, letter),
        speaks_fhir=True,
        replies=(
            Reply(description=f"The {kind}.", media_type=FHIR_JSON, headers=("ETag", "Last-Modified")),
            Reply(status=304, description="You have it already.", headers=("ETag",)),
        ),
        problems=(kinds.NOT_FOUND, kinds.FORMAT_NOT_OFFERED),
    )


def _search(id: str, summary: str, **more: Any) -> Operation:
    return Operation(
        id=id,
        tag=TAG,
        summary=summary,
        access=Need("Observation", "s"),
        speaks_fhir=True,
        replies=(Reply(description="A Bundle of type searchset.", media_type=FHIR_JSON),),
        problems=(kinds.BAD_REQUEST, kinds.FORMAT_NOT_OFFERED),
        **more,
    )


METADATA = Operation(
    id="capability_statement",
    tag=TAG,
    summary="What this FHIR server can do",
    access="open",
    speaks_fhir=True,
    replies=(Reply(description="A CapabilityStatement.", media_type=FHIR_JSON),),
    problems=(kinds.FORMAT_NOT_OFFERED,),
)
SEARCH = _search(
    "search_observations",
    "Find Observations",
    parameters=tuple(
        Parameter(name=name, within="query", schema={"type": "string"}, description=text) for name, text in SEARCHED.items()
    ),
)
SEARCH_BY_POST = _search(
    "search_observations_by_post",
    "Find Observations, with the parameters in the body",
    media_type=FORM,
    body={"type": "object", "properties": {name: {"type": "string", "description": text} for name, text in SEARCHED.items()}},
    examples={"means of May": {"code": "96607-7", "date": "2026-05"}},
)


class Fhir(Controller):
    """Read and search."""

    path = FHIR_BASE

    @get("/metadata", opt=described(METADATA))
    async def metadata(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Answer the CapabilityStatement."""
        check_format(request, _formats(pairs_of(request.scope["query_string"])))
        service = service_of(request)
        public_url = service.settings.public_url
        statement = capability_statement(public_url, public_url + TOKEN_PATH, service.started_at.date())
        return answer(statement, media_type=FHIR_JSON_UTF8)

    @get("/Observation", opt=described(SEARCH))
    async def search(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Search by the query."""
        return await _found(request, pairs_of(request.scope["query_string"]))

    @post("/Observation/_search", opt=described(SEARCH_BY_POST))
    async def search_by_post(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
        """Search by query and body together."""
        return await _found(request, [*pairs_of(request.scope["query_string"]), *pairs_of(body)])

    @get("/Observation/{resource_id:str}", opt=described(_read("Observation")))
    async def observation(self, request: Request[Any, Any, Any], resource_id: FromPath[str]) -> ASGIResponse:
        """Answer an Observation."""
        return await _resource(request, "Observation", resource_id)

    @get("/Patient/{resource_id:str}", opt=described(_read("Patient")))
    async def patient(self, request: Request[Any, Any, Any], resource_id: FromPath[str]) -> ASGIResponse:
        """Answer a Patient."""
        return await _resource(request, "Patient", resource_id)

    @get("/Device/{resource_id:str}", opt=described(_read("Device")))
    async def device(self, request: Request[Any, Any, Any], resource_id: FromPath[str]) -> ASGIResponse:
        """Answer a Device."""
        return await _resource(request, "Device", resource_id)

    @get("/Provenance/{resource_id:str}", opt=described(_read("Provenance")))
    async def provenance(self, request: Request[Any, Any, Any], resource_id: FromPath[str]) -> ASGIResponse:
        """Answer a Provenance."""
        return await _resource(request, "Provenance", resource_id)


async def _resource(request: Request[Any, Any, Any], kind: str, resource_id: str) -> ASGIResponse:
    check_format(request, _formats(pairs_of(request.scope["query_string"])))
    publisher = await publisher_of(request)
    found = await service_of(request).desk.store.read(
        publisher.tenant.tenant_id, lambda snapshot: read_resource(snapshot, publisher, kind, resource_id)
    )
    if found.is_known_to(header_of(request, "If-None-Match"), header_of(request, "If-Modified-Since")):
        return not_modified(found.etag)
    headers = {"ETag": found.etag}
    if found.last_modified is not None:
        headers["Last-Modified"] = found.last_modified
    return answer(found.body, media_type=FHIR_JSON_UTF8, headers=headers)


async def _found(request: Request[Any, Any, Any], pairs: list[tuple[str, str]]) -> ASGIResponse:
    check_format(request, _formats(pairs))
    publisher, desk = await publisher_of(request), service_of(request).desk
    is_strict = "handling=strict" in (header_of(request, "Prefer") or "").replace(" ", "")
    clock = Clock(publisher.tenant.zone, desk.clock())
    wanted = parse_search(pairs, fhir_url=publisher.fhir_url, clock=clock, is_strict=is_strict)
    bundle = await desk.store.read(publisher.tenant.tenant_id, lambda snapshot: searchset(snapshot, publisher, wanted))
    return answer(bundle, media_type=FHIR_JSON_UTF8)


def _formats(pairs: list[tuple[str, str]]) -> list[str]:
    return [value for name, value in pairs if name == "_format"]
