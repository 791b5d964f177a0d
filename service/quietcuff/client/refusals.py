"""Problem documents as errors: each kind of refusal as the error that the service itself has for it, with its faults."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

import msgspec

from quietcuff.answered import Problem
from quietcuff.core.model import errors

SCOPE = re.compile(r'scope="([^"]*)"')
VERSION = re.compile(r'"([1-9][0-9]{0,8})"')
NO_PROBLEM = "The service answered {status}, and did not say why."


def error_of(status: int, body: bytes, headers: Mapping[str, str], wait_seconds: float | None) -> errors.QuietcuffError:
    """The error that an answer is; ``wait_seconds`` are those of Retry-After."""
    try:
        problem = msgspec.json.decode(body, type=Problem)
    except (msgspec.DecodeError, UnicodeDecodeError):
        return errors.ServiceFailed(NO_PROBLEM.format(status=status), status=status, request_id=headers.get("x-request-id"))
    make = KINDS.get(problem.type.rpartition("/")[2])
    error = _failed(problem) if make is None else make(problem, headers, round(wait_seconds or 0))
    error.add_note(f"{problem.title} ({problem.instance})")
    return error


Make = Callable[[Problem, Mapping[str, str], int], errors.QuietcuffError]


def _failed(problem: Problem) -> errors.QuietcuffError:
    return errors.ServiceFailed(problem.detail, status=problem.status, request_id=problem.instance.removeprefix("urn:uuid:"))


def _not_readable(problem: Problem, headers: Mapping[str, str], wait: int) -> errors.QuietcuffError:
    return errors.NotReadable(problem.errors[0]) if problem.errors else _failed(problem)


def _conflict(problem: Problem, headers: Mapping[str, str], wait: int) -> errors.QuietcuffError:
    if not problem.errors:
        return _failed(problem)
    first = problem.errors[0]
    return errors.Conflict(first.code, problem.detail, first.set_id, [fault.pointer or "" for fault in problem.errors])


def _stale(problem: Problem, headers: Mapping[str, str], wait: int) -> errors.QuietcuffError:
    newest = VERSION.fullmatch(headers.get("etag", ""))
    return errors.VersionStale(int(newest[1])) if newest else _failed(problem)


def _not_allowed(problem: Problem, headers: Mapping[str, str], wait: int) -> errors.QuietcuffError:
    scope = SCOPE.search(headers.get("www-authenticate", ""))
    return errors.NotAllowed(scope[1] if scope else "another scope")


KINDS: dict[str, Make] = {
    "not-readable": _not_readable,
    "bad-header": _not_readable,
    "not-acceptable": lambda problem, headers, wait: errors.NotAcceptable(problem.errors),
    "conflict": _conflict,
    "version-stale": _stale,
    "version-not-named": lambda problem, headers, wait: errors.VersionNotNamed(problem.detail),
    "not-found": lambda problem, headers, wait: errors.NotFound(problem.detail),
    "deleted": lambda problem, headers, wait: errors.Deleted(problem.detail),
    "not-authenticated": lambda problem, headers, wait: errors.NotAuthenticated(had_key=True),
    "not-allowed": _not_allowed,
    "too-often": lambda problem, headers, wait: errors.TooOften(problem.detail, wait),
    "busy": lambda problem, headers, wait: errors.Busy(wait),
    "not-ready": lambda problem, headers, wait: errors.Busy(wait),
}
