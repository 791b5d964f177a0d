"""Successful answers: finished bytes with their headers."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

import msgspec
from litestar.response.base import ASGIResponse

from quietcuff.api.operations import JSON
from quietcuff.application import Page, Record


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


def not_modified(etag: str) -> ASGIResponse:
    """The caller has it already."""
    return ASGIResponse(status_code=304, headers={"ETag": etag})
