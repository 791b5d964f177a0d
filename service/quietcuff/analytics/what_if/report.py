"""Moves under other rules, counted as people go by; sums that can be stored half-way and added to later."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

import msgspec

from quietcuff.analytics.what_if.what_if import BeforeAndAfter, ByColumns, Label, Refused, WhatIf, is_to_be_seen, label_of
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import Identifier
from quietcuff.core.rulebook.rulebook import Rulebook

SHARE_DECIMALS = 4


class Sums(msgspec.Struct, kw_only=True):
    """The number of sets that had a label and would have another. Certainty only of those that move and have one."""

    sets: int = 0
    with_certainty_before: int = 0
    settled_before: int = 0
    probability_before: float = 0.0
    with_certainty_after: int = 0
    settled_after: int = 0
    probability_after: float = 0.0

    def add(self, before: Label, after: Label) -> None:
        self.sets += 1
        if before.category == after.category:
            return
        if before.settled is not None and before.probability is not None:
            self.with_certainty_before += 1
            self.settled_before += before.settled
            self.probability_before += before.probability
        if after.settled is not None and after.probability is not None:
            self.with_certainty_after += 1
            self.settled_after += after.settled
            self.probability_after += after.probability

    def join(self, other: Sums) -> None:
        """Add the sums of other sets."""
        for name in self.__struct_fields__:
            setattr(self, name, getattr(self, name) + getattr(other, name))


def label_after(outcome: BeforeAndAfter, before: Label, book: Rulebook) -> Label:
    """The label under the other rules; that of before where nothing of the set is otherwise."""
    if isinstance(outcome.after, ByColumns):
        return outcome.after.label
    return label_of(outcome.after, outcome.setting, book) if isinstance(outcome.after, Evaluation) else before


class MovedPerson(msgspec.Struct, frozen=True, kw_only=True):
    """One person whose newest label would be another; categories are null where there is none."""

    subject_id: str
    identifier: Identifier | None
    set_id: str
    before: str | None
    after: str | None
    to_be_seen_before: bool
    to_be_seen_after: bool


class WhatIfTally(msgspec.Struct, kw_only=True):
    """The counts so far. ``moves`` are by the label before, then by the label after; an empty name is no label."""

    sets: int = 0
    evaluated: int = 0
    untouched: int = 0
    by_columns: int = 0
    by_core: int = 0
    refused: dict[str, int] = {}
    moves: dict[str, dict[str, Sums]] = {}
    both_told: int = 0
    high_before: int = 0
    high_after: int = 0
    newly_high: int = 0
    no_longer_high: int = 0
    people: int = 0
    seen_before: int = 0
    seen_after: int = 0
    newly_seen: int = 0
    no_longer_seen: int = 0
    moved_people: list[MovedPerson] = []

    def add_person(self, outcomes: Sequence[BeforeAndAfter], book: Rulebook, today: date, *, listed: bool) -> None:
        """Count one person's sets, all of them."""
        for outcome in outcomes:
            self._add_set(outcome, book)
        before = is_to_be_seen(outcomes, today, after=False)
        after = is_to_be_seen(outcomes, today, after=True)
        self.people += 1
        self.seen_before += before
        self.seen_after += after
        self.newly_seen += after and not before
        self.no_longer_seen += before and not after
        if listed:
            self._list(outcomes, to_be_seen_before=before, to_be_seen_after=after)

    def add(self, other: WhatIfTally) -> None:
        """Add what was counted of other people."""
        for name in self.__struct_fields__:
            mine, theirs = getattr(self, name), getattr(other, name)
            if not isinstance(mine, dict):
                setattr(self, name, mine + theirs)
        for code, times in other.refused.items():
            self.refused[code] = self.refused.get(code, 0) + times
        for before, row in other.moves.items():
            for after, sums in row.items():
                self.moves.setdefault(before, {}).setdefault(after, Sums()).join(sums)

    def _add_set(self, outcome: BeforeAndAfter, book: Rulebook) -> None:
        self.sets += 1
        self.by_columns += isinstance(outcome.after, ByColumns)
        self.by_core += isinstance(outcome.after, Evaluation | Refused)
        if outcome.after is None:
            self.untouched += 1
        elif isinstance(outcome.after, Refused):
            for code in dict.fromkeys(outcome.after.codes):
                self.refused[code] = self.refused.get(code, 0) + 1
            return
        else:
            self.evaluated += 1
        before = label_of(outcome.before, outcome.setting, book)
        after = label_after(outcome, before, book)
        self._add_high(before.hypertensive, after.hypertensive)
        self.moves.setdefault(before.category or "", {}).setdefault(after.category or "", Sums()).add(before, after)

    def _add_high(self, before: bool | None, after: bool | None) -> None:
        if before is None or after is None:
            return
        self.both_told += 1
        self.high_before += before
        self.high_after += after
        self.newly_high += after and not before
        self.no_longer_high += before and not after

    def _list(self, outcomes: Sequence[BeforeAndAfter], *, to_be_seen_before: bool, to_be_seen_after: bool) -> None:
        newest = max(outcomes, key=lambda outcome: (outcome.stored.taken_from, outcome.stored.set_id))
        if not isinstance(newest.after, Evaluation):
            return
        before, after = (
            evaluation.categories[0].category if evaluation.categories else None for evaluation in (newest.before, newest.after)
        )
        if before == after:
            return
        identifier = msgspec.json.decode(newest.stored.document, type=NamedSet).subject.identifier
        self.moved_people.append(
            MovedPerson(
                subject_id=str(newest.stored.subject_id),
                identifier=identifier,
                set_id=str(newest.stored.set_id),
                before=before,
                after=after,
                to_be_seen_before=to_be_seen_before,
                to_be_seen_after=to_be_seen_after,
            )
        )


class PersonOfSet(msgspec.Struct, frozen=True):
    """A set's person, by identifier alone."""

    identifier: Identifier


class NamedSet(msgspec.Struct, frozen=True):
    """Whose a stored set is."""

    subject: PersonOfSet


class LabelMove(msgspec.Struct, frozen=True, kw_only=True):
    """Sets with one label before and one after, alike where nothing moves; null is no label. Certainties are means and shares
    of those that move and have one, null where none has."""

    before: str | None
    after: str | None
    sets: int
    share: float
    settled_before: float | None
    settled_after: float | None
    probability_before: float | None
    probability_after: float | None


class Hypertensive(msgspec.Struct, frozen=True, kw_only=True):
    """Office sittings of which both sides can say it, and how many reach their guideline's limit for hypertension."""

    sets: int
    before: int
    after: int
    newly: int
    no_longer: int


class People(msgspec.Struct, frozen=True, kw_only=True):
    """The number of people, and of those to be seen, before and after."""

    all: int
    to_be_seen_before: int
    to_be_seen_after: int
    newly: int
    no_longer: int


class WhatIfReport(msgspec.Struct, frozen=True, kw_only=True):
    """The answer to a what-if. ``untouched`` sets are none that the change bears on; ``refused`` ones cannot be
    evaluated so, by code. ``moved`` counts sets whose label has another name, as the same may have under another guideline:
    ``hypertensive`` compares what is named otherwise. ``by_columns`` sets were decided many at once, ``by_core``
    ones by themselves; what is said of them is the same. ``moved_people`` is null unless it was asked for."""

    asked: WhatIf
    as_of: datetime
    rules_digest: str
    sets: int
    evaluated: int
    untouched: int
    by_columns: int = 0
    by_core: int = 0
    refused: dict[str, int]
    moved: int
    moves: list[LabelMove]
    hypertensive: Hypertensive
    people: People
    moved_people: list[MovedPerson] | None


def report_of(tally: WhatIfTally, asked: WhatIf, as_of: datetime, rules_digest: str) -> WhatIfReport:
    """The counts as they are told, the largest move first."""
    moves = [
        move_of(before, after, sums, tally.evaluated + tally.untouched)
        for before, row in tally.moves.items()
        for after, sums in row.items()
    ]
    moves.sort(key=lambda move: (move.before == move.after, -move.sets, move.before or "", move.after or ""))
    return WhatIfReport(
        asked=asked,
        as_of=as_of,
        rules_digest=rules_digest,
        sets=tally.sets,
        evaluated=tally.evaluated,
        untouched=tally.untouched,
        by_columns=tally.by_columns,
        by_core=tally.by_core,
        refused=dict(sorted(tally.refused.items())),
        moved=sum(move.sets for move in moves if move.before != move.after),
        moves=moves,
        hypertensive=Hypertensive(
            sets=tally.both_told,
            before=tally.high_before,
            after=tally.high_after,
            newly=tally.newly_high,
            no_longer=tally.no_longer_high,
        ),
        people=People(
            all=tally.people,
            to_be_seen_before=tally.seen_before,
            to_be_seen_after=tally.seen_after,
            newly=tally.newly_seen,
            no_longer=tally.no_longer_seen,
        ),
        moved_people=tally.moved_people if asked.people else None,
    )


def move_of(before: str, after: str, sums: Sums, compared: int) -> LabelMove:
    """One cell of the table."""
    return LabelMove(
        before=before or None,
        after=after or None,
        sets=sums.sets,
        share=round(sums.sets / compared, SHARE_DECIMALS),
        settled_before=part(sums.settled_before, sums.with_certainty_before),
        settled_after=part(sums.settled_after, sums.with_certainty_after),
        probability_before=part(sums.probability_before, sums.with_certainty_before),
        probability_after=part(sums.probability_after, sums.with_certainty_after),
    )


def part(amount: float, count: int) -> float | None:
    return None if not count else round(amount / count, SHARE_DECIMALS)
