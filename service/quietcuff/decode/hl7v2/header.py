"""The head of an HL7 v2 message: who sends what to whom, how it wants to be answered, and why it may be turned away whole."""

from __future__ import annotations

import re

import msgspec

from quietcuff.decode.hl7v2.syntax import (
    CHARSETS,
    UNFIT,
    Segment,
    Text,
    encoding_of,
    escaped,
    part,
    read_header,
    read_text,
)
from quietcuff.decode.payload import RefusedPart

VERSION = re.compile(r"2\.[0-9](\.[0-9]{1,2})?")
PROCESSING = ("P", "T", "D")


class Head(msgspec.Struct, frozen=True, kw_only=True):
    """MSH. ``parties`` are MSH-3 to MSH-6 as they are written with the standard separators."""

    parties: tuple[str, str, str, str]
    sender: tuple[str, str]
    type: list[str]
    control_id: str
    processing: str
    version: str
    accept_ack: str
    app_ack: str
    charset: str
    profile: str
    sent: str

    @property
    def is_enhanced(self) -> bool:
        """True where it asks for enhanced acknowledgement."""
        return bool(self.accept_ack or self.app_ack)


class Opened(msgspec.Struct, frozen=True):
    """A message whose head could be read. ``rejected`` says why no more of it is."""

    head: Head
    text: Text
    rejected: RefusedPart | None


def open_message(body: bytes) -> Opened:
    """The head of a message, and its text where it can be read.

    Raises:
        NotReadable: the bytes do not begin as an HL7 v2 message does.
    """
    header = read_header(body)
    encoding = encoding_of(header)
    if encoding is None:
        detail = f"One of {', '.join(name for name in CHARSETS if name)}."
        return Opened(head_of(header), header, RefusedPart(place="MSH[1]-18", code="charset", detail=detail))
    try:
        text = read_text(body, header, encoding)
    except UnicodeDecodeError:
        detail = "Bytes of the character set that MSH-18 names; UTF-8 where it names none."
        return Opened(head_of(header), header, RefusedPart(place="MSH[1]-18", code="charset", detail=detail))
    head = head_of(text)
    return Opened(head, text, fault_of_head(head, text))


def head_of(text: Text) -> Head:
    """The fields of MSH."""
    msh = text.segments[0]
    return Head(
        parties=(rewritten(text, msh, 3), rewritten(text, msh, 4), rewritten(text, msh, 5), rewritten(text, msh, 6)),
        sender=(text.first(msh, 3), text.first(msh, 4)),
        type=text.parts(msh, 9),
        control_id=text.plain(msh.field(10)),
        processing=text.first(msh, 11).upper(),
        version=text.first(msh, 12),
        accept_ack=text.plain(msh.field(15)).upper(),
        app_ack=text.plain(msh.field(16)).upper(),
        charset=text.first(msh, 18),
        profile=text.first(msh, 21),
        sent=text.first(msh, 7),
    )


def rewritten(text: Text, segment: Segment, number: int) -> str:
    """A field with the standard separators in place of the sender's."""
    components = segment.field(number).split(text.separators.component)
    divided = [each.split(text.separators.subcomponent) for each in components]
    return "^".join("&".join(escaped(text.plain(each)) for each in component) for component in divided)


def fault_of_head(head: Head, text: Text) -> RefusedPart | None:
    """The fault for which a whole message is rejected; None where it is not."""
    kind, event = part(head.type, 1), part(head.type, 2)
    checks = (
        (any(UNFIT.search(each) for line in text.segments for each in line.fields), 1, "control-byte", "No control bytes."),
        (text.segments[0].name != "MSH", 1, "not-hl7", "MSH at the beginning."),
        (sum(line.name == "MSH" for line in text.segments) > 1, 1, "several-messages", "One message."),
        (kind != "ORU" or event not in ("R01", ""), 9, "unknown-message", "ORU^R01."),
        (not head.control_id, 10, "missing", "A control id of the message."),
        (head.processing not in ("", *PROCESSING), 11, "unknown-processing", f"One of {', '.join(PROCESSING)}."),
        (VERSION.fullmatch(head.version) is None, 12, "unknown-version", "A version of HL7 v2, such as 2.5.1."),
    )
    for is_so, field, code, detail in checks:
        if is_so:
            return RefusedPart(place=f"MSH[1]-{field}", code=code, detail=detail)
    return None
