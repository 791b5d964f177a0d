"""Logical ids, each made from the id of its set.

For set S: ``S-r0`` is a reading, ``S-p0`` its pulse, ``S-f0`` its device flags, ``S-mean`` the mean, ``S-v3`` the Provenance
of version 3.
"""

from __future__ import annotations

import re
from functools import lru_cache

from quietcuff.storage.search.query import Kind, ObservationKey

MEAN = "mean"
LETTERS: dict[Kind, str] = {"reading": "r", "pulse": "p", "flags": "f"}
KINDS_BY_LETTER: dict[str, Kind] = {letter: kind for kind, letter in LETTERS.items()}
UUID_PATTERN = r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}"
# No leading zeros: a resource must have one id only.
OBSERVATION_ID = re.compile(rf"({UUID_PATTERN})-(?:mean|([rpf])(0|[1-9][0-9]{{0,2}}))", re.ASCII)
PROVENANCE_ID = re.compile(rf"({UUID_PATTERN})-v([1-9][0-9]{{0,8}})", re.ASCII)
PLAIN_ID = re.compile(UUID_PATTERN, re.ASCII)


# Of a set there are few places, and each Observation names its own again and again.
@lru_cache(maxsize=4096)
def place_name(kind: Kind, index: int) -> str:
    """The part of an id after its set: ``r0``, ``p0``, ``f0`` or ``mean``."""
    return MEAN if kind == "mean" else f"{LETTERS[kind]}{index}"


def observation_key(logical_id: str) -> ObservationKey | None:
    """The Observation that an id names, or None for an id that cannot be one of ours."""
    found = OBSERVATION_ID.fullmatch(logical_id)
    if found is None:
        return None
    set_id, letter, index = found.groups()
    return ObservationKey(set_id, "mean", 0) if letter is None else ObservationKey(set_id, KINDS_BY_LETTER[letter], int(index))


def place_key(text: str) -> ObservationKey | None:
    """The Observation that the value of our identifier names, ``S/r0`` or ``S/mean``, or None."""
    set_id, slash, name = text.partition("/")
    return observation_key(f"{set_id}-{name}") if slash else None


def provenance_version(logical_id: str) -> tuple[str, int] | None:
    """The set and version that a Provenance's id names, or None."""
    found = PROVENANCE_ID.fullmatch(logical_id)
    return None if found is None else (found[1], int(found[2]))


def is_plain_id(logical_id: str) -> bool:
    """True for the form of the id of a set, a Patient and a Device."""
    return PLAIN_ID.fullmatch(logical_id) is not None
