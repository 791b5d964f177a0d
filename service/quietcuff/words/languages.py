"""All languages at hand, and the choice of one from what a reader prefers."""

from __future__ import annotations

import msgspec

from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.words.language import CODES, read_language, read_names
from quietcuff.words.speaker import Speaker

FALLBACK = "en"
LONGEST_HEADER = 1000


class Languages(msgspec.Struct, frozen=True, kw_only=True):
    """One speaker for each language, made once."""

    speakers: dict[str, Speaker]

    def speaker(self, code: str | None) -> Speaker:
        """The speaker of a language, English where there is none; ``de-AT`` is spoken as ``de``."""
        return self.speakers.get(primary(code or ""), self.speakers[FALLBACK])

    def preferred(self, accepted: str) -> Speaker:
        """The speaker that an Accept-Language header prefers, English where it names none that is here."""
        for code in ranked(accepted):
            if code == "*":
                break
            if primary(code) in self.speakers:
                return self.speakers[primary(code)]
        return self.speakers[FALLBACK]


def load_languages(rulebook: Rulebook) -> Languages:
    """Every language, with English from the rules."""
    names = read_names()
    return Languages(speakers={code: Speaker(read_language(code, rulebook), rulebook, names) for code in CODES})


def primary(code: str) -> str:
    """The language of a tag, without its region: de of de-AT."""
    return code.strip().partition("-")[0].lower()


def ranked(accepted: str) -> list[str]:
    """The tags of an Accept-Language header, the most wanted first; weight 0 is not wanted. Source: RFC 9110, 12.5.4."""
    weighed = []
    for place, part in enumerate(accepted[:LONGEST_HEADER].split(",")):
        code, _, parameter = part.strip().partition(";")
        weight = _weight(parameter)
        if code and weight > 0:
            weighed.append((-weight, place, code.strip()))
    return [code for _, _, code in sorted(weighed)]


def _weight(parameter: str) -> float:
    name, _, value = parameter.strip().partition("=")
    if name.strip().lower() != "q":
        return 1.0
    try:
        weight = float(value)
    except ValueError:
        return 0.0
    return weight if 0 <= weight <= 1 else 0.0
