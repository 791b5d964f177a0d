"""Good answers: bytes that are ready, with their headers."""

from __future__ import annotations

from typing import Any

import msgspec
from litestar.response.base import ASGIResponse

from quietcuff.api.operations import JSON


def answer(body: bytes, *, status: int = 200, media_type: str = JSON, headers: dict[str, str] | None = None) -> ASGIResponse:
    """The bytes as they are."""
    return ASGIResponse(body=body, status_code=status, media_type=media_type, headers=headers)


def answer_struct(value: Any, *, status: int = 200, headers: dict[str, str] | None = None) -> ASGIResponse:
    """A struct as JSON."""
    return answer(msgspec.json.encode(value), status=status, headers=headers)


def not_modified(etag: str) -> ASGIResponse:
    """The caller has it already."""
    return ASGIResponse(status_code=304, headers={"ETag": etag})
