"""What an answer says in words beside its codes: for the person measured, and for whoever measures."""

from __future__ import annotations

import msgspec

from quietcuff.core.model.evaluation import Evaluation, ReadingOutcome
from quietcuff.core.model.readings import ReadingSet
from quietcuff.words.person import for_the_person
from quietcuff.words.speaker import Speaker
from quietcuff.words.sure import HowSure, how_sure


class Question(msgspec.Struct, frozen=True, kw_only=True):
    """A fact that is asked for, and how it is asked."""

    field: str
    question: str


class InWords(msgspec.Struct, frozen=True, kw_only=True):
    """An answer's codes in the language asked for.

    ``machine_drafted`` is true until a clinician has read this language. ``for_the_person`` is for the person measured: what we
    saw, what it means today, what comes next. ``readings`` says of each reading, in the order sent, whether it counts.
    """

    language: str
    machine_drafted: bool
    for_the_person: str
    state: str
    safety: str
    next_step: str
    how_sure: list[HowSure]
    readings: list[str]
    provisional: str | None
    questions: list[Question]


def in_words(speaker: Speaker, reading_set: ReadingSet, evaluation: Evaluation, *, is_voided: bool = False) -> InWords:
    """The words of an answer, from its evaluation as the core wrote it."""
    language = speaker.language
    step = evaluation.next_step
    asked = dict.fromkeys([*evaluation.safety.ask, *step.ask])
    return InWords(
        language=speaker.about.language,
        machine_drafted=speaker.about.machine_drafted,
        for_the_person=for_the_person(speaker, reading_set, evaluation, is_voided=is_voided),
        state=_state(speaker, evaluation),
        safety=speaker.type_out(language.level[evaluation.safety.level]),
        next_step=speaker.type_out(language.action[step.action]),
        how_sure=how_sure(speaker, evaluation),
        readings=[reading_in_words(speaker, outcome) for outcome in evaluation.readings],
        provisional=provisional_in_words(speaker, evaluation),
        questions=[Question(field=name, question=question_of(speaker, name)) for name in asked],
    )


def question_of(speaker: Speaker, field: str) -> str:
    """How a fact is asked for."""
    words = speaker.language
    return speaker.type_out(words.question.get(field) or words.sheet.get(field) or speaker.value(field))


def reading_in_words(speaker: Speaker, outcome: ReadingOutcome) -> str:
    """A reading's outcome: that it counts, or why not."""
    words = speaker.language.reading
    if outcome.reason is None:
        return words["counts"]
    return speaker.type_out(words["does-not-count"].format(reason=speaker.reason(outcome.reason)))


def provisional_in_words(speaker: Speaker, evaluation: Evaluation) -> str | None:
    """Why labels are provisional; None where none is."""
    because = dict.fromkeys(code for each in evaluation.categories for code in each.provisional_because)
    if not because:
        return None
    return speaker.type_out(speaker.language.reading["provisional"].format(list=", ".join(map(speaker.reason, because))))


def _state(speaker: Speaker, evaluation: Evaluation) -> str:
    said = speaker.language.state[evaluation.state]
    if evaluation.blocked_by:
        blocked = ", ".join(map(speaker.reason, evaluation.blocked_by))
        said = f"{said} {speaker.language.reading['no-result'].format(list=blocked)}"
    return speaker.type_out(said)
