"""Evaluations of the golden cases and check vectors, for tests of the words: invented sittings of every kind."""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import msgspec

from core.golden import body_of, read_topics
from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.errors import NotAcceptable
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import ReadingSet
from quietcuff.rules.catalog import load_rulebook

HERE = Path(__file__).parents[1]
RULEBOOK = load_rulebook()


@cache
def answered() -> list[tuple[ReadingSet, Evaluation]]:
    """Each sitting that the rules evaluate, with its evaluation."""
    found = []
    for body in _bodies():
        try:
            reading_set = msgspec.convert(body, ReadingSet)
            found.append((reading_set, evaluate(reading_set, reading_set.history, RULEBOOK)))
        except (msgspec.ValidationError, NotAcceptable):
            # Some of them are there to be refused.
            continue
    return found


def _bodies() -> Iterator[object]:
    for name in ("clinical", "office-vectors", "series-vectors"):
        for line in (HERE / "data" / f"{name}.jsonl").read_text(encoding="utf-8").splitlines():
            vector = json.loads(line)
            yield vector.get("body") or vector.get("reading_set") or vector
    for _, topic, case in read_topics(HERE / "cases"):
        yield body_of(topic, case)


def texts_of(evaluation: Evaluation) -> list[str]:
    """Every text of an evaluation that a person reads."""
    step = evaluation.next_step
    found = [finding.message for finding in evaluation.findings] + evaluation.cautions
    found += [text for each in evaluation.categories for text in (each.label, each.basis) if text is not None]
    found += [each.statement for each in evaluation.certainty] + [step.reason]
    found += [] if step.then is None else [step.then.reason]
    found += [text for text in (evaluation.safety.text, evaluation.record_line) if text is not None]
    found += [] if evaluation.preparation is None else evaluation.preparation.prepare
    found += [] if evaluation.series is None else [part.label for part in evaluation.series.parts]
    return found
