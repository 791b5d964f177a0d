"""The values of search parameters: separators with their escapes, tokens, references. Source: FHIR R4 search, 3.1.1.4."""

from __future__ import annotations

import re

import msgspec

from quietcuff.core.model.errors import Fault, NotAcceptable

ESCAPED = re.compile(r"\\([,|$\\])")


def split(text: str, separator: str) -> list[str]:
    """The parts between separators that no backslash escapes; the parts keep their escapes."""
    parts, begun, place = [], 0, 0
    while place < len(text):
        if text[place] == "\\":
            place += 2
            continue
        if text[place] == separator:
            parts.append(text[begun:place])
            begun = place + 1
        place += 1
    return [*parts, text[begun:]]


def plain(text: str) -> str:
    """A part without its escapes."""
    return ESCAPED.sub(r"\1", text)


class Token(msgspec.Struct, frozen=True):
    """A token: ``code`` in any system (None), in a system, or in none (""). An empty code means every code of the system."""

    system: str | None
    code: str

    def names(self, system: str | None, code: str) -> bool:
        """Whether it names this code of this system."""
        return self.code in ("", code) and (self.system is None or self.system == (system or ""))


def token(text: str) -> Token:
    """``code``, ``system|code``, ``system|`` or ``|code``; further bars belong to the code."""
    system, *rest = split(text, "|")
    if not rest:
        return Token(None, plain(system))
    return Token(plain(system), plain("|".join(rest)))


def refused(parameter: str, code: str, detail: str) -> NotAcceptable:
    """The one fault of a parameter."""
    return NotAcceptable([Fault(parameter=parameter, code=code, detail=detail)])
