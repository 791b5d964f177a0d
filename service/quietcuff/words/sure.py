"""How sure a label is, in words that a person who measures can use."""

from __future__ import annotations

from math import floor

import msgspec

from quietcuff.core.model.evaluation import Certainty, Evaluation
from quietcuff.words.numbers import set_type
from quietcuff.words.speaker import Speaker

# Project decision: from this chance on, by the lower of the two, these words are used.
DEGREES = ((0.9, "very-likely"), (0.75, "likely"), (0.5, "open"), (0.0, "doubtful"))


class HowSure(msgspec.Struct, frozen=True, kw_only=True):
    """Certainty of one guideline's label: ``degree`` is a code, ``short`` its words, and ``sentence`` says what it means."""

    guideline: str
    guideline_name: str
    label: str | None
    degree: str
    short: str
    sentence: str


def degree_of(certainty: Certainty) -> str:
    """The code of how sure a label is: settled, else by the lower of its chances, with the prior and without."""
    if certainty.settled:
        return "settled"
    chance = min(certainty.label_probability, certainty.label_probability_flat)
    return next(code for least, code in DEGREES if chance >= least)


def how_sure(speaker: Speaker, evaluation: Evaluation) -> list[HowSure]:
    """How sure each label is, in the order of the certainties."""
    labels = {each.guideline: each.label for each in evaluation.categories}
    return [_said(speaker, each, labels.get(each.guideline)) for each in evaluation.certainty]


def short_of(speaker: Speaker, certainty: Certainty) -> str:
    """How sure, in two or three words and with the chance."""
    chance = min(certainty.label_probability, certainty.label_probability_flat)
    words = speaker.language.sure[degree_of(certainty)]
    return set_type(speaker.about, words.format(chance=chance_in_words(speaker, chance)))


def chance_in_words(speaker: Speaker, chance: float) -> str:
    """A chance in per cent, never 0 or 100: 0.9951 is more than 99 %."""
    words = speaker.language.certainty
    if chance > 0.99:
        return words["nearly-always"]
    return words["hardly-ever"] if chance < 0.01 else words["per-cent"].format(per_cent=floor(100 * chance + 0.5))


def _said(speaker: Speaker, certainty: Certainty, label: str | None) -> HowSure:
    return HowSure(
        guideline=certainty.guideline,
        guideline_name=speaker.names.guideline[certainty.guideline],
        label=None if label is None else speaker.phrase(label),
        degree=degree_of(certainty),
        short=short_of(speaker, certainty),
        sentence=speaker.type_out(speaker.language.sure[f"{degree_of(certainty)}-sentence"]),
    )
