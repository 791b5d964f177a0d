"""English as the core writes it, said in another language: by the sentence it was made from, and with what.

Stored answers hold codes and English sentences, and are never rewritten. Each sentence was made from one of the rules' own
sentences, so that it can be told which one and with what words in its places. What is not recognised stays as it is.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from quietcuff.core.model.readings import Context, Facts
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.words.language import Language, Names, Words
from quietcuff.words.numbers import days_in, is_number, number_in, set_type
from quietcuff.words.templates import Template, templates_of

TERMS_ONLY = ("reason", "first", "last")
MOST_SEEN = 4096
SENTENCES = ("step", "safety", "caution", "preparation", "pattern")


class Speaker:
    """The words of one language, prepared once; ``language`` holds them by code."""

    def __init__(self, language: Language, rulebook: Rulebook, names: Names) -> None:
        self.language = language
        self.about = language.about
        self.names = names
        self.rulebook = rulebook
        wording, earlier = rulebook.wording, _by_section(names.earlier)
        self._seen: dict[str, str | None] = {}
        self._exact: Words = {}
        self._templates: list[tuple[Template, str]] = []
        for section in SENTENCES:
            for english in (getattr(wording, section), earlier.get(section, {})):
                self._add(english, getattr(language, section))
        messages = {code: [each.message] for code, each in wording.finding.items()}
        for code, text in earlier.get("finding", {}).items():
            messages[code].append(text)
        self._findings = {
            code: ([Template(code, text) for text in texts], language.finding.get(code, texts[0]))
            for code, texts in messages.items()
        }
        self._certain = {
            text: language.certainty.get(code, text)
            for english in (wording.certainty, earlier.get("certainty", {}))
            for code, text in english.items()
        }
        self._certainty = [
            *_pairs(wording.certainty, language.certainty),
            *_pairs(earlier.get("certainty", {}), language.certainty),
        ]
        self._terms = _terms(language, rulebook, names)
        phrases = templates_of(_same(language.phrase), strict=True)
        self._phrases = [(template, language.phrase[template.code]) for template in phrases]

    def _add(self, english: Words, spoken: Words) -> None:
        self._exact.update({text: spoken.get(code, text) for code, text in english.items()})
        self._templates += _pairs(english, spoken)

    def finding(self, code: str, message: str) -> str:
        """The message of a finding; as it is where it was made by a wording that is not known."""
        templates, spoken = self._findings.get(code, ([], ""))
        for template in templates:
            held = template.places_in(message)
            if held is not None:
                return self.fill(spoken, held)
        return self.type_out(message)

    def any_finding(self, message: str) -> str:
        """The message of a finding whose code is not at hand."""
        for code, (templates, _) in self._findings.items():
            if any(template.places_in(message) is not None for template in templates):
                return self.finding(code, message)
        return self.type_out(message)

    def sentence(self, text: str) -> str:
        """A sentence of a step, the safety layer, a caution or the preparation, or several in a row."""
        return " ".join(self.type_out(part) for part in self._run(text))

    def certainty(self, text: str) -> str:
        """The statement of a certainty, with its own words for settings, edges, priors and chances."""
        return self.type_out(self._said_of_certainty(text))

    def phrase(self, text: str) -> str:
        """A label, its basis, a line for the record or a list, term by term."""
        return self.type_out(self._phrase(text))

    def record_line(self, text: str) -> str:
        """The line for the record, sentence by sentence."""
        if self.about.language == "en":
            return self.type_out(text)
        parts = [part for part in text.removesuffix(".").split(". ") if part]
        return self.type_out(". ".join(_raised(self._phrase(part)) for part in parts) + ".")

    def value(self, code: str) -> str:
        """A code that stands for a value, as it is read."""
        return self._terms.get(code) or code.replace("-", " ").replace("_", " ")

    def listed(self, name: str) -> str:
        """The label of a line of the sheet, as it stands in a list."""
        return self.language.value.get(name) or _listed(self.language, self.language.sheet[name])

    def reason(self, code: str) -> str:
        """Why a reading does not count, a label is provisional, or there is no result."""
        return self.language.reason.get(code) or self.language.short.get(code) or self.value(code)

    def short(self, code: str) -> str:
        """What a list or a heading says of a finding."""
        return self.language.short.get(code) or self.reason(code)

    def fill(self, sentence: str, held: dict[str, str]) -> str:
        """A sentence of the language with its places filled."""
        return self.type_out(sentence.format(**{name: self._phrase(value) for name, value in held.items()}))

    def type_out(self, text: str) -> str:
        """The text with the language's days and spaces."""
        return set_type(self.about, days_in(self.about, text))

    def _run(self, text: str) -> Iterator[str]:
        rest = text
        while rest:
            made, taken = self._first(rest)
            yield made
            rest = rest[taken:].lstrip()

    def _first(self, text: str) -> tuple[str, int]:
        """The longest beginning that is a known sentence, said, and its length; all of it where none is."""
        ends = [index + 1 for index, mark in enumerate(text) if mark in ".?" and text[index + 1 : index + 2] in ("", " ")]
        for end in sorted({*ends, len(text)}, reverse=True):
            made = self._whole(text[:end])
            if made is not None:
                return made, end
        return text, len(text)

    def _whole(self, text: str) -> str | None:
        if text in self._exact:
            return self._exact[text]
        for template, spoken in self._templates:
            held = template.places_in(text)
            if held is not None:
                return self.fill(spoken, held)
        return None

    def _said_of_certainty(self, text: str) -> str:
        if text in self._certain:
            return self._certain[text]
        for template, spoken in self._certainty:
            held = template.places_in(text)
            if held is not None:
                return spoken.format(**{name: self._said_of_certainty(value) for name, value in held.items()})
        return self._phrase(text)

    def _phrase(self, text: str) -> str:
        known = self._known(text)
        if known is not None:
            return known
        for mark in ("; ", ", "):
            parts = _split(text, mark)
            if len(parts) > 1:
                return mark.join(self._joined(parts, mark))
        return text

    def _joined(self, parts: list[str], mark: str) -> Iterator[str]:
        """The parts said, those that only mean something together as one."""
        begin = 0
        while begin < len(parts):
            for end in range(len(parts), begin, -1):
                known = self._known(mark.join(parts[begin:end]))
                if known is not None or end == begin + 1:
                    yield known if known is not None else self._phrase_alone(parts[begin], mark)
                    begin = end
                    break

    def _phrase_alone(self, text: str, mark: str) -> str:
        return self._phrase(text) if mark == "; " else text

    def _known(self, text: str) -> str | None:
        """A term, a number, or a phrase with places; None where it is none of these. Most texts come again and again."""
        if text in self._seen:
            return self._seen[text]
        if len(self._seen) >= MOST_SEEN:
            self._seen.clear()
        said = self._seen[text] = self._look_up(text)
        return said

    def _look_up(self, text: str) -> str | None:
        if is_number(text):
            return number_in(self.about, text)
        if text in self._terms:
            return self._terms[text]
        lowered = text[:1].lower() + text[1:]
        if lowered in self._terms:
            return _raised(self._terms[lowered])
        for template, spoken in self._phrases:
            held = template.places_in(text) or template.places_in(lowered)
            if held is not None and self._holds_terms(held):
                said = {name: self._phrase(value) for name, value in held.items()}
                made = spoken.format(**said)
                return _raised(made) if template.places_in(text) is None else made
        return None

    def _holds_terms(self, held: dict[str, str]) -> bool:
        """True unless a place for one term holds something else: or any list that begins with a number would be a reason."""
        alone = [held[name] for name in TERMS_ONLY if name in held]
        return all(value in self._terms or is_number(value) for value in alone)


def _by_section(sentences: Words) -> dict[str, Words]:
    found: dict[str, Words] = {}
    for name, text in sentences.items():
        section, _, code = name.partition(".")
        found.setdefault(section, {})[code] = text
    return found


def _pairs(english: Words, spoken: Words) -> list[tuple[Template, str]]:
    return [(template, spoken.get(template.code, template.text)) for template in templates_of(english.items())]


def _same(phrases: Words) -> Iterable[tuple[str, str]]:
    return ((key, key) for key in phrases)


def _terms(language: Language, rulebook: Rulebook, names: Names) -> Words:
    """What stands for itself: codes of values and rules, names of fields, reasons as the core writes them, and phrases."""
    wording, found = rulebook.wording, dict(names.guideline)
    found.update(language.protocol)
    for code, text in language.value.items():
        found.setdefault(code.replace("-", " ").replace("_", " "), text)
        found[code] = text
    for code, text in language.action.items():
        found.setdefault(code.replace("-", " "), text)
    for code, text in language.reason.items():
        found.setdefault(code.replace("-", " "), text)
        found.setdefault(wording.reason.get(code, code), text)
    for code in (*Context.__struct_fields__, *Facts.__struct_fields__):
        found[code] = language.value.get(code) or _listed(language, language.sheet[code])
    found.update({key: text for key, text in language.phrase.items() if "{" not in key})
    return found


def _listed(language: Language, label: str) -> str:
    """A label inside a list; German nouns keep their capital."""
    return label if language.about.lists_keep_capitals else label[:1].lower() + label[1:]


def _raised(text: str) -> str:
    return text[:1].upper() + text[1:]


def _split(text: str, mark: str) -> list[str]:
    """The text at each mark that stands in no brackets."""
    parts, depth, begin = [], 0, 0
    for index, sign in enumerate(text):
        depth += (sign == "(") - (sign == ")")
        if depth == 0 and text.startswith(mark, index):
            parts.append(text[begin:index])
            begin = index + len(mark)
    return [*parts, text[begin:]]
