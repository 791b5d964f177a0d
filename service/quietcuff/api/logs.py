"""The service's logs: a fixed list of facts about each request, none of them about a person.

A path is logged as its template, so that no id is in the log. Query strings, bodies and error messages are never logged.
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
    """Log entry for one request."""

    at: float
    request_id: str
    method: str
    route: str
    status: int
    milliseconds: float
    tenant: int | None
    key: str | None


class StandardError(logging.StreamHandler[TextIO]):
    """Handler that writes to the current standard error stream at each entry, even if another stream has replaced it."""

    def __init__(self) -> None:
        logging.Handler.__init__(self)

    @property
    def stream(self) -> TextIO:  # type: ignore[override]
        return sys.stderr


def configure_logs(level: str) -> None:
    """Send the service's two logs to standard error, one line for each entry."""
    handler = StandardError()
    handler.setFormatter(logging.Formatter("%(message)s"))
    for logger in (access, service):
        logger.handlers[:] = [handler]
        logger.propagate = False
        logger.setLevel(level.upper())


def log_failure(error: BaseException, request_id: str) -> None:
    """Log a failure as exception classes and code lines. Messages are left out, because they may quote a value."""
    service.error("%s", msgspec.json.encode({"request_id": request_id, "failure": _causes(error)}).decode())


def _causes(error: BaseException) -> list[dict[str, object]]:
    told: list[dict[str, object]] = []
    cause: BaseException | None = error
    # A bound, since the causes of an error may lead round in a ring.
    while cause is not None and len(told) < 10:
        frames = [f"{frame.filename}:{frame.lineno} {frame.name}" for frame in traceback.extract_tb(cause.__traceback__)]
        kind = {"code": cause.code} if isinstance(cause, StoreFailing) else {}
        told.append({"error": f"{type(cause).__module__}.{type(cause).__qualname__}", **kind, "at": frames[-20:]})
        cause = cause.__cause__ or cause.__context__
    return told
