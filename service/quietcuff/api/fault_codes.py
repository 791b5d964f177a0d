"""The published list of what a single fault can be called."""

from __future__ import annotations

FAULT_CODES: dict[str, str] = {
    # bytes and headers
    "empty-body": "There is no body.",
    "not-utf-8": "The bytes are not UTF-8.",
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
    "body-too-large": "A text of more than 256 KiB in a file; over HTTP the answer is 413.",
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
    # state of what is stored
    "sitting-over": "The reading is of another sitting: over four hours later, or on another day.",
    "set-closed": "The set is closed.",
    "set-open": "The set is open.",
    "set-voided": "The set was taken back.",
    "reopen-too-late": "The set was closed too long ago to be reopened.",
    "identifier-taken": "A set with this identifier and another body is stored; its id is in set_id.",
    "key-reused": "The Idempotency-Key was used with another body.",
    # parameters and options
    "unknown-parameter": "The route has no query parameter of that name.",
    "repeated-parameter": "A query parameter is given twice.",
    "not-an-id": "Not an id as this service gives them.",
    "not-a-cursor": "Not a cursor that an earlier page gave.",
    "unknown-scope": "Not a scope.",
    "bad-setting": "A setting of the service with a value that is not understood.",
    # FHIR search
    "parameter-not-supported": "A search parameter that is not offered.",
    "modifier-not-supported": "A modifier of a search parameter that is not offered.",
    "not-supported": "A value of a search parameter that is not offered.",
    "not-a-count": "Not a whole number that a page can have.",
    "bad-cursor": "Not a cursor that an earlier page gave.",
    "empty": "A search parameter without a value.",
}
