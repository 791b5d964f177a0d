"""Sets that readings were joined to, as they are now, and everything known of them on the way."""

from __future__ import annotations

from collections.abc import Iterable
from uuid import UUID

import msgspec

from quietcuff.application.context import Answer
from quietcuff.decode.payload import RefusedPart

# The place of a reading, its two pressures in hundredths of mmHg, and its pulse.
SaidAt = tuple[int, int | None, int | None, int | None]


class JoinedVersion(msgspec.Struct, frozen=True):
    """A set's version made from readings, and the places of the readings that it added or changed."""

    person: UUID
    set_id: UUID
    version: int
    places: list[int]
    user: int | None = None


class Joined(msgspec.Struct, kw_only=True):
    """Outcome of a payload's readings: changed sets in their newest version, all versions made, and sets that were known
    before.

    ``said`` caches, by set, the values of its readings in earlier versions. ``met`` holds the places of readings that came from
    another sender before. ``kind`` is the kind of the payload.
    """

    kind: str = ""
    met: set[tuple[UUID, int]] = set()

    answers: dict[UUID, Answer] = {}
    made: list[JoinedVersion] = []
    known: dict[UUID, Answer] = {}
    said: dict[UUID, frozenset[SaidAt]] = {}
    replayed: int = 0
    refused: list[RefusedPart] = []

    def places(self) -> set[tuple[UUID, int]]:
        """The sets and places of the readings that were added or changed."""
        return {(made.set_id, place) for made in self.made for place in made.places}

    def changed(self, person: UUID, answer: Answer, places: Iterable[int], user: int | None = None) -> None:
        """Record a set's new version."""
        set_id = UUID(answer.set_id)
        self.answers[set_id] = answer
        self.made.append(JoinedVersion(person, set_id, answer.version, sorted(set(places)), user))
        self.known.pop(set_id, None)
