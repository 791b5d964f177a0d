"""Sentences with named places: which one a text was made from, and with what."""

from __future__ import annotations

import re
from collections.abc import Iterable

PLACE = re.compile(r"\{([a-z_]+)\}")
# Places that hold a number or a pressure, and those that may hold a whole list; all others end at a comma.
NUMBERS = frozenset(
    ("age", "count", "days", "edge", "high", "least", "limit", "low", "mean", "minutes", "mmhg", "most", "needed", "percent")
    + ("place", "pressure", "rate", "readings", "share")
)
LISTS = frozenset(("list", "reason", "prior", "because"))
CHANCES = frozenset(("chance", "flat"))


class Template:
    """A sentence with named places, ready to be recognised."""

    def __init__(self, code: str, text: str, *, strict: bool = False) -> None:
        self.code = code
        self.text = text
        self.literal = len(PLACE.sub("", text))
        pieces = PLACE.split(text)
        # Nearly every text fails at its beginning or its end: looked at first, they spare the pattern.
        self.begins, self.ends = pieces[0], pieces[-1]
        self.pattern = re.compile(_pattern(text, strict=strict), re.DOTALL)

    def places_in(self, text: str) -> dict[str, str] | None:
        """What stands in the places of this text; None where it was not made from this sentence."""
        if not (text.startswith(self.begins) and text.endswith(self.ends)):
            return None
        found = self.pattern.fullmatch(text)
        return None if found is None else found.groupdict()


def places(text: str) -> list[str]:
    """The names of the places in a sentence, sorted."""
    return sorted(set(PLACE.findall(text)))


def templates_of(sentences: Iterable[tuple[str, str]], *, strict: bool = False) -> list[Template]:
    """Templates with places, those with the most fixed text first."""
    made = [Template(code, text, strict=strict) for code, text in sentences if PLACE.search(text)]
    return sorted(made, key=lambda template: -template.literal)


def _pattern(text: str, *, strict: bool) -> str:
    parts, end = [], 0
    for place in PLACE.finditer(text):
        parts.append(re.escape(text[end : place.start()]))
        parts.append(f"(?P<{place.group(1)}>{_held_by(place.group(1), strict=strict)})")
        end = place.end()
    return "".join([*parts, re.escape(text[end:])])


def _held_by(name: str, *, strict: bool) -> str:
    if name in CHANCES:
        return r"[<>]?\d+ %"
    if not strict:
        return ".+?"
    if name in NUMBERS:
        return r"[\d.,/–-]+"
    return ".+" if name in LISTS else "[^,;:()]+"
