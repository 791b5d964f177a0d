"""The whole catalogue of words in one language: each code with its short text, its sentence and its question."""

from __future__ import annotations

import msgspec

from quietcuff.words.language import Language, Words
from quietcuff.words.speaker import Speaker
from quietcuff.words.templates import places

# Sections whose entries are whole sentences and have no shorter form than themselves.
SENTENCES = ("step", "safety", "caution", "preparation", "pattern", "certainty", "person", "bedside")


class Entry(msgspec.Struct, frozen=True, kw_only=True):
    """One code. ``parameters`` are the names in braces, the same in every language."""

    code: str
    short: str | None = None
    sentence: str | None = None
    question: str | None = None
    parameters: list[str] = []


class Catalogue(msgspec.Struct, frozen=True, kw_only=True):
    """Every code that a person may see, by kind, in one language."""

    language: str
    name: str
    machine_drafted: bool
    languages: list[str]
    words: dict[str, list[Entry]]


def catalogue_of(speaker: Speaker, languages: list[str]) -> Catalogue:
    """The catalogue of the speaker's language; ``languages`` are all that there are."""
    language = speaker.language
    kinds = {
        "finding": _entries(language, language.short | _reasons_of_findings(speaker), language.finding),
        "reason": _entries(language, language.reason, {}),
        "state": _entries(language, {code: language.value[code] for code in language.state}, language.state),
        "safety-level": _entries(language, {code: language.value[code] for code in language.level}, language.level),
        "action": _entries(language, language.action, {}),
        "context": _entries(language, _fields(language), {}, language.question),
        "label": _labels(speaker),
        "certainty-degree": _degrees(language),
        "value": _entries(language, language.value, {}),
        "heading": _entries(language, language.sheet, {}),
        "column": _entries(language, language.column, {}),
        "guideline": _entries(language, speaker.names.guideline, {}),
        "protocol": _entries(language, {}, language.protocol),
    }
    kinds |= {kind: _entries(language, {}, getattr(language, kind)) for kind in SENTENCES}
    return Catalogue(
        language=language.about.language,
        name=language.about.name,
        machine_drafted=language.about.machine_drafted,
        languages=languages,
        words=kinds,
    )


def _fields(language: Language) -> Words:
    return {code: language.sheet.get(code, code) for code in language.question}


def _reasons_of_findings(speaker: Speaker) -> Words:
    language = speaker.language
    return {code: language.reason[code] for code in language.finding if code in language.reason}


def _entries(language: Language, shorts: Words, sentences: Words, questions: Words | None = None) -> list[Entry]:
    asked = questions or {}
    codes = sorted({*shorts, *sentences, *asked})
    return [
        Entry(
            code=code,
            short=shorts.get(code),
            sentence=sentences.get(code),
            question=asked.get(code),
            parameters=places(" ".join((shorts.get(code, ""), sentences.get(code, "")))),
        )
        for code in codes
    ]


def _labels(speaker: Speaker) -> list[Entry]:
    """Every label that a guideline gives, coded by guideline, place and category."""
    found: dict[str, Entry] = {}
    for guideline in speaker.rulebook.guidelines.values():
        for row in guideline.rows:
            code = f"{guideline.id}/{row.category}"
            found[code] = Entry(code=code, short=speaker.phrase(row.label), sentence=speaker.phrase(row.basis))
        for bands in guideline.out_of_office:
            for row in bands.rows:
                code = f"{guideline.id}/{bands.setting}-{bands.part}/{row.category}"
                found[code] = Entry(code=code, short=speaker.phrase(row.label), sentence=speaker.phrase(row.basis))
    return [found[code] for code in sorted(found)]


def _degrees(language: Language) -> list[Entry]:
    degrees = [code for code in language.sure if f"{code}-sentence" in language.sure]
    return [
        Entry(
            code=code,
            short=language.sure[code],
            sentence=language.sure[f"{code}-sentence"],
            parameters=places(language.sure[code]),
        )
        for code in sorted(degrees)
    ]
