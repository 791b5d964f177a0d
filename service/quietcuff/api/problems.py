"""Errors as RFC 9457 problems: the choice of the problem for an error, and its output."""

from __future__ import annotations

from typing import Any

import msgspec
from litestar import Request, Response
from litestar.exceptions import HTTPException, InternalServerException

from quietcuff.answered import Problem
from quietcuff.api import problem_types as kinds
from quietcuff.api.fhir_responses import FHIR_BASE, FHIR_JSON_UTF8
from quietcuff.api.logs import log_failure
from quietcuff.api.operations import JSON
from quietcuff.api.problem_types import ProblemType
from quietcuff.core.model import errors
from quietcuff.core.model.errors import Fault
from quietcuff.fhir.operation_outcome import operation_outcome
from quietcuff.security.tokens import TOKEN_PATH

MEDIA_TYPE = "application/problem+json"
MOST_FAULTS = 100
NOT_READY_SECONDS = "30"
# The framework's words for a client that went away in the middle of its body: nobody is there to be answered.
CLIENT_LEFT = "client disconnected prematurely"
CHALLENGE = 'Bearer realm="quietcuff"'


class ErrorAnswer(msgspec.Struct, frozen=True, kw_only=True):
    """Answer to an error: kind of problem, detail, faults and headers."""

    kind: ProblemType
    detail: str
    faults: list[Fault] = []
    headers: dict[str, str] = {}


def refusal_of(error: Exception) -> ErrorAnswer:
    """The answer for each error; the only table of this kind."""
    if isinstance(error, errors.NotAuthenticated):
        return NO_GOOD_KEY if error.had_key else NO_KEY
    if isinstance(error, errors.QuietcuffError):
        return _of_ours(error)
    if isinstance(error, HTTPException):
        return _of_the_frameworks(error)
    return UNFORESEEN


def _of_ours(error: errors.QuietcuffError) -> ErrorAnswer:
    match error:
        case errors.NotReadable(fault=fault):
            kind = kinds.NOT_READABLE if fault.header is None else kinds.BAD_HEADER
            return ErrorAnswer(kind=kind, detail=fault.detail, faults=[fault])
        case errors.NotAcceptable(faults=faults):
            counted = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
            return ErrorAnswer(kind=kinds.NOT_ACCEPTABLE, detail=f"{counted}; nothing was stored.", faults=faults)
        case errors.Conflict(code=code, detail=detail, set_id=set_id, pointers=pointers):
            faults = [Fault(pointer=pointer, code=code, detail=detail, set_id=set_id) for pointer in pointers]
            return ErrorAnswer(kind=kinds.CONFLICT, detail=detail, faults=faults)
        case errors.VersionStale(newest=newest):
            detail = f"The newest version is {newest}."
            return ErrorAnswer(kind=kinds.VERSION_STALE, detail=detail, headers={"ETag": f'"{newest}"'})
        case errors.NotAllowed(scope=scope):
            challenge = f'{CHALLENGE}, error="insufficient_scope", scope="{scope}"'
            detail = f"The key lacks the scope {scope}."
            return ErrorAnswer(kind=kinds.NOT_ALLOWED, detail=detail, headers={"WWW-Authenticate": challenge})
        case errors.TooOften(detail=detail, retry_after_seconds=seconds):
            return ErrorAnswer(kind=kinds.TOO_OFTEN, detail=detail, headers={"Retry-After": str(seconds)})
        case errors.Busy(retry_after_seconds=seconds):
            detail = f"Try again in {seconds} seconds."
            return ErrorAnswer(kind=kinds.BUSY, detail=detail, headers={"Retry-After": str(seconds)})
        case errors.TokenRefused(code=code, detail=detail):
            kind = kinds.NOT_AUTHENTICATED if code == "invalid_client" else kinds.BAD_REQUEST
            return ErrorAnswer(kind=kind, detail=detail, headers={"WWW-Authenticate": CHALLENGE} if kind.status == 401 else {})
        case errors.StoreNotUsable() | errors.NotInstalled():
            return _of_set_up(error)
    return PLAIN.get(type(error), UNFORESEEN)


def _of_set_up(error: errors.StoreNotUsable | errors.NotInstalled) -> ErrorAnswer:
    """Answer to a problem that an operator must mend. A database may recover soon, so it gets Retry-After; a missing package
    does not."""
    if isinstance(error, errors.NotInstalled):
        return ErrorAnswer(kind=kinds.NOT_INSTALLED, detail=str(error))
    return ErrorAnswer(kind=kinds.NOT_READY, detail=str(error), headers={"Retry-After": NOT_READY_SECONDS})


UNFORESEEN = ErrorAnswer(kind=kinds.INTERNAL_ERROR, detail="An error that nobody foresaw; it is in the log.")
NO_KEY = ErrorAnswer(
    kind=kinds.NOT_AUTHENTICATED,
    detail="A key is needed that is known, not revoked and not expired.",
    headers={"WWW-Authenticate": CHALLENGE},
)
# Who sent no token is told of no error. Source: RFC 6750, 3.1.
NO_GOOD_KEY = msgspec.structs.replace(NO_KEY, headers={"WWW-Authenticate": f'{CHALLENGE}, error="invalid_token"'})
PLAIN: dict[type[Exception], ErrorAnswer] = {
    errors.NotFound: ErrorAnswer(kind=kinds.NOT_FOUND, detail="Nothing of that name is here for this key."),
    errors.Deleted: ErrorAnswer(kind=kinds.DELETED, detail="What had this id was deleted."),
    errors.VersionNotNamed: ErrorAnswer(
        kind=kinds.VERSION_NOT_NAMED, detail="Send the ETag of what you have seen as If-Match."
    ),
}
FRAMEWORK: dict[int, ErrorAnswer] = {
    400: ErrorAnswer(kind=kinds.BAD_REQUEST, detail="The request cannot be read."),
    404: PLAIN[errors.NotFound],
    405: ErrorAnswer(kind=kinds.METHOD_NOT_ALLOWED, detail="The header Allow lists the methods of this route."),
    413: ErrorAnswer(kind=kinds.TOO_LARGE, detail="A body has at most 256 KiB, a sheet 16 MiB."),
}


def _of_the_frameworks(error: HTTPException) -> ErrorAnswer:
    # The framework calls this a defect of the server; in the log it would look like one of ours.
    if isinstance(error, InternalServerException) and error.detail == CLIENT_LEFT:
        return FRAMEWORK[400]
    if error.status_code == 415:
        return ErrorAnswer(kind=kinds.UNSUPPORTED_MEDIA_TYPE, detail=error.detail)
    if error.status_code == 406:
        return ErrorAnswer(kind=kinds.FORMAT_NOT_OFFERED, detail=error.detail)
    refusal = FRAMEWORK.get(error.status_code, UNFORESEEN)
    headers = error.headers or {}
    allow = {name.title(): _methods(value) for name, value in headers.items() if name.lower() == "allow"}
    return msgspec.structs.replace(refusal, headers={**refusal.headers, **allow})


def _methods(listed: str) -> str:
    """Methods that a route serves: HEAD wherever GET is, and not the framework's own OPTIONS."""
    methods = set(listed.split(", ")) - {"OPTIONS"}
    return ", ".join(sorted(methods | ({"HEAD"} if "GET" in methods else set())))


def problem_of(refusal: ErrorAnswer, request_id: str) -> Problem:
    """The problem as written, with at most a hundred faults."""
    unsaid = len(refusal.faults) - MOST_FAULTS
    return Problem(
        type=refusal.kind.type,
        title=refusal.kind.title,
        status=refusal.kind.status,
        detail=refusal.detail,
        instance=f"urn:uuid:{request_id}",
        errors=refusal.faults[:MOST_FAULTS],
        more=unsaid if unsaid > 0 else msgspec.UNSET,
    )


class Written(msgspec.Struct, frozen=True, kw_only=True):
    """An answer to an error in its final form."""

    status: int
    body: bytes
    media_type: str
    headers: dict[str, str]


def answer_problem(request: Request[Any, Any, Any], error: Exception) -> Response[bytes]:
    """The exception handler of the whole application."""
    answer = written(error, request.scope["path"], request.scope["state"]["request_id"])
    return Response(content=answer.body, status_code=answer.status, media_type=answer.media_type, headers=answer.headers)


def written(error: Exception, path: str, request_id: str) -> Written:
    """Answer to an error in the format of the path. Unforeseen errors and database failures are logged."""
    refusal = refusal_of(error)
    if refusal.kind is kinds.INTERNAL_ERROR or isinstance(error, errors.StoreFailing):
        log_failure(error, request_id)
    if path == TOKEN_PATH:
        return _as_oauth(error, refusal)
    # With the slash on both sides, so that ``/fhir/R4`` itself counts and ``/fhir/R4x`` does not.
    if f"{path}/".startswith(f"{FHIR_BASE}/"):
        return _as_outcome(refusal)
    return Written(
        status=refusal.kind.status,
        body=msgspec.json.encode(problem_of(refusal, request_id)),
        media_type=MEDIA_TYPE,
        headers=refusal.headers,
    )


def _as_oauth(error: Exception, refusal: ErrorAnswer) -> Written:
    """The error in the format of OAuth. Source: RFC 6749, 5.2; for server errors the words of 4.1.2.1."""
    by_status = {503: "temporarily_unavailable", 500: "server_error"}
    code = error.code if isinstance(error, errors.TokenRefused) else by_status.get(refusal.kind.status, "invalid_request")
    return Written(
        status=refusal.kind.status,
        body=msgspec.json.encode({"error": code, "error_description": refusal.detail}),
        media_type=JSON,
        headers=refusal.headers,
    )


def _as_outcome(refusal: ErrorAnswer) -> Written:
    """The error as a FHIR OperationOutcome. An unacceptable search is a 400 there."""
    status = 400 if refusal.kind is kinds.NOT_ACCEPTABLE else refusal.kind.status
    return Written(
        status=status,
        body=operation_outcome(status, refusal.detail, refusal.faults[:MOST_FAULTS]),
        media_type=FHIR_JSON_UTF8,
        headers=refusal.headers,
    )
