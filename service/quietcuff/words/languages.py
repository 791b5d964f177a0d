"""All languages at hand, and the choice of one from what a reader prefers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import msgspec

from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.words.language import CODES, read_language, read_names
from quietcuff.words.speaker import Speaker

FALLBACK = "en"
LONGEST_HEADER = 1000


class Speakers(Mapping[str, Speaker]):
    """The speaker of each language, made when it is first asked for: most readers of a process share one language."""

    def __init__(self, rulebook: Rulebook) -> None:
        self._rulebook = rulebook
        self._made: dict[str, Speaker] = {}

    def __getitem__(self, code: str) -> Speaker:
        if code not in CODES:
            raise KeyError(code)
        if code not in self._made:
            self._made[code] = Speaker(read_language(code, self._rulebook), self._rulebook, read_names())
        return self._made[code]

    def __iter__(self) -> Iterator[str]:
        return iter(CODES)

    def __len__(self) -> int:
        return len(CODES)

    def __contains__(self, code: object) -> bool:
        return code in CODES


class Languages(msgspec.Struct, frozen=True, kw_only=True):
    """One speaker for each language."""

    speakers: Mapping[str, Speaker]

    def speaker(self, code: str | None) -> Speaker:
        """The speaker of a language, English where there is none; ``de-AT`` is spoken as ``de``."""
        asked = primary(code or "")
        return self.speakers[asked if asked in self.speakers else FALLBACK]

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
    return Languages(speakers=Speakers(rulebook))


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
