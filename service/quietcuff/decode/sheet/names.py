"""Headers and words as they are compared: without regard to case, spaces, hyphens and marks of accent."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

UNIT = re.compile(r"^(?P<name>.*\S)\s*[(\[,]\s*(?:in\s+)?(?P<unit>mm\s?\[?hg\]?|kpa)\s*[)\]]?$", re.I)


# The same few words stand in most rows of a sheet.
@lru_cache(maxsize=4096)
def folded(text: str) -> str:
    """The text as it is compared: ``Linker Oberarm`` is ``linker-oberarm``, ``Système`` is ``systeme``."""
    bare = "".join(mark for mark in unicodedata.normalize("NFKD", text) if not unicodedata.combining(mark))
    return re.sub(r"[\s_\-]+", " ", bare).strip(" :").casefold()


def unit_of(header: str) -> tuple[str, str | None]:
    """The header without the unit at its end, and the unit: ``Systolic (kPa)`` gives ``Systolic`` and ``kPa``."""
    found = UNIT.match(header.strip())
    if found is None:
        return header, None
    return found["name"], unit_named(found["unit"])


def unit_named(text: str) -> str | None:
    """A unit of pressure by its name, however it is written; None for any other."""
    return {"mmhg": "mmHg", "mm[hg]": "mmHg", "kpa": "kPa"}.get(re.sub(r"\s", "", text).casefold())
