"""Answers as bytes, said in a language when they are read: what is stored stays as it is stored."""

from __future__ import annotations

import msgspec

from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.over_visits.result import Summary
from quietcuff.words.answers import speak_evaluation, speak_summary
from quietcuff.words.said import InWords, in_words
from quietcuff.words.speaker import Speaker

ENCODER = msgspec.json.Encoder()
PARTS = msgspec.json.Decoder(dict[str, msgspec.Raw])
EVALUATION = DocumentDecoder(Evaluation)
READING_SET = DocumentDecoder(ReadingSet)
SUMMARY = DocumentDecoder(Summary)


class SpokenEvaluation(Evaluation, frozen=True, kw_only=True, gc=False):
    """The whole answer for one sitting; ``words`` where a language was asked for."""

    words: InWords | msgspec.UnsetType = msgspec.UNSET


def spoken_evaluation(speaker: Speaker, reading_set: ReadingSet, evaluation: Evaluation) -> bytes:
    """An evaluation in the language, with ``words`` at its end."""
    words = ENCODER.encode(in_words(speaker, reading_set, evaluation))
    return ENCODER.encode(speak_evaluation(speaker, evaluation))[:-1] + b',"words":' + words + b"}"


def spoken_envelope(speaker: Speaker, envelope: bytes) -> bytes:
    """A stored set as answered, its evaluation in the language, with ``words`` at its end."""
    parts = PARTS.decode(envelope)
    reading_set, evaluation = READING_SET.decode(parts["reading_set"]), EVALUATION.decode(parts["evaluation"])
    is_voided = bytes(parts["status"]) == b'"voided"'
    parts["evaluation"] = msgspec.Raw(ENCODER.encode(speak_evaluation(speaker, evaluation)))
    parts["words"] = msgspec.Raw(ENCODER.encode(in_words(speaker, reading_set, evaluation, is_voided=is_voided)))
    return ENCODER.encode(parts)


def spoken_summary(speaker: Speaker, summary: bytes) -> bytes:
    """A summary of a person in the language."""
    return ENCODER.encode(speak_summary(speaker, SUMMARY.decode(summary)))
