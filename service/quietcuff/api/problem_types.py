"""The table of errors: every kind of problem and every fault code, with its explanation."""

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
TOO_LARGE = _problem("too-large", 413, "The body is too large", "A body has at most 256 KiB, a sheet 16 MiB.")
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
NOT_INSTALLED = _problem(
    "not-installed",
    501,
    "That part is not installed",
    "The service was set up without the optional packages that this needs, such as those that draw pictures. The detail names "
    "the extra and says how an operator adds it. All else works without it.",
)
BUSY = _problem("busy", 503, "No room now", "Try again after the seconds that the header Retry-After names.")
NOT_READY = _problem(
    "not-ready",
    503,
    "The database cannot be served from",
    "The detail says why, and what an operator does: the database cannot be reached, the schema is not the one needed "
    "(`quietcuff database upgrade`), the disk is full, the database takes no writes or is damaged.",
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
    NOT_INSTALLED,
    BUSY,
    NOT_READY,
)


FAULT_CODES: dict[str, str] = {
    # bytes and headers
    "empty-body": "There is no body.",
    "not-utf-8": "The bytes are not UTF-8.",
    "not-a-text": "A text holds the character U+0000, which no database takes.",
    "not-json": "The bytes are not one JSON text (RFC 8259), or hold a number no double can hold.",
    "repeated-key": "An object says the same key twice.",
    "too-deep": "Objects and lists are nested deeper than 32.",
    "bad-header": "The header has a form that is not accepted.",
    # shape
    "unknown-field": "The object has no field of that name.",
    "missing": "A field that is needed is left out or null.",
    "wrong-type": "JSON of another type than the field's.",
    "unknown-code": "A word that is not in the field's list.",
    "out-of-range": "A number, day or time outside its limits.",
    "too-many-decimals": "A pressure or rate with more than two decimals.",
    "too-short": "Text that is shorter than allowed.",
    "too-long": "Text that is longer than allowed.",
    "unfit-characters": "Blank text, or text with control characters; in a system also with white space or a bar.",
    "too-few": "A list with fewer items than needed.",
    "too-many": "A list with more items than allowed.",
    "not-a-date": "Not a day of the calendar.",
    "not-a-time": "Not an RFC 3339 time with seconds.",
    "zone-missing": "A time without an offset.",
    "not-acceptable": "The body as a whole has not the documented shape.",
    "not-gzip": "A file whose name ends in .gz and that is no whole gzip file.",
    "body-too-large": "A text of more than 256 KiB in a file, or a sheet of more than 16 MiB; over HTTP the answer is 413.",
    # meaning
    "one-pressure-missing": "A reading with one pressure and not the other.",
    "wrong-order": "A range whose higher end is not above its lower one.",
    "after-the-readings": "A birth after the first reading.",
    "named-twice": "The same name twice in a list.",
    "not-for-this-protocol": "A setting that the protocol named is not for.",
    "not-accepted-here": "What only the service may say of a set that is stored.",
    "unknown-set": "No set of that id is stored.",
    "no-such-reading": "The set has no reading of that index.",
    "reading-voided": "The reading was taken back.",
    "nothing-to-change": "A correction that says what is there already.",
    "unfit-url": "A URL that nothing may be sent to: not https, not public, or with user, query or fragment.",
    "not-for-this-kind": "What a target of the other kind has.",
    # sheets
    "not-csv": "No sheet saved as CSV, or one whose quotation marks do not close.",
    "not-toml": "A mapping that is not TOML.",
    "unknown-column": "A header, or a name in a mapping, that is no column.",
    "repeated-column": "Two columns for one field.",
    "repeated-header": "The headers again, further down.",
    "ragged-row": "A row with more or fewer cells than there are headers.",
    "formula": "A formula, or what a spreadsheet program shows where one failed.",
    "unknown-zone": "Not the name of a time zone.",
    "hour-unclear": "A local time in the hour that comes twice.",
    "not-a-pressure": "Not two pressures around a slash.",
    "differs-in-sitting": "A cell that says of the sitting what another row says otherwise.",
    "other-person": "A sitting whose rows name two persons.",
    "held-back": "A sitting to which a row may belong whose time cannot be told.",
    "more-faults": "How many faults are not listed.",
    # state of what is stored
    "sitting-over": "The reading is of another sitting: over four hours later, or on another day.",
    "set-closed": "The set is closed.",
    "set-open": "The set is open.",
    "set-voided": "The set was taken back.",
    "on-hold": "The person's data is held and cannot be erased.",
    "reopen-too-late": "The set was closed too long ago to be reopened.",
    "identifier-taken": "A set with this identifier and another body is stored; its id is in set_id.",
    "reading-differs": "A reading with this identifier and other values is stored; its set is in set_id.",
    "reading-elsewhere": "A reading with this identifier is stored in another set, which is in set_id; or another sender's, "
    "in the set that the detail names, may be what a correction is of.",
    "same-person": "A set cannot be moved to the person whose it is.",
    "too-many-groups": "As many groups are stored as a tenant may have.",
    "too-many-people": "More people than one answer gives: they come in pages elsewhere, as the detail says.",
    "key-reused": "The Idempotency-Key was used with another body.",
    # payloads of devices and systems
    "truncated": "A value that ends before the fields that it announces.",
    "trailing-bytes": "A value with more bytes than the fields that it announces.",
    "intermediate-value": "The pressure in a cuff that is still being let down.",
    "no-such-time": "A time that cannot be.",
    "clock-implausible": "A time of a device that cannot be, seen when it was received; the payload is kept.",
    "several-users": "Readings of several users of a device, of whom it is not known who they are.",
    "checksum-mismatch": "A value whose check sum is not that of its bytes.",
    "unforeseen": "Something in the payload that the service did not foresee; it is kept, and can be read again.",
    "differs-from-stored": "Another value under the key of a stored reading, and not called a correction.",
    "not-fhir": "An element that is not built as FHIR R4 has it.",
    "not-identified": "A person without an identifier of system and value.",
    "not-a-panel": "A blood pressure that is not a panel of both pressures.",
    "not-a-reading": "A mean or another value made of readings, where a reading is needed.",
    "no-reading": "A payload without any blood pressure.",
    "no-pressures": "A panel without pressures that is no failed attempt.",
    "off-scale": "A bound of a value instead of a value.",
    "unknown-unit": "A unit that is not converted.",
    "contradiction": "Two statements that cannot both be true.",
    "test-data": "A measurement that is marked as a test.",
    "not-base64": "Not base64.",
    # HL7 v2 messages
    "not-hl7": "The bytes do not begin with MSH and its separators.",
    "charset": "A character set that cannot be read, or bytes that are not of it.",
    "control-byte": "A control byte within a message.",
    "several-messages": "More than one message where one is taken.",
    "unknown-message": "A message that is not ORU^R01.",
    "unknown-processing": "A processing id that is not P, T or D.",
    "unknown-version": "Not a version of HL7 v2.",
    "no-order": "An observation before any order.",
    "subject-missing": "No person, or none with a number and its authority.",
    "time-missing": "No time.",
    "time-not-exact": "A time that does not say the minute.",
    "time-skipped": "A local time that clocks skip.",
    "unit-missing": "A pressure without a unit.",
    "unknown-status": "A result status that is not in HL7 table 0085, or none.",
    "code-name-mismatch": "A code beside the name of something else.",
    "coding-system-missing": "A code without its coding system.",
    "mean-of-several": "A mean of several readings, which is no reading.",
    "route-not-stated": "A pressure of which it is not said that a cuff measured it.",
    "not-a-number": "A value that is not one number.",
    "not-two-pressures": "A value that is not systolic and diastolic.",
    "several-values": "More than one value in a row.",
    "value-type": "A type of value that is not read here.",
    "positions-differ": "Rows of one reading that name different positions.",
    "repeated-measure": "The same measure twice in one reading.",
    # HL7 v2 messages over MLLP
    "busy": "No room now; nothing was stored.",
    "not-stored": "The service failed; nothing was stored.",
    "not-allowed": "The listener's key may not store payloads.",
    "too-slow": "A message that did not end in time.",
    "too-large": "A message that is longer than the listener takes.",
    "bad-trailer": "A message whose end bytes are not 1C 0D.",
    "start-byte-in-body": "A message that was cut off by the next one.",
    # parameters and options
    "unknown-parameter": "The route has no query parameter of that name.",
    "repeated-parameter": "A query parameter is given twice.",
    "not-an-id": "Not an id as this service gives them.",
    "not-a-cursor": "Not a cursor that an earlier page gave.",
    "unknown-scope": "Not a scope.",
    "bad-address": "An address that is not one, or not a safe one.",
    "not-a-key": "Not a public key in PEM.",
    "not-a-key-set": "Not a JSON Web Key Set.",
    "private-key": "A key set that holds private parts of a key.",
    "unfit-key": "A key that is too weak, or of a kind that is not used.",
    "bad-setting": "A setting of the service with a value that is not understood.",
    # FHIR search
    "parameter-not-supported": "A search parameter that is not offered.",
    "modifier-not-supported": "A modifier of a search parameter that is not offered.",
    "not-supported": "A value of a search parameter, or a part of a FHIR payload, that is not offered.",
    "not-a-count": "Not a whole number that a page can have.",
    "bad-cursor": "Not a cursor that an earlier page gave.",
    "empty": "A search parameter without a value.",
    "value-missing": "A token of a search with a system but without a value, where one is needed.",
    "not-a-quantity": "Not a number with a comparator and a unit, as searches have it.",
    "not-a-pair": "Not a code and a value with a dollar sign between.",
    "not-an-element": "Not the name of an element of a resource.",
}
