"""``/fhir/R4``: stored data as FHIR, with the same routes for each type. Source: FHIR R4 http and search.

The operations are made from the same tables that the searches read.
"""

from __future__ import annotations

import asyncio
import gzip
from typing import Any

from litestar import Controller, Request, get, post
from litestar.params import RawBody
from litestar.response.base import ASGIResponse

from quietcuff.api import problem_types as kinds
from quietcuff.api.fhir_responses import FHIR_BASE, FHIR_JSON, FHIR_JSON_UTF8, check_format, formats_of, pairs_of, publisher_of
from quietcuff.api.operations import FORM, JSON, Operation, OperationParameter, Reply, described
from quietcuff.api.reads import note_found
from quietcuff.api.requests import PathText, accepts_gzip, header_of
from quietcuff.api.responses import answer, not_modified
from quietcuff.api.routes.bulk_export import PARAMETERS_BODY
from quietcuff.api.service import service_of
from quietcuff.decode.fhir.parameters import read_parameters
from quietcuff.fhir.bulk.gzip_files import LEVEL
from quietcuff.fhir.capability import capability_statement
from quietcuff.fhir.history.read import ReadResource, read_resource
from quietcuff.fhir.history.versions import PASTS, history, parse_looking_back, read_version
from quietcuff.fhir.search.date_values import Clock
from quietcuff.fhir.search.lastn import last_n
from quietcuff.fhir.search.request import SearchOffer, elements_of_read, parse_search
from quietcuff.fhir.search.searchset import searchset
from quietcuff.fhir.search.types import OBSERVATIONS, SEARCHED
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.security.scopes import Need
from quietcuff.security.tokens import TOKEN_PATH
from quietcuff.storage.search.observations import Snapshot

TAG = "FHIR R4"
ETAGGED = ("ETag", "Last-Modified")
KNOWN_ALREADY = Reply(status=304, description="You have it already.", headers=("ETag",))
FORMAT = {"_format": "json."}
PAGED = {"_cursor": "From the next link of an earlier page.", **FORMAT}
LOOKING_BACK = {
    "_since": "Only versions from this moment on.",
    "_at": "Only versions that stood at some time in this day, month, year or moment.",
    "_count": "The length of a page; 0 for the total alone. By default there is one page.",
    **PAGED,
}
PART = {
    "_elements": "The elements wanted, with commas between.",
    "_summary": "true, text, data or false.",
    **FORMAT,
}
EXAMPLES = {
    "AuditEvent": {"what was done in May": "search-auditevent"},
    "Device": {"one device": "search-device"},
    "Observation": {"means of May": "search-observation"},
    "Patient": {"one person": "search-patient"},
    "Provenance": {"newest first": "search-provenance"},
}

METADATA = Operation(
    id="capability_statement",
    tag=TAG,
    summary="What this FHIR server can do",
    access="open",
    speaks_fhir=True,
    replies=(Reply(description="A CapabilityStatement.", media_type=FHIR_JSON),),
    problems=(kinds.FORMAT_NOT_OFFERED,),
)


# What is deleted with its person or its sitting, and read ever after as gone.
DELETED_OF = {kind: (kinds.DELETED,) for kind in ("Observation", "Patient", "Provenance")}


def read_of(kind: str) -> Operation:
    return _read_operation(kind, f"read_{_word(kind)}", f"One {kind}")


def read_version_of(kind: str) -> Operation:
    return _read_operation(kind, f"read_{_word(kind)}_version", f"One {kind} as it was")


def _read_operation(kind: str, id: str, summary: str) -> Operation:
    return Operation(
        id=id,
        tag=TAG,
        summary=summary,
        access=Need(kind, "r"),
        speaks_fhir=True,
        narrows=kind == "Observation",
        parameters=_parameters(PART),
        replies=(Reply(description=f"The {kind}.", media_type=FHIR_JSON, headers=ETAGGED), KNOWN_ALREADY),
        problems=(kinds.NOT_FOUND, *DELETED_OF.get(kind, ()), kinds.BAD_REQUEST, kinds.FORMAT_NOT_OFFERED),
    )


def history_operation(kind: str) -> Operation:
    return Operation(
        id=f"history_of_{_word(kind)}",
        tag=TAG,
        summary=f"Every version of one {kind}",
        access=Need(kind, "r"),
        speaks_fhir=True,
        narrows=kind == "Observation",
        parameters=_parameters(LOOKING_BACK),
        replies=(Reply(description="A Bundle of type history, the newest first.", media_type=FHIR_JSON),),
        problems=(kinds.NOT_FOUND, kinds.BAD_REQUEST, kinds.FORMAT_NOT_OFFERED),
    )


def search_of(kind: str) -> Operation:
    asked = asked_of(SEARCHED[kind].asking)
    return _search(kind, f"search_{_plural(kind)}", f"Find {kind} resources", parameters=_parameters(asked))


def search_by_post_of(kind: str) -> Operation:
    asked = asked_of(SEARCHED[kind].asking)
    return _search(
        kind,
        f"search_{_plural(kind)}_by_post",
        f"Find {kind} resources, with the parameters in the body",
        media_type=FORM,
        body={"type": "object", "properties": {name: {"type": "string", "description": text} for name, text in asked.items()}},
        examples=EXAMPLES[kind],
    )


def _search(kind: str, id: str, summary: str, **more: Any) -> Operation:
    return Operation(
        id=id,
        tag=TAG,
        summary=summary,
        access=Need(kind, "s"),
        speaks_fhir=True,
        narrows=kind == "Observation",
        replies=(Reply(description="A Bundle of type searchset.", media_type=FHIR_JSON),),
        problems=(kinds.BAD_REQUEST, kinds.FORMAT_NOT_OFFERED),
        **more,
    )


def asked_of(asking: SearchOffer) -> dict[str, str]:
    """Every parameter of a search, with its description."""
    controls = {
        "_count": "The length of a page; 0 for the total alone.",
        "_sort": f"One of {', '.join(asking.orders)}.",
        "_summary": "true, text, data, count or false.",
        "_elements": "The elements wanted, with commas between.",
        "_total": "none or accurate.",
        "_include": ", ".join(asking.includes),
        "_include:iterate": ", ".join(asking.includes),
        "_revinclude": ", ".join(asking.reverse_includes),
        "_revinclude:iterate": ", ".join(asking.reverse_includes),
        **PAGED,
    }
    own = {parameter.name: parameter.documentation for parameter in asking.parameters}
    return {name: text for name, text in {**own, **controls}.items() if text}


def _parameters(asked: dict[str, str]) -> tuple[OperationParameter, ...]:
    return tuple(
        OperationParameter(name=name, within="query", schema={"type": "string"}, description=text)
        for name, text in asked.items()
    )


def _word(kind: str) -> str:
    return "audit_event" if kind == "AuditEvent" else kind.lower()


def _plural(kind: str) -> str:
    return f"{_word(kind)}s"


LASTN = _search(
    "Observation",
    "last_observations",
    "The newest Observations of each code",
    parameters=_parameters(
        {
            "max": "How many of each code, 1 by default.",
            **{one.name: one.documentation for one in OBSERVATIONS.asking.parameters},
            **FORMAT,
        }
    ),
)
LASTN_BY_POST = _search(
    "Observation",
    "last_observations_by_post",
    "The newest Observations of each code, with a Parameters resource",
    body=PARAMETERS_BODY,
    media_type=JSON,
    examples={"the newest mean": "lastn-parameters"},
)


Pairs = list[tuple[str, str]]
# Every entry of a Bundle has one, and no text of a resource can hold the quotation marks.
ENTRY = b'"fullUrl":'
# Shorter answers are sent as they are: a page of one packet is not sent sooner for being smaller.
WORTH_PACKING = 1_400


class Metadata(Controller):
    """The CapabilityStatement of this server."""

    path = FHIR_BASE

    @get("/metadata", opt=described(METADATA))
    async def metadata(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Answer the CapabilityStatement."""
        check_format(request, formats_of(pairs_of(request.scope["query_string"])))
        service = service_of(request)
        public_url = service.settings.public_url
        statement = capability_statement(public_url, public_url + TOKEN_PATH, service.started_at.date())
        return answer(statement, media_type=FHIR_JSON_UTF8)


class LastObservations(Controller):
    """The newest Observations of each code."""

    path = f"{FHIR_BASE}/Observation"

    @get("/$lastn", opt=described(LASTN))
    async def last(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Answer by the query."""
        return await _last(request, pairs_of(request.scope["query_string"]))

    @post("/$lastn", status_code=200, opt=described(LASTN_BY_POST))
    async def last_by_post(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
        """Answer by query and body together."""
        return await _last(request, [*pairs_of(request.scope["query_string"]), *read_parameters(body)])


def controller_of(kind: str) -> type[Controller]:
    """Routes of one resource type: read, version read, and search by GET and POST."""

    class OfType(Controller):
        """Read and search."""

        path = f"{FHIR_BASE}/{kind}"

        @get("/", opt=described(search_of(kind)))
        async def search(self, request: Request[Any, Any, Any]) -> ASGIResponse:
            """Search by the query."""
            return await _found(request, kind, pairs_of(request.scope["query_string"]))

        @post("/_search", opt=described(search_by_post_of(kind)))
        async def search_by_post(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
            """Search by query and body together."""
            return await _found(request, kind, [*pairs_of(request.scope["query_string"]), *pairs_of(body)])

        @get("/{resource_id:str}", opt=described(read_of(kind)))
        async def read(self, request: Request[Any, Any, Any], resource_id: PathText) -> ASGIResponse:
            """Answer the current version of a resource."""
            return await _read(request, kind, lambda snapshot, publisher: read_resource(snapshot, publisher, kind, resource_id))

        @get("/{resource_id:str}/_history/{version_id:str}", opt=described(read_version_of(kind)))
        async def read_version(
            self, request: Request[Any, Any, Any], resource_id: PathText, version_id: PathText
        ) -> ASGIResponse:
            """Answer an earlier version of a resource."""
            return await _read(
                request, kind, lambda snapshot, publisher: read_version(snapshot, publisher, kind, resource_id, version_id)
            )

    return OfType


def history_of(kind: str) -> type[Controller]:
    """The history route of one resource type."""

    class VersionHistory(Controller):
        """Every version."""

        path = f"{FHIR_BASE}/{kind}"

        @get("/{resource_id:str}/_history", opt=described(history_operation(kind)))
        async def history(self, request: Request[Any, Any, Any], resource_id: PathText) -> ASGIResponse:
            """Answer every version of a resource."""
            pairs = pairs_of(request.scope["query_string"])
            check_format(request, formats_of(pairs))
            publisher = await publisher_of(request)
            clock = Clock(publisher.tenant.zone, service_of(request).desk.clock())
            wanted = parse_looking_back(pairs, clock, is_strict=_is_strict(request))
            bundle = await service_of(request).desk.store.read(
                publisher.tenant.tenant_id, lambda snapshot: history(snapshot, publisher, kind, resource_id, wanted)
            )
            note_found(request, bundle.count(ENTRY), asked=pairs)
            return answer(bundle, media_type=FHIR_JSON_UTF8)

    return VersionHistory


FHIR_CONTROLLERS: tuple[type[Controller], ...] = (
    Metadata,
    LastObservations,
    *(controller_of(kind) for kind in sorted(SEARCHED)),
    *(history_of(kind) for kind in sorted(PASTS)),
)


async def _read(request: Request[Any, Any, Any], kind: str, work: Any) -> ASGIResponse:
    pairs = pairs_of(request.scope["query_string"])
    check_format(request, formats_of(pairs))
    elements = elements_of_read(SEARCHED[kind].asking, pairs)
    publisher = await publisher_of(request)
    found: ReadResource = await service_of(request).desk.store.read(
        publisher.tenant.tenant_id, lambda snapshot: work(snapshot, publisher)
    )
    headers = {"ETag": found.etag}
    if found.last_modified is not None:
        headers["Last-Modified"] = found.last_modified
    # After the read and not before it: whether the caller may see the resource is decided there.
    if found.is_known_to(header_of(request, "If-None-Match"), header_of(request, "If-Modified-Since")):
        return not_modified(found.etag)
    body = found.body if elements is None else found.part(elements)
    return answer(body, media_type=FHIR_JSON_UTF8, headers=headers)


async def _found(request: Request[Any, Any, Any], kind: str, pairs: Pairs) -> ASGIResponse:
    def find(snapshot: Snapshot, publisher: Publisher, clock: Clock) -> bytes:
        asking, strict = SEARCHED[kind].asking, _is_strict(request)
        wanted = parse_search(asking, pairs, publisher=publisher, clock=clock, is_strict=strict, snapshot=snapshot)
        return searchset(snapshot, publisher, wanted)

    return await _searched(request, pairs, find)


async def _last(request: Request[Any, Any, Any], pairs: Pairs) -> ASGIResponse:
    def find(snapshot: Snapshot, publisher: Publisher, clock: Clock) -> bytes:
        return last_n(snapshot, publisher, pairs, clock=clock, is_strict=_is_strict(request))

    return await _searched(request, pairs, find)


async def _searched(request: Request[Any, Any, Any], pairs: Pairs, find: Any) -> ASGIResponse:
    check_format(request, formats_of(pairs))
    publisher, desk = await publisher_of(request, "s"), service_of(request).desk
    clock = Clock(publisher.tenant.zone, desk.clock())
    bundle = await desk.store.read(publisher.tenant.tenant_id, lambda snapshot: find(snapshot, publisher, clock))
    note_found(request, bundle.count(ENTRY), asked=pairs)
    # Caches must keep the packed and the plain answer apart, also where this one is plain.
    headers = {"Vary": "Accept-Encoding"}
    if len(bundle) >= WORTH_PACKING and accepts_gzip(request):
        # In a thread, since packing a large Bundle would hold up every other request; without a time, so that equal answers
        # stay equal.
        bundle = await asyncio.to_thread(gzip.compress, bundle, LEVEL, mtime=0)
        headers["Content-Encoding"] = "gzip"
    return answer(bundle, media_type=FHIR_JSON_UTF8, headers=headers)


def _is_strict(request: Request[Any, Any, Any]) -> bool:
    return "handling=strict" in (header_of(request, "Prefer") or "").replace(" ", "")
