"""Errors and remarks as OperationOutcomes. [R4] OperationOutcome, issue types."""

from __future__ import annotations

import re
from collections.abc import Sequence

import msgspec

from quietcuff.core.model.errors import Fault
from quietcuff.fhir.model.resources import CodeableConcept, Issue, OperationOutcome

NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_:.-]{0,63}", re.ASCII)
LEFT_OUT = "Not a parameter of FHIR for this type; it was left out."
ISSUE_OF_STATUS = {
    400: "invalid",
    401: "login",
    403: "forbidden",
    404: "not-found",
    405: "not-supported",
    406: "not-supported",
    409: "conflict",
    410: "deleted",
    412: "conflict",
    413: "too-long",
    415: "not-supported",
    422: "processing",
    428: "required",
    429: "throttled",
    500: "exception",
    503: "transient",
}
ISSUE_OF_FAULT = {
    "parameter-not-supported": "not-supported",
    "modifier-not-supported": "not-supported",
    "not-supported": "not-supported",
    "not-a-date": "value",
    "not-a-count": "value",
    "not-an-id": "value",
    "not-a-quantity": "value",
    "not-a-pair": "value",
    "not-an-element": "value",
    "value-missing": "value",
    "missing": "required",
    "bad-cursor": "value",
    "empty": "value",
    "too-many": "too-costly",
}


def operation_outcome(status: int, text: str, faults: Sequence[Fault] = ()) -> bytes:
    """An OperationOutcome in JSON: one issue for each fault, or one for the request where no faults are listed."""
    whole = ISSUE_OF_STATUS.get(status, "processing")
    issues = [
        issue(ISSUE_OF_FAULT.get(fault.code, whole), f"{place_text(fault)}{fault.detail}", place_expression(fault))
        for fault in faults
    ]
    return msgspec.json.encode(OperationOutcome(issue=issues or [issue(whole, text, None)]))


def note_line(code: str, severity: str, text: str) -> bytes:
    """A remark on a request that was answered nevertheless, as one line of NDJSON."""
    return msgspec.json.encode(OperationOutcome(issue=[issue(code, text, None, severity)]))


def left_out(names: Sequence[str]) -> OperationOutcome:
    """A warning for each parameter that was left out because FHIR does not define it. An unsafe name is not repeated."""
    return OperationOutcome(
        issue=[
            issue("not-supported", f"{place_text(fault)}{fault.detail}", place_expression(fault), "warning")
            for fault in (Fault(parameter=name, code="parameter-not-supported", detail=LEFT_OUT) for name in names)
        ]
    )


def issue(code: str, text: str, expression: list[str] | None, severity: str = "error") -> Issue:
    return Issue(severity=severity, code=code, details=CodeableConcept(text=text), expression=expression)


def place_text(fault: Fault) -> str:
    """The parameter or header of a fault, as the beginning of its text."""
    place = named_place(fault)
    return f"{place}: " if place else ""


def place_expression(fault: Fault) -> list[str] | None:
    """The place of a fault in the request, as FHIR writes it: ``http.`` and the parameter or header."""
    place = named_place(fault)
    return [f"http.{place}"] if place else None


def named_place(fault: Fault) -> str | None:
    """The parameter or header of a fault; None for a name that a client made up and that is not safe to repeat."""
    place = fault.parameter or fault.header or ""
    return place if NAME.fullmatch(place) else None
