r"""HL7 v2 as text: separators, segments, fields, escapes and character sets. Nothing here knows what a field means.

A message names its own separators in its first segment, MSH. Fields are split first and unescaped after that, once, so
that an escaped separator never splits anything. What is escaped in a way that is not known stays as it was sent.

Source: [HL7-2.5.1] chapter 2, 2.5 to 2.7, from memory; intake dialects: [DECISION].
"""

from __future__ import annotations

import re
from functools import cache

import msgspec

from quietcuff.core.model.errors import Fault, NotReadable

STANDARD = "|^~\\&"
MOST_HEADER_BYTES = 8192
CHARSETS = {
    "": "utf-8",
    "ASCII": "utf-8",
    "UNICODE": "utf-8",
    "UNICODE UTF-8": "utf-8",
    "UTF-8": "utf-8",
    "UTF8": "utf-8",
    **{f"8859/{part}": f"iso8859-{part}" for part in (1, 2, 3, 4, 5, 6, 7, 8, 9, 15)},
    **{f"ISO-8859-{part}": f"iso8859-{part}" for part in (1, 2, 3, 4, 5, 6, 7, 8, 9, 15)},
    "WINDOWS-1252": "cp1252",
}
NAME = re.compile(r"[A-Z][A-Z0-9]{2}")
UNFIT = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")


class Separators(msgspec.Struct, frozen=True):
    """The five characters that a message is divided by."""

    field: str
    component: str
    repetition: str
    escape: str
    subcomponent: str


class Segment(msgspec.Struct, frozen=True):
    """One line of a message. ``number`` counts those of its name from 1; field n is ``fields[n]``, as it was sent."""

    name: str
    number: int
    fields: list[str]

    def field(self, number: int) -> str:
        """The field as it was sent; empty where the segment ends before it."""
        return self.fields[number].strip(" ") if number < len(self.fields) else ""

    def place(self, number: int) -> str:
        """The place of a field, such as ``OBX[3]-5``."""
        return f"{self.name}[{self.number}]-{number}"


class Text(msgspec.Struct, frozen=True):
    """A whole message, divided but not yet understood."""

    separators: Separators
    encoding: str
    segments: list[Segment]
    warnings: list[str]

    def parts(self, segment: Segment, number: int) -> list[str]:
        """The components of a field's first repetition, unescaped; as many as there are."""
        return self.components(segment.field(number).split(self.separators.repetition, 1)[0])

    def repetitions(self, segment: Segment, number: int) -> list[list[str]]:
        """The components of each repetition of a field that is not empty."""
        said = segment.field(number)
        return [self.components(each) for each in said.split(self.separators.repetition)] if said else []

    def components(self, said: str) -> list[str]:
        """The components of one repetition, unescaped."""
        return [self.plain(part) for part in said.split(self.separators.component)]

    def subcomponents(self, segment: Segment, number: int, repetition: int, component: int) -> list[str]:
        """The subcomponents of a component, counted from 0, unescaped; a component that is not there has one, empty."""
        raw = segment.field(number).split(self.separators.repetition)[repetition].split(self.separators.component)
        said = raw[component] if component < len(raw) else ""
        return [self.plain(part) for part in said.split(self.separators.subcomponent)]

    def first(self, segment: Segment, number: int) -> str:
        """The first component of a field, unescaped."""
        return self.parts(segment, number)[0]

    def plain(self, said: str) -> str:
        """The text without its escapes."""
        return unescape(said, self.separators, self.encoding).strip(" ")


def part(parts: list[str], number: int) -> str:
    """A component, counted from 1; empty where there are fewer."""
    return parts[number - 1] if number <= len(parts) else ""


def read_header(body: bytes) -> Text:
    """The first segment alone, read without trust: enough to answer the sender.

    Raises:
        NotReadable: the bytes do not begin with MSH and four or five separators, all different.
    """
    if not body.strip():
        raise NotReadable(Fault(pointer="", code="empty-body", detail="An HL7 v2 message."))
    start = body[:MOST_HEADER_BYTES].removeprefix(b"\xef\xbb\xbf").lstrip(b"\r\n \t")
    line = re.split(rb"[\r\n]", start, maxsplit=1)[0].decode("latin-1")
    separators = separators_of(line)
    return Text(separators, "latin-1", [segment_of(line, separators, 1)], [])


def separators_of(line: str) -> Separators:
    """The separators that the first segment names.

    Raises:
        NotReadable: it names none.
    """
    between = line[3:4]
    encoding = line[4:].split(between, 1)[0] if between else ""
    distinct = set(between + encoding)
    if (
        not line.startswith("MSH")
        or len(encoding) not in (4, 5)
        or len(distinct) != 1 + len(encoding)
        or any(not "!" <= each <= "~" or each.isalnum() for each in distinct)
    ):
        detail = "A message that begins with MSH, a field separator and four others, all different, such as MSH|^~\\&."
        raise NotReadable(Fault(pointer="", code="not-hl7", detail=detail))
    return Separators(between, encoding[0], encoding[1], encoding[2], encoding[3])


def encoding_of(header: Text) -> str | None:
    """The character set that MSH-18 names; None where it is not one that can be read."""
    return CHARSETS.get(header.first(header.segments[0], 18).upper())


def read_text(body: bytes, header: Text, encoding: str) -> Text:
    """The message divided into its segments.

    Raises:
        UnicodeDecodeError: the bytes are not of that character set.
    """
    text, warnings = body.decode(encoding), []
    if text.startswith("\ufeff"):
        text, warnings = text[1:], ["bom"]
    text = text.lstrip("\r\n \t")
    if "\n" in text:
        warnings.append("lf-separators")
    field = re.escape(header.separators.field)
    lines = re.split(rf"\r\n?|\n(?=[A-Z][A-Z0-9]{{2}}{field}|[\r\n]|\Z)", text)
    return Text(header.separators, encoding, segments_of(lines, header.separators, warnings), warnings)


def segments_of(lines: list[str], separators: Separators, warnings: list[str]) -> list[Segment]:
    """The segments in order; a line that is none is told in the warnings."""
    numbers: dict[str, int] = {}
    segments = []
    for line in lines:
        said = line.strip("\n ")
        if not said:
            continue
        name = said[:3]
        if not NAME.fullmatch(name) or said[3:4] not in (separators.field, ""):
            warnings.append("unknown-line")
            continue
        numbers[name] = numbers.get(name, 0) + 1
        segments.append(segment_of(said, separators, numbers[name]))
    return segments


def segment_of(line: str, separators: Separators, number: int) -> Segment:
    """One segment; in MSH the separator itself is field 1."""
    fields = line.split(separators.field)
    if fields[0] == "MSH":
        fields = [fields[0], separators.field, *fields[1:]]
    return Segment(fields[0], number, fields)


def unescape(said: str, separators: Separators, encoding: str) -> str:
    r"""The text with its separators, line ends and bytes in place: ``Smith \T\ Sons`` gives ``Smith & Sons``.

    Highlighting is dropped; local, unclosed and unknown escapes stay as they are.
    """
    if separators.escape not in said:
        return said
    plain = {
        "F": separators.field,
        "S": separators.component,
        "T": separators.subcomponent,
        "R": separators.repetition,
        "E": separators.escape,
        ".br": "\n",
        "H": "",
        "N": "",
    }

    def replaced(found: re.Match[str]) -> str:
        word = found[1]
        return plain[word] if word is not None else bytes_of(found[0], separators.escape, encoding)

    return escapes(separators.escape).sub(replaced, said)


@cache
def escapes(escape: str) -> re.Pattern[str]:
    """The pattern of an escape: one of the known words, or a run of bytes."""
    sign = re.escape(escape)
    return re.compile(rf"{sign}([FSTREHN]|\.br){sign}|(?:{sign}X(?:[0-9A-Fa-f]{{2}})+{sign})+")


def bytes_of(run: str, escape: str, encoding: str) -> str:
    """Bytes written in hexadecimal, as text of the message's character set; as they are where they are none of it."""
    digits = "".join(each.removeprefix("X") for each in run.split(escape))
    try:
        text = bytes.fromhex(digits).decode(encoding)
    except UnicodeDecodeError:
        return run
    return run if UNFIT.search(text) else text


def escaped(plain: str) -> str:
    r"""Text made fit for a message with the standard separators: ``a&b`` gives ``a\T\b``."""
    names = {"|": "F", "^": "S", "~": "R", "\\": "E", "&": "T"}
    line = "".join(f"\\{names[each]}\\" if each in names else each for each in plain)
    return re.sub(r"[\x00-\x1f\x7f]+", " ", line)
