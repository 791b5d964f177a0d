"""Scopes: SMART letters on FHIR types, such as ``system/Observation.rs``, optionally narrowed by a search.

The letters are create, read, update, delete and search, in this order. The older words read, write and ``*`` mean ``rs``,
``cud`` and all five. ``system/Observation.rs?category=SYSTEM|CODE`` opens only the Observations that such a search finds. What
is no FHIR type has a name of its own in the type's place: ``Table``, ``FollowUp``, ``Quality`` and ``WhatIf``.
Two scopes have another form, and no star holds them: with ``quietcuff/identified`` people are named, and ``quietcuff/metrics``
opens the figures of the whole service.

Source: SMART App Launch 2.2, scopes for requesting FHIR resources.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from typing import Literal
from urllib.parse import parse_qsl

import msgspec

from quietcuff.core.model.errors import NotAcceptable

LETTERS = "cruds"
OLDER_WORDS = {"read": "rs", "write": "cud", "*": LETTERS}
IDENTIFIED = "quietcuff/identified"
METRICS: Literal["quietcuff/metrics"] = "quietcuff/metrics"
OWN_WORDS = (IDENTIFIED, METRICS)
NARROWING = {"Observation": ("category", "code")}
ACCEPTED = (
    f"system/TYPE.LETTERS with a FHIR type or *, and letters of {LETTERS} in this order, for Observation with "
    f"?category=SYSTEM|CODE or ?code=SYSTEM|CODE or both; or {IDENTIFIED}, or {METRICS}."
)

_SCOPE = re.compile(
    r"system/(?P<type>\*|[A-Z][A-Za-z]{1,63})\.(?P<letters>c?r?u?d?s?|read|write|\*)(\?(?P<query>[\x21-\x7e]{1,400}))?",
    re.ASCII,
)
Query = tuple[tuple[str, str], ...]


class Need(msgspec.Struct, frozen=True):
    """The scope that an operation requires: one letter on one FHIR type."""

    type: str
    letter: str

    def __str__(self) -> str:
        return f"system/{self.type}.{self.letter}"


class Scope(msgspec.Struct, frozen=True):
    """One scope: a type or ``*``, its letters, and the search that narrows it, if any.

    ``is_older`` is true where it was written with one of the older words.
    """

    type: str
    letters: str
    query: Query = ()
    is_older: bool = False

    def __str__(self) -> str:
        word = next((word for word, meant in OLDER_WORDS.items() if meant == self.letters), None) if self.is_older else None
        asked = "&".join(f"{name}={value}" for name, value in self.query)
        return f"system/{self.type}.{word or self.letters}{f'?{asked}' if asked else ''}"


class Scopes(msgspec.Struct, frozen=True):
    """The rights of a key: the letters of each FHIR type, or ``*``, and rights to only a part of a type."""

    letters: dict[str, frozenset[str]]
    identified: bool
    narrowed: tuple[Scope, ...] = ()
    metrics: bool = False

    def allow(self, need: Need) -> bool:
        """True where the key may do the operation with all of the type. What is not named is not allowed."""
        return need.letter in self.letters.get(need.type, ()) or need.letter in self.letters.get("*", ())

    def parts(self, need: Need) -> list[Query] | None:
        """The searches that limit the operation, any of which may find a resource.

        None where all of the type is allowed; an empty list where nothing is.
        """
        if self.allow(need):
            return None
        return [scope.query for scope in self.narrowed if scope.type == need.type and need.letter in scope.letters]


def read_scope(word: str) -> Scope | None:
    """The scope that a word names; None where this service has no such scope."""
    match = _SCOPE.fullmatch(word)
    if match is None or not match["letters"]:
        return None
    letters = OLDER_WORDS.get(match["letters"], match["letters"])
    query: Query = ()
    if match["query"] is not None:
        try:
            query = tuple(parse_qsl(match["query"], keep_blank_values=True, strict_parsing=True, max_num_fields=4))
        except ValueError:
            return None
        known = NARROWING.get(match["type"], ())
        # Characters that would mean something else once the scope is written into a list or a URL again.
        if any(name not in known or not value or set(value) & set("&#+% \\") for name, value in query):
            return None
    return Scope(match["type"], letters, query, is_older=match["letters"] in OLDER_WORDS)


def parse_scopes(text: str) -> Scopes:
    """The scopes of a space-separated list.

    Raises:
        NotAcceptable: a word of the list is no scope, or there is none.
    """
    words = text.split()
    read = [read_scope(word) for word in words if word not in OWN_WORDS]
    if any(scope is None for scope in read):
        raise NotAcceptable.of(parameter="scope", code="unknown-scope", detail=ACCEPTED)
    if not read and METRICS not in words:
        raise NotAcceptable.of(parameter="scope", code="missing", detail=ACCEPTED)
    return scopes_of([scope for scope in read if scope is not None], words)


def scopes_of(read: list[Scope], words: Collection[str]) -> Scopes:
    """The rights that a list of scopes gives together, with those words of the list that have a form of their own."""
    letters: dict[str, frozenset[str]] = {}
    for scope in read:
        if not scope.query:
            letters[scope.type] = letters.get(scope.type, frozenset()) | frozenset(scope.letters)
    narrowed = tuple(scope for scope in read if scope.query)
    return Scopes(letters, IDENTIFIED in words, narrowed, METRICS in words)


def grant(wanted: str, held: str) -> list[str]:
    """The wanted scopes that the held ones allow, in the words in which they were wanted.

    A type that is wanted whole but held in part is granted in that part, and ``*`` as the types that are held. Words that are
    no scope of this service are left out. Example: ``system/*.read`` of a client that holds ``system/Patient.rs`` is
    ``["system/Patient.read"]``.

    Source: SMART App Launch 2.2, 3.3: the scopes granted may be fewer than those asked for.
    """
    owned = [scope for scope in (read_scope(word) for word in held.split()) if scope is not None]
    granted: dict[str, None] = {}
    for word in wanted.split():
        if word in OWN_WORDS and word in held.split():
            granted[word] = None
        scope = read_scope(word)
        for owner in owned if scope is not None else ():
            common = None if scope is None else _common(scope, owner)
            if common is not None:
                granted[str(common)] = None
    return list(granted)


def _common(wanted: Scope, owner: Scope) -> Scope | None:
    """The common part of two scopes: the narrower type, the letters of both, and the searches of both."""
    if "*" not in (wanted.type, owner.type) and wanted.type != owner.type:
        return None
    letters = "".join(letter for letter in LETTERS if letter in wanted.letters and letter in owner.letters)
    if not letters:
        return None
    kind = owner.type if wanted.type == "*" else wanted.type
    query = tuple(dict.fromkeys((*owner.query, *wanted.query)))
    # Only Observations can be narrowed: no other type has a search that a scope may carry.
    if query and kind not in NARROWING:
        return None
    return Scope(kind, letters, query, is_older=wanted.is_older and letters in OLDER_WORDS.values())
