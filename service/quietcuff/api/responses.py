"""Successful answers: finished bytes with their headers, in the language that the reader asks for.

The language is chosen from ``lang`` and ``Accept-Language``.
"""

from __future__ import annotations

import asyncio
import gzip
from hashlib import sha256
from typing import Any
from urllib.parse import parse_qsl, urlencode

import msgspec
from litestar.response.base import ASGIResponse
from litestar.types import Receive, Send

from quietcuff.api.one_write import whole_start
from quietcuff.api.operations import JSON, OperationParameter
from quietcuff.api.requests import Connection, as_in_scopes, header_in, header_of, takes_gzip
from quietcuff.api.service import service_of
from quietcuff.application import Page, Record
from quietcuff.fhir.bulk.gzip_files import LEVEL
from quietcuff.words.language import CODES
from quietcuff.words.speaker import Speaker

LANGUAGE_HEADERS = ("Content-Language", "Vary")
LANG = OperationParameter(
    name="lang",
    within="query",
    schema={"type": "string", "examples": list(CODES)},
    description=f"The language of the texts: {', '.join(CODES)}; any other is answered in English, as `Content-Language` says. "
    "Goes before `Accept-Language`.",
)
ACCEPT_LANGUAGE = OperationParameter(
    name="Accept-Language",
    within="header",
    schema={"type": "string"},
    description="The languages that the reader prefers. Without it, and without `lang`, texts are English and the "
    "answer has no `words`.",
)
LANGUAGE_PARAMETERS = (LANG, ACCEPT_LANGUAGE)
NO_PREFERENCE = ("", "*")
PACKED_FROM = 10_000
VARIES = {"Vary": "Accept-Language"}


class ReadyAnswer(ASGIResponse):
    """An answer that is sent as it was given, without the framework's mutable headers, cookies and work afterwards."""

    def __init__(self, body: bytes, status: int, headers: list[tuple[bytes, bytes]]) -> None:
        self.body = body
        self.status_code = status
        self.ready_headers = headers

    async def __call__(self, scope: Any, receive: Receive, send: Send) -> None:
        """Send it, packed where that is worth it."""
        body, headers = self.body, self.ready_headers
        if len(body) >= PACKED_FROM and may_be_packed(scope, self.status_code, headers):
            # Caches must keep the packed and the plain answer apart, also where this one is plain.
            headers = with_vary(headers)
            if takes_gzip(header_in(scope, "Accept-Encoding") or ""):
                # In a thread, since packing would hold up every other request; without a time, so that equals stay equal.
                body = await asyncio.to_thread(gzip.compress, body, LEVEL, mtime=0)
                kept = [header for header in headers if header[0] != b"content-length"]
                headers = [*kept, (b"content-encoding", b"gzip"), (b"content-length", b"%d" % len(body))]
        await send(whole_start(self.status_code, headers))
        await send({"type": "http.response.body", "body": body, "more_body": False})


def may_be_packed(scope: Any, status: int, headers: list[tuple[bytes, bytes]]) -> bool:
    """True for what is read whole and has neither a coding nor a strong tag, which names the very bytes and is given back in
    ``If-Match``.

    Never an answer to a body, in which a sender could try out what stands beside it by how well both pack together.
    """
    named = dict(headers)
    is_read = status == 200 and scope["method"] == "GET"
    return is_read and b"content-encoding" not in named and not named.get(b"etag", b"").startswith(b'"')


def with_vary(headers: list[tuple[bytes, bytes]]) -> list[tuple[bytes, bytes]]:
    """The headers, with ``Vary`` naming Accept-Encoding too."""
    varied = [text for name, text in headers if name == b"vary"]
    if any(b"accept-encoding" in text.lower() for text in varied):
        return headers
    return [*(one for one in headers if one[0] != b"vary"), (b"vary", b", ".join([*varied, b"Accept-Encoding"]))]


def answer(body: bytes, *, status: int = 200, media_type: str = JSON, headers: dict[str, str] | None = None) -> ASGIResponse:
    """An answer with the bytes as they are."""
    kind = f"{media_type}; charset=utf-8" if media_type.startswith("text/") else media_type
    ready = [(as_in_scopes(name), text.encode("latin-1")) for name, text in headers.items()] if headers else []
    ready += [(b"content-type", kind.encode("latin-1")), (b"content-length", b"%d" % len(body))]
    return ReadyAnswer(body, status, ready)


def answer_struct(value: Any, *, status: int = 200, headers: dict[str, str] | None = None) -> ASGIResponse:
    """A struct as JSON."""
    return answer(msgspec.json.encode(value), status=status, headers=headers)


def answer_record(record: Record, *, location: str | None = None) -> ASGIResponse:
    """A person or a device as an answer; 201 if it was created by this request."""
    headers = {"ETag": f'"{record.version}"'}
    if location is not None:
        headers["Location"] = location
    return answer(record.body, status=201 if record.created else 200, headers=headers)


def answer_page(page: Page, url: str, asked: dict[str, str]) -> ASGIResponse:
    """A page of a list with the address of the next page. ``url`` is the address of the list, ``asked`` the parameters of this
    page."""
    following = next_address(page.cursor, url, asked)
    body = b'{"items":' + page.items + b',"next":' + msgspec.json.encode(following) + b"}"
    return answer(body, headers=next_link(following))


def next_address(cursor: str | None, url: str, asked: dict[str, str]) -> str | None:
    """The address of the next page; None after the last."""
    return None if cursor is None else f"{url}?{urlencode({**asked, 'cursor': cursor})}"


def next_link(following: str | None) -> dict[str, str]:
    """The header that names the next page."""
    return {} if following is None else {"Link": f'<{following}>; rel="next"'}


def spoken_etag(version: int, body: bytes) -> str:
    """The tag of a version in a language: the version, which a change may name, and a digest, as words may be mended later."""
    return f'"{version}.{sha256(body).hexdigest()[:16]}"'


def not_modified(etag: str, headers: dict[str, str] | None = None) -> ASGIResponse:
    """The caller has it already. ``headers`` are those by which the whole answer would vary. Source: RFC 9110, 15.4.5."""
    varying = [(name.lower().encode(), text.encode("latin-1")) for name, text in (headers or {}).items()]
    return ReadyAnswer(b"", 304, [(b"etag", etag.encode("latin-1")), *varying])


def speaker_of(request: Connection) -> Speaker | None:
    """The speaker of the language asked for; None where none is, and the answer stays as it is stored."""
    asked = lang_of(request)
    if asked is not None:
        return service_of(request).languages.speaker(asked)
    accepted = header_of(request, "Accept-Language")
    if accepted is None or accepted.strip() in NO_PREFERENCE:
        return None
    return service_of(request).languages.preferred(accepted)


def lang_of(request: Connection) -> str | None:
    """The last ``lang`` of the query; None without one."""
    raw: bytes = request.scope["query_string"]
    if b"lang=" not in raw:
        return None
    return dict(parse_qsl(raw.decode("latin-1"), keep_blank_values=True)).get("lang")


def language_headers(speaker: Speaker | None) -> dict[str, str]:
    """The headers of an answer that may be had in several languages."""
    return {"Content-Language": "en" if speaker is None else speaker.about.language, **VARIES}
