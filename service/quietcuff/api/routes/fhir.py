"""``/fhir/R4``: what is stored, as FHIR. The routes of each type are the same. Source: FHIR R4 http and search."""

from __future__ import annotations

import asyncio
import gzip
from typing import Any

from litestar import Controller, Request, get, post
from litestar.params import FromPath, RawBody
from litestar.response.base import ASGIResponse

from quietcuff.api.fhir_responses import FHIR_BASE, FHIR_JSON_UTF8, check_format, formats_of, pairs_of, publisher_of
from quietcuff.api.operations import described
from quietcuff.api.reads import tell_found
from quietcuff.api.requests import accepts_gzip, header_of
from quietcuff.api.responses import answer, not_modified
from quietcuff.api.routes import fhir_operations as told
from quietcuff.api.service import service_of
from quietcuff.decode.fhir.parameters import read_parameters
from quietcuff.fhir.bulk.gzip_files import LEVEL
from quietcuff.fhir.capability import capability_statement
from quietcuff.fhir.history.looking_back import parse_looking_back
from quietcuff.fhir.history.read import Read, read_resource
from quietcuff.fhir.history.versions import PASTS, history, read_version
from quietcuff.fhir.search.date_values import Clock
from quietcuff.fhir.search.lastn import last_n
from quietcuff.fhir.search.request import elements_of_read, parse_search
from quietcuff.fhir.search.searchset import searchset
from quietcuff.fhir.search.types import SEARCHED
from quietcuff.fhir.versions.stored_sets import Publisher
from quietcuff.security.tokens import TOKEN_PATH
from quietcuff.storage.search.observations import Snapshot

Pairs = list[tuple[str, str]]
# Every entry of a Bundle has one, and no text of a resource can hold the quotation marks.
ENTRY = b'"fullUrl":'
# Shorter answers are sent as they are: a page of one packet is not sent sooner for being smaller.
WORTH_PACKING = 1_400


class Metadata(Controller):
    """What this server can do."""

    path = FHIR_BASE

    @get("/metadata", opt=described(told.METADATA))
    async def metadata(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Answer the CapabilityStatement."""
        check_format(request, formats_of(pairs_of(request.scope["query_string"])))
        service = service_of(request)
        public_url = service.settings.public_url
        statement = capability_statement(public_url, public_url + TOKEN_PATH, service.started_at.date())
        return answer(statement, media_type=FHIR_JSON_UTF8)


class LastObservations(Controller):
    """The newest of each code."""

    path = f"{FHIR_BASE}/Observation"

    @get("/$lastn", opt=described(told.LASTN))
    async def last(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Answer by the query."""
        return await _last(request, pairs_of(request.scope["query_string"]))

    @post("/$lastn", status_code=200, opt=described(told.LASTN_BY_POST))
    async def last_by_post(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
        """Answer by query and body together."""
        return await _last(request, [*pairs_of(request.scope["query_string"]), *read_parameters(body)])


def controller_of(kind: str) -> type[Controller]:
    """The routes of one type of resource: read, read of a version, history where there is one, and search both ways."""

    class OfType(Controller):
        """Read and search."""

        path = f"{FHIR_BASE}/{kind}"

        @get("/", opt=described(told.search_of(kind)))
        async def search(self, request: Request[Any, Any, Any]) -> ASGIResponse:
            """Search by the query."""
            return await _found(request, kind, pairs_of(request.scope["query_string"]))

        @post("/_search", opt=described(told.search_by_post_of(kind)))
        async def search_by_post(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
            """Search by query and body together."""
            return await _found(request, kind, [*pairs_of(request.scope["query_string"]), *pairs_of(body)])

        @get("/{resource_id:str}", opt=described(told.read_of(kind)))
        async def read(self, request: Request[Any, Any, Any], resource_id: FromPath[str]) -> ASGIResponse:
            """Answer a resource as it stands."""
            return await _read(request, kind, lambda snapshot, publisher: read_resource(snapshot, publisher, kind, resource_id))

        @get("/{resource_id:str}/_history/{version_id:str}", opt=described(told.read_version_of(kind)))
        async def read_version(
            self, request: Request[Any, Any, Any], resource_id: FromPath[str], version_id: FromPath[str]
        ) -> ASGIResponse:
            """Answer a resource as it was."""
            return await _read(
                request, kind, lambda snapshot, publisher: read_version(snapshot, publisher, kind, resource_id, version_id)
            )

    return OfType


def history_of(kind: str) -> type[Controller]:
    """The route of the history of one type of resource."""

    class History(Controller):
        """Every version."""

        path = f"{FHIR_BASE}/{kind}"

        @get("/{resource_id:str}/_history", opt=described(told.history_of(kind)))
        async def history(self, request: Request[Any, Any, Any], resource_id: FromPath[str]) -> ASGIResponse:
            """Answer every version of a resource."""
            pairs = pairs_of(request.scope["query_string"])
            check_format(request, formats_of(pairs))
            publisher = await publisher_of(request)
            clock = Clock(publisher.tenant.zone, service_of(request).desk.clock())
            wanted = parse_looking_back(pairs, clock, is_strict=_is_strict(request))
            bundle = await service_of(request).desk.store.read(
                publisher.tenant.tenant_id, lambda snapshot: history(snapshot, publisher, kind, resource_id, wanted)
            )
            tell_found(request, bundle.count(ENTRY), asked=pairs)
            return answer(bundle, media_type=FHIR_JSON_UTF8)

    return History


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
    found: Read = await service_of(request).desk.store.read(
        publisher.tenant.tenant_id, lambda snapshot: work(snapshot, publisher)
    )
    headers = {"ETag": found.etag}
    if found.last_modified is not None:
        headers["Last-Modified"] = found.last_modified
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
    tell_found(request, bundle.count(ENTRY), asked=pairs)
    headers = {"Vary": "Accept-Encoding"}
    if len(bundle) >= WORTH_PACKING and accepts_gzip(request):
        bundle = await asyncio.to_thread(gzip.compress, bundle, LEVEL, mtime=0)
        headers["Content-Encoding"] = "gzip"
    return answer(bundle, media_type=FHIR_JSON_UTF8, headers=headers)


def _is_strict(request: Request[Any, Any, Any]) -> bool:
    return "handling=strict" in (header_of(request, "Prefer") or "").replace(" ", "")
