"""Stored sittings under other rules: the rules and the inputs changed in copies, and what moves. Nothing is
written anywhere.

Labels are compared under the first guideline of each side: the one that was asked for then, and the one asked for now.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import date
from typing import Annotated, Literal, Protocol

import msgspec
from msgspec import Meta

from quietcuff.analytics.follow_ups.follow_ups import ANSWERED, ASKED, FollowedSet, StoredAnswer, line_of, not_followed
from quietcuff.core.evaluate import evaluate
from quietcuff.core.labels.classification import reaches_hypertension
from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.errors import Fault, NotAcceptable
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.fields import Setting, Text
from quietcuff.core.model.readings import Context, Reading, ReadingSet
from quietcuff.core.rulebook.rulebook import Guideline, Rulebook
from quietcuff.core.rulebook.rulebook import Protocol as SittingProtocol
from quietcuff.core.sitting.attempts import in_order
from quietcuff.storage.rows.analysis_pages import AnalysedSet

ENCODER = msgspec.json.Encoder()
SET = DocumentDecoder(ReadingSet)
EVALUATION = DocumentDecoder(Evaluation)
MOST_FEWER = 2


class WhatIf(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """The changes asked for; whatever is left out stays as it was.

    ``protocol`` rules where its settings include the sitting's; ``guideline`` labels alone. ``rounding`` reports whole mmHg or
    exact means. ``fewer_readings`` takes away the last readings at each site, and asks for so many fewer. ``answers`` stand in
    place of those of the context, such as arm_supported: yes. With ``people`` the result lists whose newest label moves.
    """

    protocol: Text | None = None
    guideline: Text | None = None
    rounding: Literal["whole", "exact"] | None = None
    fewer_readings: Annotated[int, Meta(ge=0, le=MOST_FEWER)] = 0
    answers: dict[Text, Text] = {}
    people: bool = False


class Refused(msgspec.Struct, frozen=True):
    """The codes of why a set cannot be evaluated so."""

    codes: list[str]


class Label(msgspec.Struct, frozen=True):
    """A label, None where there is none, and how sure it is; ``hypertensive`` where the office value reaches the guideline's
    limit for hypertension, None where that cannot be said. Names differ between guidelines; each has that limit."""

    category: str | None
    hypertensive: bool | None = None
    settled: bool | None = None
    probability: float | None = None


class ByColumns(msgspec.Struct, frozen=True):
    """The column kernel's words on a set, without what only the core tells; ``confirms`` where the core would name a day to
    confirm by."""

    label: Label
    answered: StoredAnswer
    confirms: bool


class BeforeAndAfter(msgspec.Struct, frozen=True):
    """One set before and after."""

    stored: AnalysedSet
    setting: Setting
    before: Evaluation
    after: Evaluation | ByColumns | Refused | None


def check(asked: WhatIf, book: Rulebook) -> None:
    """Refuse what is not in the rulebook, and what changes nothing.

    Raises:
        NotAcceptable: with every fault.
    """
    faults = []
    for name, value, known in (
        ("protocol", asked.protocol, list(book.protocols)),
        ("guideline", asked.guideline, list(book.guidelines)),
    ):
        if value is not None and value not in known:
            faults.append(Fault(pointer=f"/{name}", code="unknown-code", detail=f"Accepted: {', '.join(sorted(known))}."))
    try:
        answered(Context(), asked.answers)
    except (msgspec.ValidationError, ValueError):
        detail = f"Answers to questions of the context: {', '.join(Context.__struct_fields__)}."
        faults.append(Fault(pointer="/answers", code="unknown-code", detail=detail))
    if asked == WhatIf(people=asked.people):
        faults.append(Fault(pointer="", code="nothing-to-change", detail="At least one thing that is otherwise."))
    if faults:
        raise NotAcceptable(faults)


def answered(context: Context, answers: dict[str, str]) -> Context:
    """The context with other answers."""
    if not answers:
        return context
    numbers = {name: float(value) if name == "rest_minutes" else value for name, value in answers.items()}
    return msgspec.convert({**msgspec.to_builtins(context), **numbers}, Context)


def other_rules(asked: WhatIf, book: Rulebook) -> Rulebook:
    """The rulebook with changed copies of its protocols; each copy has a digest of its own."""
    if asked.rounding is None and not asked.fewer_readings:
        return book
    changed = {name: other_protocol(protocol, asked) for name, protocol in book.protocols.items()}
    digests = {name: f"what-if:{hashlib.sha256(ENCODER.encode(protocol)).hexdigest()}" for name, protocol in changed.items()}
    return msgspec.structs.replace(book, protocols=changed, digests=book.digests | digests)


def other_protocol(protocol: SittingProtocol, asked: WhatIf) -> SittingProtocol:
    """A protocol's copy: rounding otherwise, and asking for fewer readings, but for one at least."""
    rounds = protocol.rounds if asked.rounding is None else asked.rounding == "whole"
    if not asked.fewer_readings or not protocol.is_one_sitting:
        return msgspec.structs.replace(protocol, rounds=rounds)
    planned = max(1, protocol.planned - asked.fewer_readings)
    return msgspec.structs.replace(
        protocol,
        rounds=rounds,
        planned=planned,
        minimum=min(protocol.minimum, planned),
        most=max(planned, protocol.most - asked.fewer_readings),
    )


def other_input(reading_set: ReadingSet, asked: WhatIf, book: Rulebook) -> ReadingSet:
    """A stored set as it would have come in."""
    suits = asked.protocol is not None and reading_set.setting in book.protocols[asked.protocol].settings
    return msgspec.structs.replace(
        reading_set,
        protocol=asked.protocol if suits else reading_set.protocol,
        guidelines=[asked.guideline] if asked.guideline is not None else reading_set.guidelines,
        context=answered(reading_set.context, asked.answers),
        readings=fewer(reading_set, asked.fewer_readings),
    )


def fewer(reading_set: ReadingSet, count: int) -> list[Reading]:
    """The readings with the last ones at each site taken back, but for one at least."""
    taken_back: set[int] = set()
    if count and reading_set.setting == "office":
        by_site: dict[str, list[int]] = {}
        for place, reading in in_order(reading_set.readings):
            if not reading.voided and reading.systolic_mmhg is not None:
                by_site.setdefault(reading.site, []).append(place)
        taken_back = {place for places in by_site.values() for place in places[1:][-count:]}
    return [
        msgspec.structs.replace(reading, voided=True) if place in taken_back else reading
        for place, reading in enumerate(reading_set.readings)
    ]


class ManyAtOnce(Protocol):
    """A judge of many sets at once, as far as it can."""

    def judge(self, inputs: Sequence[ReadingSet]) -> list[ByColumns | None]: ...


def evaluate_one(reading_set: ReadingSet, rulebook: Rulebook) -> Evaluation | Refused:
    """A set evaluated by the core with the history that was stored with it."""
    try:
        return evaluate(reading_set, reading_set.history, rulebook)
    except NotAcceptable as error:
        return Refused([fault.code for fault in error.faults])


def outcomes_of(
    people: Sequence[Sequence[AnalysedSet]], asked: WhatIf, book: Rulebook, rules: Rulebook, columns: ManyAtOnce | None
) -> list[list[BeforeAndAfter]]:
    """The sets of some people before and after; ``rules`` are the changed ones. None after where nothing of a set is otherwise.

    Where there are columns, the core is asked only for what the report needs and they do not tell.
    """
    stored = [one for person in people for one in person]
    sets = [SET.decode(one.document) for one in stored]
    inputs = [other_input(reading_set, asked, book) for reading_set in sets]
    touched = [place for place, reading_set in enumerate(inputs) if rules is not book or reading_set != sets[place]]
    quick = columns.judge([inputs[place] for place in touched]) if columns is not None else [None] * len(touched)
    found: dict[int, Evaluation | ByColumns | Refused] = {}
    outcomes = []
    befores = [EVALUATION.decode(one.evaluation) for one in stored]
    for place, judged in zip(touched, quick, strict=True):
        stays = judged is not None and judged.label.category == label_of(befores[place], sets[place].setting, book).category
        found[place] = judged if judged is not None and stays else evaluate_one(inputs[place], rules)
    place = 0
    for person in people:
        places = range(place, place + len(person))
        place += len(person)
        theirs = [BeforeAndAfter(stored[at], sets[at].setting, befores[at], found.get(at)) for at in places]
        for seen in newest_to_confirm(theirs):
            theirs[seen] = msgspec.structs.replace(theirs[seen], after=evaluate_one(inputs[places[seen]], rules))
        outcomes.append(theirs)
    return outcomes


def newest_to_confirm(outcomes: Sequence[BeforeAndAfter]) -> list[int]:
    """The sets, by place, of which the day to confirm by matters and only the core tells it: those that nothing followed."""
    seen = {outcome.stored.set_id: seen_of(outcome, after=True) for outcome in outcomes}
    newest_first = sorted(seen.values(), key=lambda one: (one.stored.taken_from, one.stored.set_id), reverse=True)
    last = {one.stored.set_id for one in not_followed(newest_first)}
    return [
        place
        for place, outcome in enumerate(outcomes)
        if isinstance(outcome.after, ByColumns) and outcome.after.confirms and outcome.stored.set_id in last
    ]


def label_of(evaluation: Evaluation, setting: Setting, book: Rulebook) -> Label:
    """The first guideline's label."""
    if not evaluation.categories:
        return Label(None)
    entry = evaluation.categories[0]
    high = None if entry.category is None else is_high(evaluation, setting, book.guidelines.get(entry.guideline))
    sure = next((each for each in evaluation.certainty if each.guideline == entry.guideline), None)
    if sure is None:
        return Label(entry.category, high)
    return Label(entry.category, high, sure.settled, sure.label_probability)


def is_high(evaluation: Evaluation, setting: Setting, guideline: Guideline | None) -> bool | None:
    """True where an office value reaches a guideline's limit for hypertension; None where it has no such limit."""
    result = evaluation.result
    if setting != "office" or result is None:
        return None
    return reaches_limit(guideline, result.systolic_mmhg, result.diastolic_mmhg)


def reaches_limit(guideline: Guideline | None, systolic: float, diastolic: float) -> bool | None:
    """True where pressures reach a guideline's limit for hypertension; None where it has none."""
    if guideline is None or guideline.hypertension is None:
        return None
    return reaches_hypertension(guideline, systolic, diastolic)


def is_to_be_seen(outcomes: Sequence[BeforeAndAfter], today: date, *, after: bool) -> bool:
    """True where one person is to be seen, by what was said or by what would have been said of all their sets."""
    return line_of([seen_of(outcome, after=after) for outcome in outcomes], today) is not None


def seen_of(outcome: BeforeAndAfter, *, after: bool) -> FollowedSet:
    """A set as follow-ups read it."""
    if after and isinstance(outcome.after, ByColumns):
        return FollowedSet(outcome.stored, ASKED.decode(outcome.stored.document), outcome.after.answered)
    raw = outcome.stored.evaluation
    if after and isinstance(outcome.after, Evaluation):
        raw = ENCODER.encode(outcome.after)
    return FollowedSet(outcome.stored, ASKED.decode(outcome.stored.document), ANSWERED.decode(raw))
