"""The languages: their files, read once, and English as it stands in the rules."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Literal, TypeVar

import msgspec

from quietcuff.core.rulebook.rulebook import Rulebook

Words = dict[str, str]
Read = TypeVar("Read")
Meaning = Literal["usual", "raised", "high", "standing"]
DRAFTED = ("de", "fr", "es")
CODES = ("en", *DRAFTED)
# The sections that English has in the rules: they are not written a second time.
FROM_RULES = ("step", "safety", "caution", "preparation", "pattern", "certainty", "reason", "sheet")


class About(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The language itself; ``machine_drafted`` until a clinician has read it. ``day`` is how a date is written,
    ``short_day`` in a table."""

    language: str
    name: str
    machine_drafted: bool
    decimal: str
    lists_keep_capitals: bool
    day: str
    short_day: str
    months: list[str]
    short_months: list[str]


class Language(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """All words of one language, by section and code. ``phrase`` is keyed by what the core writes in English."""

    about: About
    finding: Words = {}
    step: Words = {}
    safety: Words = {}
    caution: Words = {}
    preparation: Words = {}
    pattern: Words = {}
    certainty: Words = {}
    reason: Words = {}
    sheet: Words = {}
    protocol: Words = {}
    phrase: Words = {}
    short: Words
    state: Words
    level: Words
    action: Words
    question: Words
    value: Words
    reading: Words
    sure: Words
    person: Words
    report: Words
    column: Words
    template: Words
    picture: Words
    bedside: Words


class Names(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What is the same in every language: names of guidelines, what a category means to the person measured, and sentences of
    earlier wordings by section and code."""

    guideline: Words
    meaning: dict[str, Meaning]
    earlier: Words


def read_language(code: str, rulebook: Rulebook) -> Language:
    """A language from its file; English completed from the rules."""
    language = _read(f"{code}.toml", Language)
    if code != "en":
        return language
    wording = rulebook.wording
    return msgspec.structs.replace(
        language,
        finding={code: each.message for code, each in wording.finding.items()},
        protocol={code: each.title for code, each in rulebook.protocols.items()},
        **{section: getattr(wording, section) for section in FROM_RULES},
    )


@cache
def read_names() -> Names:
    """The names that are the same in every language."""
    return _read("names.toml", Names)


def _read(name: str, kind: type[Read]) -> Read:
    raw = (files("quietcuff.words") / name).read_bytes()
    return msgspec.toml.decode(raw, type=kind)
