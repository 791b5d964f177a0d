"""Plain words that a sheet of readings may use in any of the languages: its headers, and its cells for codes."""

from __future__ import annotations

from collections import defaultdict

from quietcuff.words.language import Language
from quietcuff.words.languages import Languages


def title_of(language: Language, column: str) -> str | None:
    """The header of a column in a language; None where it has no plain words."""
    for name, unit in ((column, ""), (column.removesuffix("_mmhg"), "mmHg"), (column.removesuffix("_kpa"), "kPa")):
        title = language.column.get(name) or (language.sheet.get(name) if name == column else None)
        if title is not None:
            return f"{title} ({unit})" if unit else title
    return None


def plain_headers(languages: Languages, columns: list[str]) -> dict[str, str]:
    """Each header in plain words with the column that it names; words that would name two columns name none."""
    found: dict[str, set[str]] = defaultdict(set)
    for speaker in languages.speakers.values():
        for column in columns:
            title = title_of(speaker.language, column)
            if title is not None:
                found[title].add(column)
    return {title: names.pop() for title, names in found.items() if len(names) == 1}


def plain_values(languages: Languages) -> dict[str, list[str]]:
    """Each word for a value with the codes that it stands for in any language."""
    found: dict[str, list[str]] = defaultdict(list)
    for speaker in languages.speakers.values():
        for code, word in speaker.language.value.items():
            found[word].append(code)
    return found
