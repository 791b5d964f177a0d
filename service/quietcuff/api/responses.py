"""Successful answers: finished bytes with their headers, in the language that the reader asks for.

The language is chosen from ``lang`` and ``Accept-Language``.
"""

from __future__ import annotations

from hashlib import sha256
from typing import Any
from urllib.parse import parse_qsl, urlencode

import msgspec
from litestar.response.base import ASGIResponse

from quietcuff.api.operations import JSON, OperationParameter
from quietcuff.api.requests import Connection, header_of
from quietcuff.api.service import service_of
from quietcuff.application import Page, Record
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
VARIES = {"Vary": "Accept-Language"}


def answer(body: bytes, *, status: int = 200, media_type: str = JSON, headers: dict[str, str] | None = None) -> ASGIResponse:
    """An answer with the bytes as they are."""
    return ASGIResponse(body=body, status_code=status, media_type=media_type, headers=headers)


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
    if page.cursor is None:
        return answer(b'{"items":' + page.items + b',"next":null}')
    following = f"{url}?{urlencode({**asked, 'cursor': page.cursor})}"
    body = b'{"items":' + page.items + b',"next":' + msgspec.json.encode(following) + b"}"
    return answer(body, headers={"Link": f'<{following}>; rel="next"'})


def spoken_etag(version: int, body: bytes) -> str:
    """The tag of a version in a language: the version, which a change may name, and a digest, as words may be mended later."""
    return f'"{version}.{sha256(body).hexdigest()[:16]}"'


def not_modified(etag: str, headers: dict[str, str] | None = None) -> ASGIResponse:
    """The caller has it already. ``headers`` are those by which the whole answer would vary. Source: RFC 9110, 15.4.5."""
    return ASGIResponse(status_code=304, headers={"ETag": etag, **(headers or {})})


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
