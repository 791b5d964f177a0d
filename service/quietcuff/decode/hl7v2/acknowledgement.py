"""Acknowledgements of HL7 v2 messages: MSH with the parties changed round, MSA, and an ERR for each thing refused.

In original mode there is one answer: AA, AE or AR. In enhanced mode, which MSH-15 or MSH-16 asks for, there may be a commit
acknowledgement (CA, CE, CR) and an application acknowledgement after it. A sender that will see the commit acknowledgement only
is told there what was refused, for it would never know otherwise.

Source: [HL7-2.5.1] chapter 2, 2.9 and 2.15, tables 0008, 0155 and 0357, from memory.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Literal

from quietcuff.decode.hl7v2.header import Head
from quietcuff.decode.hl7v2.syntax import CHARSETS, STANDARD, escaped
from quietcuff.decode.payload import RefusedPart

Verdict = Literal["A", "E", "R"]
MOST_ERRORS = 100
PLACE = re.compile(r"([A-Z][A-Z0-9]{2})\[([0-9]+)\](?:-([0-9]+))?")
ERROR_NAMES = {
    "100": "Segment sequence error",
    "101": "Required field missing",
    "102": "Data type error",
    "103": "Table value not found",
    "200": "Unsupported message type",
    "202": "Unsupported processing id",
    "203": "Unsupported version id",
    "204": "Unknown key identifier",
    "205": "Duplicate key identifier",
    "207": "Application internal error",
}
ERROR_NUMBERS = {
    **dict.fromkeys(("no-order", "several-messages"), "100"),
    **dict.fromkeys(("missing", "unit-missing", "subject-missing", "time-missing", "one-pressure-missing"), "101"),
    **dict.fromkeys(("coding-system-missing", "empty-body"), "101"),
    **dict.fromkeys(("unknown-code", "unknown-unit", "unknown-status", "code-name-mismatch", "charset"), "103"),
    "unknown-message": "200",
    "unknown-processing": "202",
    "unknown-version": "203",
    "no-such-reading": "204",
    **dict.fromkeys(("differs-from-stored", "repeated-measure", "control-id-reused", "reading-elsewhere"), "205"),
    **dict.fromkeys(("busy", "not-stored"), "207"),
}


def verdict_of(refused: Sequence[RefusedPart], *, is_rejected: bool) -> Verdict:
    """Accepted, with errors, or turned away whole."""
    if is_rejected:
        return "R"
    return "E" if refused else "A"


def acknowledgements(
    head: Head,
    verdict: Verdict,
    refused: Sequence[RefusedPart],
    *,
    at: datetime,
    new_control_id: Callable[[], str],
) -> list[bytes]:
    """The answers that the sender asks for, in the order to send them; none where it wants none.

    Example: original mode and nothing refused give one message whose MSA-1 is AA.
    """
    codes = codes_for(head, verdict)
    return [acknowledgement(head, code, refused if tells else (), at=at, control_id=new_control_id()) for code, tells in codes]


def codes_for(head: Head, verdict: Verdict) -> list[tuple[str, bool]]:
    """The codes of MSA-1 to answer with, each with whether it tells what was refused."""
    if not head.is_enhanced:
        return [(f"A{verdict}", True)]
    commits, applies = is_wanted(head.accept_ack, verdict), is_wanted(head.app_ack, verdict)
    if commits and applies and verdict != "R":
        return [("CA", False), (f"A{verdict}", True)]
    if commits:
        return [(f"C{verdict}", True)]
    return [(f"A{verdict}", True)] if applies else []


def is_wanted(condition: str, verdict: Verdict) -> bool:
    """True where a condition of table 0155 asks for an answer: always, never, on error, on success."""
    return {"": False, "NE": False, "ER": verdict != "A", "SU": verdict == "A"}.get(condition, True)


def acknowledgement(head: Head, code: str, refused: Sequence[RefusedPart], *, at: datetime, control_id: str) -> bytes:
    """One answer, in the sender's version and character set, with the standard separators."""
    kind = "ACK" if head.version in ("2.1", "2.2", "2.3") else "ACK^R01^ACK"
    sender_app, sender_facility, app, facility = head.parties
    told = head.charset if head.charset.upper() in CHARSETS else ""
    msh = ["MSH", STANDARD[1:], app, facility, sender_app, sender_facility, f"{at:%Y%m%d%H%M%S}+0000", "", kind, control_id]
    msh += [escaped(head.processing or "P"), escaped(head.version or "2.5.1"), "", "", "", "", "", escaped(told)]
    lines = [joined(msh), joined(["MSA", code, escaped(head.control_id)])]
    lines += [error_line(part) for part in refused[:MOST_ERRORS]]
    text = "".join(f"{line}\r" for line in lines)
    return text.encode(CHARSETS.get(told.upper(), "utf-8"), errors="replace")


def joined(fields: list[str]) -> str:
    return "|".join(fields).rstrip("|")


def error_line(part: RefusedPart) -> str:
    """One ERR: in field 1 as versions before 2.5 have it, from field 2 on as later ones do."""
    found = PLACE.fullmatch(part.place)
    place = "^".join(each for each in found.groups() if each is not None) if found else ""
    number = ERROR_NUMBERS.get(part.code, "102")
    name = ERROR_NAMES[number]
    early = f"{place}{'^' * (3 - place.count('^'))}{number}&{name}&HL70357"
    own, detail = escaped(part.code), escaped(part.detail)
    return joined(["ERR", early, place, f"{number}^{name}^HL70357", "E", f"{own}^^99QC", "", "", detail])
