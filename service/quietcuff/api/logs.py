"""What is written down of a request: a list of allowed facts, none of which is about a person.

Paths are told by their template, so that no id stands in a log; query strings, bodies and messages of errors are never
written.
"""

from __future__ import annotations

import logging
import sys
import traceback
from typing import TextIO

import msgspec

from quietcuff.core.model.errors import StoreFailing

access = logging.getLogger("quietcuff.access")
service = logging.getLogger("quietcuff.service")


class AccessLine(msgspec.Struct, frozen=True, kw_only=True):
    """One request in the log."""

    at: float
    request_id: str
    method: str
    route: str
    status: int
    milliseconds: float
    tenant: int | None
    key: str | None


class StandardError(logging.StreamHandler[TextIO]):
    """Writes to the standard error stream as it is at each entry, whoever has put another in its place."""

    def __init__(self) -> None:
        logging.Handler.__init__(self)

    @property
    def stream(self) -> TextIO:  # type: ignore[override]
        return sys.stderr


def configure_logs(level: str) -> None:
    """Send the service's two logs to the standard error stream, one line an entry."""
    handler = StandardError()
    handler.setFormatter(logging.Formatter("%(message)s"))
    for logger in (access, service):
        logger.handlers[:] = [handler]
        logger.propagate = False
        logger.setLevel(level.upper())


def log_failure(error: BaseException, request_id: str) -> None:
    """Where the service failed: classes and lines of code, and no message, for a message may quote a value."""
    service.error("%s", msgspec.json.encode({"request_id": request_id, "failure": _causes(error)}).decode())


def _causes(error: BaseException) -> list[dict[str, object]]:
    told: list[dict[str, object]] = []
    cause: BaseException | None = error
    while cause is not None and len(told) < 10:
        frames = [f"{frame.filename}:{frame.lineno} {frame.name}" for frame in traceback.extract_tb(cause.__traceback__)]
        kind = {"code": cause.code} if isinstance(cause, StoreFailing) else {}
        told.append({"error": f"{type(cause).__module__}.{type(cause).__qualname__}", **kind, "at": frames[-20:]})
        cause = cause.__cause__ or cause.__context__
    return told
