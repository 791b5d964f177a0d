"""``/v1/reading-sets``: store sittings, change them, and read them back."""

from __future__ import annotations

from base64 import b64encode
from hashlib import sha256
from typing import Any

from litestar import Controller, Request, get, post
from litestar.params import FromPath, RawBody
from litestar.response.base import ASGIResponse

from quietcuff import application
from quietcuff.api.caller import caller_of
from quietcuff.api.fhir_responses import FHIR_JSON, publisher_of
from quietcuff.api.operations import described
from quietcuff.api.reads import tell_found
from quietcuff.api.requests import (
    Connection,
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
from quietcuff.api.responses import answer, answer_page, not_modified
from quietcuff.api.routes import reading_set_operations as operations
from quietcuff.api.service import service_of
from quietcuff.core.model.amend import voided_faults
from quietcuff.core.model.changes import Append, Correction, Move
from quietcuff.core.model.errors import Fault
from quietcuff.core.record.sheet_text import STYLE, sheet_html, sheet_text
from quietcuff.decode.own_json import read
from quietcuff.fhir.read.bundle import sitting_bundle
from quietcuff.storage.rows.queries import LONGEST_PAGE, SetQuery

# The sheet's own style works, and nothing else is loaded, run or sent.
STYLE_HASH = b64encode(sha256(STYLE.encode()).digest()).decode()
SHEET_POLICY = (
    f"default-src 'none'; style-src 'sha256-{STYLE_HASH}'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)


class ReadingSets(Controller):
    """Sittings."""

    path = "/v1/reading-sets"

    @post(opt=described(operations.STORE))
    async def store(self, request: Request[Any, Any, Any], body: RawBody) -> ASGIResponse:
        """Evaluate and store a sitting."""
        desk, caller, key = service_of(request).desk, caller_of(request), idempotency_key_of(request)
        return answer_set(await application.receive(desk, caller, application.understand(desk, body), idempotency_key=key))

    @get(opt=described(operations.LIST))
    async def list_all(self, request: Request[Any, Any, Any]) -> ASGIResponse:
        """Answer a page of sittings."""
        service = service_of(request)
        asked = query_of(request, "subject_id", "from", "to", "limit", "cursor")
        page = await application.list_sets(service.desk, caller_of(request), set_query(asked))
        tell_found(request, page.count)
        return answer_page(page, service.settings.public_url + self.path, asked)

    @get("/{set_id:str}", opt=described(operations.GET))
    async def get_one(self, request: Request[Any, Any, Any], set_id: FromPath[str]) -> ASGIResponse:
        """Answer the newest version."""
        return answer_read(request, await application.read_set(service_of(request).desk, caller_of(request), set_id))

    @get("/{set_id:str}/versions", opt=described(operations.LIST_VERSIONS))
    async def list_versions(self, request: Request[Any, Any, Any], set_id: FromPath[str]) -> ASGIResponse:
        """Say why each version is there."""
        return answer(await application.read_versions(service_of(request).desk, caller_of(request), set_id))

    @get("/{set_id:str}/versions/{number:str}", opt=described(operations.GET_VERSION))
    async def get_version(self, request: Request[Any, Any, Any], set_id: FromPath[str], number: FromPath[str]) -> ASGIResponse:
        """Answer a version as it was answered when it was new."""
        desk, caller = service_of(request).desk, caller_of(request)
        return answer_read(request, await application.read_version(desk, caller, set_id, number_of(number)))

    @post("/{set_id:str}/readings", opt=described(operations.APPEND))
    async def append(self, request: Request[Any, Any, Any], set_id: FromPath[str], body: RawBody) -> ASGIResponse:
        """Add to an open sitting, or close it."""
        desk, caller, change = service_of(request).desk, caller_of(request), read(body, Append, faults_of_appended)
        key, versions = idempotency_key_of(request), if_match_of(request)
        return answer_set(await application.append(desk, caller, set_id, change, if_match=versions, idempotency_key=key))

    @post("/{set_id:str}/reopen", opt=described(operations.REOPEN))
    async def reopen(self, request: Request[Any, Any, Any], set_id: FromPath[str]) -> ASGIResponse:
        """Open a sitting again."""
        desk, caller = service_of(request).desk, caller_of(request)
        key, versions = idempotency_key_of(request), if_match_of(request)
        return answer_set(await application.reopen(desk, caller, set_id, if_match=versions, idempotency_key=key))

    @post("/{set_id:str}/corrections", opt=described(operations.CORRECT))
    async def correct(self, request: Request[Any, Any, Any], set_id: FromPath[str], body: RawBody) -> ASGIResponse:
        """Put right what a sitting says."""
        desk, caller, correction = service_of(request).desk, caller_of(request), read(body, Correction)
        key, versions = idempotency_key_of(request), if_match_of(request)
        return answer_set(await application.correct(desk, caller, set_id, correction, if_match=versions, idempotency_key=key))

    @get("/{set_id:str}/sheet", opt=described(operations.GET_SHEET))
    async def get_sheet(self, request: Request[Any, Any, Any], set_id: FromPath[str]) -> ASGIResponse:
        """Answer the record sheet as text or as a page."""
        media_type = format_of(request, operations.PLAIN, operations.HTML)
        sheet = await application.read_sheet(service_of(request).desk, caller_of(request), set_id)
        body = (sheet_html(sheet) if media_type == operations.HTML else sheet_text(sheet)).encode()
        headers = {"ETag": f'"{sha256(body).hexdigest()[:32]}"', "Vary": "Accept"}
        if is_known_already(request, headers["ETag"]):
            return not_modified(headers["ETag"])
        if media_type == operations.HTML:
            headers["Content-Security-Policy"] = SHEET_POLICY
        return answer(body, media_type=media_type, headers=headers)

    @post("/{set_id:str}/move", opt=described(operations.MOVE))
    async def move(self, request: Request[Any, Any, Any], set_id: FromPath[str], body: RawBody) -> ASGIResponse:
        """Move a sitting to the person whose it is."""
        desk, caller, wanted = service_of(request).desk, caller_of(request), read(body, Move)
        key, versions = idempotency_key_of(request), if_match_of(request)
        return answer_set(await application.move(desk, caller, set_id, wanted, if_match=versions, idempotency_key=key))

    @get("/{set_id:str}/fhir", opt=described(operations.GET_BUNDLE))
    async def get_bundle(self, request: Request[Any, Any, Any], set_id: FromPath[str]) -> ASGIResponse:
        """Answer the sitting as one Bundle."""
        publisher = await publisher_of(request)
        store, tenant_id = service_of(request).desk.store, publisher.tenant.tenant_id
        bundle = await store.read(tenant_id, lambda snapshot: sitting_bundle(snapshot, publisher, set_id))
        return answer(bundle, media_type=FHIR_JSON)


def faults_of_appended(change: Append) -> list[Fault]:
    """What only a correction may say of a reading."""
    return voided_faults(change.readings)


def answer_set(stored: application.Answer) -> ASGIResponse:
    """A set after a change, or after the same change was asked for again."""
    headers = {"ETag": f'"{stored.version}"'}
    if stored.created:
        headers["Location"] = f"{ReadingSets.path}/{stored.set_id}"
    if stored.replayed:
        headers["Idempotency-Replayed"] = "true"
    return answer(stored.body, status=201 if stored.created else 200, headers=headers)


def answer_read(request: Connection, found: application.Answer) -> ASGIResponse:
    """A set that was read, unless the caller has it."""
    etag = f'"{found.version}"'
    return not_modified(etag) if is_known_already(request, etag) else answer(found.body, headers={"ETag": etag})


def set_query(asked: dict[str, str]) -> SetQuery:
    """Which sets are asked for.

    Raises:
        NotAcceptable: a parameter that cannot be read.
    """
    return SetQuery(
        subject_id=id_parameter("subject_id", asked["subject_id"]) if "subject_id" in asked else None,
        since=moment_parameter("from", asked["from"]) if "from" in asked else None,
        until=moment_parameter("to", asked["to"]) if "to" in asked else None,
        limit=limit_parameter("limit", asked["limit"], LONGEST_PAGE) if "limit" in asked else SetQuery().limit,
        cursor=asked.get("cursor"),
    )
