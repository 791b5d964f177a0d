"""The sentence for the person measured: what we saw, what it means today, what comes next. No target, no drug, no jargon."""

from __future__ import annotations

from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import ReadingSet
from quietcuff.words.numbers import number_in
from quietcuff.words.speaker import Speaker

NEXT_BY_ACTION = {
    "take-reading": "reading",
    "measure-other-arm": "other-arm",
    "settle-first": "settle",
    "repeat-when-settled": "settle",
    "change-cuff": "change",
    "change-device": "change",
    "auscultate": "change",
    "ask-symptoms": "ask",
    "confirm-now": "confirm",
    "sit-or-lie-down": "lie-down",
    "review": "review",
    "same-day-review": "same-day",
    "urgent-assessment": "urgent",
    "repeat-another-day": "another-day",
    "measure-out-of-office": "outside",
    "complete-record": "record",
    "close": "close",
}
# A pressing level is answered by its own step, unless the person has to do something before it.
NEXT_BY_LEVEL = {"urgent": "urgent", "same-day": "same-day", "confirm": "confirm", "ask": "ask"}
DO_FIRST = ("sit-or-lie-down", "ask-symptoms", "confirm-now")
GRAVITY = ("usual", "raised", "high", "standing")


def for_the_person(speaker: Speaker, reading_set: ReadingSet, evaluation: Evaluation, *, is_voided: bool = False) -> str:
    """Two or three short sentences, at most 40 words together."""
    words = speaker.language.person
    if is_voided:
        return speaker.type_out(words["means-voided"])
    level, meaning = evaluation.safety.level, _meaning(speaker, evaluation)
    means = f"means-{level}" if level != "none" else _means(reading_set, evaluation, meaning)
    told = [
        _saw(speaker, reading_set, evaluation),
        means and words[means],
        words[f"next-{_next(reading_set, evaluation, meaning)}"],
    ]
    return speaker.type_out(" ".join(text for text in told if text))


def _saw(speaker: Speaker, reading_set: ReadingSet, evaluation: Evaluation) -> str:
    words, result = speaker.language.person, evaluation.result
    if result is not None:
        pressure = number_in(speaker.about, f"{result.systolic_mmhg}/{result.diastolic_mmhg}")
        kind = "saw-home" if evaluation.series is not None else "saw-result"
        return words[kind].format(pressure=pressure)
    taken = taken_in(reading_set)
    # Where help must come first, that the numbers give no result would only sound as if nothing were the matter.
    if evaluation.state == "not-usable" and taken and evaluation.safety.level not in ("urgent", "same-day"):
        return words["saw-no-result"]
    if not taken:
        return words["saw-nothing"]
    return words["saw-one"] if taken == 1 else words["saw-some"].format(count=taken)


def taken_in(reading_set: ReadingSet) -> int:
    """The readings that gave numbers and were not taken back."""
    return sum(not reading.voided and reading.systolic_mmhg is not None for reading in reading_set.readings)


def _meaning(speaker: Speaker, evaluation: Evaluation) -> str | None:
    """The gravest meaning of the labels; None where there is no label."""
    known = [speaker.names.meaning.get(each.category) for each in evaluation.categories if each.category is not None]
    told = [meaning for meaning in known if meaning is not None]
    return max(told, key=GRAVITY.index) if told else None


def _means(reading_set: ReadingSet, evaluation: Evaluation, meaning: str | None) -> str | None:
    if evaluation.result is None:
        # Where nothing was measured, or nothing usable, that has been said already.
        return "means-in-progress" if evaluation.state == "in-progress" and taken_in(reading_set) else None
    if meaning is None:
        return "means-no-label"
    if meaning in ("usual", "raised") and any(finding.code == "low-reading" for finding in evaluation.findings):
        return "means-low"
    return "means-high-outside" if meaning == "high" and reading_set.setting != "office" else f"means-{meaning}"


def _next(reading_set: ReadingSet, evaluation: Evaluation, meaning: str | None) -> str:
    level, action = evaluation.safety.level, evaluation.next_step.action
    if action not in DO_FIRST and level in NEXT_BY_LEVEL:
        return "call" if level == "same-day" and reading_set.setting == "home" else NEXT_BY_LEVEL[level]
    if action == "none":
        return "nothing" if meaning == "usual" and evaluation.result is not None else _after_none(evaluation)
    if action == "take-reading" and evaluation.series is not None:
        return "goes-on"
    if action == "take-reading" and evaluation.orthostatic is not None:
        return "stand"
    if action == "repeat-another-day" and evaluation.result is None:
        return "again"
    return NEXT_BY_ACTION[action]


def _after_none(evaluation: Evaluation) -> str:
    return "again" if evaluation.state == "not-usable" else "review"
