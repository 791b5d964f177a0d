"""Scopes: SMART letters on FHIR types, ``system/Observation.rs``.

Letters are create, read, update, delete, search, in this order; the older words read, write and ``*`` mean ``rs``,
``cud`` and all five. ``quietcuff/identified`` is the one scope of our own: exports with names.
Source: SMART App Launch 2.2, scopes for requesting FHIR resources.
"""

from __future__ import annotations

import re

import msgspec

from quietcuff.core.errors import Fault, NotAcceptable

LETTERS = "cruds"
OLDER_WORDS = {"read": "rs", "write": "cud", "*": LETTERS}
IDENTIFIED = "quietcuff/identified"
ACCEPTED = f"system/TYPE.LETTERS with a FHIR type or *, and letters of {LETTERS} in this order; or {IDENTIFIED}."

_SCOPE = re.compile(r"system/(?P<type>\*|[A-Z][A-Za-z]{1,63})\.(?P<letters>c?r?u?d?s?|read|write|\*)", re.ASCII)


class Need(msgspec.Struct, frozen=True):
    """What one operation asks of a key: one letter on one FHIR type."""

    type: str
    letter: str

    def __str__(self) -> str:
        return f"system/{self.type}.{self.letter}"


class Scopes(msgspec.Struct, frozen=True):
    """What a key may do: each FHIR type, or ``*``, with its letters."""

    letters: dict[str, frozenset[str]]
    identified: bool

    def allow(self, need: Need) -> bool:
        """Whether the operation is among what the key may do; what is not named is not allowed."""
        granted = self.letters.get(need.type, frozenset()) | self.letters.get("*", frozenset())
        return need.letter in granted


def parse_scopes(text: str) -> Scopes:
    """The scopes that a space-separated list says.

    Raises:
        NotAcceptable: a word of the list is no scope, or there is none.
    """
    letters: dict[str, frozenset[str]] = {}
    identified = False
    for word in text.split():
        match = _SCOPE.fullmatch(word)
        if word == IDENTIFIED:
            identified = True
        elif match is not None and match["letters"]:
            granted = OLDER_WORDS.get(match["letters"], match["letters"])
            letters[match["type"]] = letters.get(match["type"], frozenset()) | frozenset(granted)
        else:
            raise NotAcceptable([Fault(parameter="scope", code="unknown-scope", detail=ACCEPTED)])
    if not letters:
        raise NotAcceptable([Fault(parameter="scope", code="missing", detail=ACCEPTED)])
    return Scopes(letters, identified)
