"""The one error table: every kind of problem and every code of a fault, with what it means."""

from __future__ import annotations

import msgspec


class ProblemType(msgspec.Struct, frozen=True, kw_only=True):
    """A kind of problem: it always has the same status and title."""

    type: str
    title: str
    status: int
    explanation: str


def _problem(slug: str, status: int, title: str, explanation: str) -> ProblemType:
    return ProblemType(type=f"/problems/{slug}", title=title, status=status, explanation=explanation)


NOT_READABLE = _problem(
    "not-readable",
    400,
    "The body cannot be read",
    "The bytes are not one JSON text in UTF-8 with each key once and no deeper than 32. Nothing was stored.",
)
BAD_HEADER = _problem(
    "bad-header",
    400,
    "A header cannot be read",
    'The header named has a form that is not accepted. ETags are quoted: If-Match: "3".',
)
BAD_REQUEST = _problem(
    "bad-request", 400, "The request cannot be read", "The request line, its headers or the sending of its body failed."
)
NOT_AUTHENTICATED = _problem(
    "not-authenticated",
    401,
    "A key is needed",
    "Send Authorization: Bearer KEY with a key that is known, not revoked and not expired. Which of these failed is not "
    "told. Keys are made with the command `quietcuff keys create`.",
)
NOT_ALLOWED = _problem(
    "not-allowed",
    403,
    "The key does not allow this",
    "The key is good, but lacks the scope named. Scopes are given to a key when it is made.",
)
NOT_FOUND = _problem(
    "not-found",
    404,
    "Nothing is here",
    "There is no such route, or nothing of that id that this key may see. The two are not told apart.",
)
DELETED = _problem(
    "deleted",
    410,
    "It was deleted",
    "What had this id was deleted: its time of retention is over, or its person was erased. It does not come back.",
)
METHOD_NOT_ALLOWED = _problem(
    "method-not-allowed", 405, "This method is not for this route", "The header Allow lists the methods that are."
)
FORMAT_NOT_OFFERED = _problem(
    "format-not-offered",
    406,
    "That format is not offered",
    "Accept or _format asked for something else: FHIR routes answer application/fhir+json only, the record sheet text/plain "
    "or text/html.",
)
CONFLICT = _problem(
    "conflict",
    409,
    "What is stored forbids it",
    "The state of what is stored does not allow this change; the code of the fault says why.",
)
VERSION_STALE = _problem(
    "version-stale",
    412,
    "It has changed since",
    "If-Match names a version that is not the newest any more. Read it again, then decide whether the change still holds.",
)
TOO_LARGE = _problem("too-large", 413, "The body is too large", "A body has at most 256 KiB.")
UNSUPPORTED_MEDIA_TYPE = _problem(
    "unsupported-media-type",
    415,
    "That kind of body is not read",
    "Send the Content-Type that the route takes, most often application/json (or a type that ends in +json), in UTF-8, and "
    "no Content-Encoding.",
)
NOT_ACCEPTABLE = _problem(
    "not-acceptable",
    422,
    "The body has faults",
    "The request was understood but has faults: every one is listed with its place and what would be accepted, at most "
    "100; `more` counts the rest. Nothing was stored.",
)
VERSION_NOT_NAMED = _problem(
    "version-not-named",
    428,
    "If-Match is needed",
    "A change must name the version it is meant for: send the ETag of the answer it was made from as If-Match.",
)
INTERNAL_ERROR = _problem(
    "internal-error",
    500,
    "The service failed",
    "A defect of the service. Its log holds more under the id in `instance`, which is also the header X-Request-Id.",
)
TOO_OFTEN = _problem(
    "too-often",
    429,
    "Too often, or too much at once",
    "An export is asked after again too soon, as many exports are open as a tenant may have, or a key has asked as often as it "
    "may in a minute. Try again after the seconds that the header Retry-After names.",
)
EXPORT_FAILED = _problem(
    "export-failed",
    500,
    "The export failed",
    "An export was tried several times and failed each time; the log of the service holds why. Start another one.",
)
BUSY = _problem("busy", 503, "No room now", "Try again after the seconds that the header Retry-After names.")
NOT_READY = _problem(
    "not-ready",
    503,
    "The database cannot be served from",
    "The detail says why, and what an operator does: the schema is not the one needed (`quietcuff database upgrade`), the disk "
    "is full, the database takes no writes or is damaged.",
)

PROBLEM_TYPES = (
    NOT_READABLE,
    BAD_HEADER,
    BAD_REQUEST,
    NOT_AUTHENTICATED,
    NOT_ALLOWED,
    NOT_FOUND,
    DELETED,
    METHOD_NOT_ALLOWED,
    FORMAT_NOT_OFFERED,
    CONFLICT,
    VERSION_STALE,
    TOO_LARGE,
    UNSUPPORTED_MEDIA_TYPE,
    NOT_ACCEPTABLE,
    VERSION_NOT_NAMED,
    TOO_OFTEN,
    INTERNAL_ERROR,
    EXPORT_FAILED,
    BUSY,
    NOT_READY,
)
