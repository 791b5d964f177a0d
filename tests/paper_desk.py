"""A gateway without a server: the same changes applied by the core, so that a morning can be played in one process."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import msgspec

from quietcuff.core.evaluate import evaluate
from quietcuff.core.model.changes import Append, Correction, apply_append, apply_correction
from quietcuff.core.model.history import History, HistoryPair, HistorySitting
from quietcuff.core.model.readings import ReadingSet
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.demo.gateway import ChangeAnswer, SittingSeen


class PaperDesk:
    """Answers as the service does, but keeps only the last answer and each person's earlier sitting."""

    def __init__(self, rulebook: Rulebook) -> None:
        self.rulebook = rulebook
        self.earlier: dict[str, History] = {}
        self.last: ChangeAnswer | None = None

    def open_set(self, reading_set: dict[str, Any], retry_key: str) -> ChangeAnswer:
        opened = msgspec.convert(reading_set, ReadingSet)
        person = opened.subject.identifier.value
        answer = self.answer(opened, 1)
        if opened.closed:
            self.earlier[person] = snapshot(answer.envelope)
        return answer

    def append(self, last: ChangeAnswer, arrived: dict[str, Any], retry_key: str) -> ChangeAnswer:
        changed = apply_append(last.envelope.reading_set, msgspec.convert(arrived, Append))
        return self.answer(changed.reading_set, last.envelope.version + 1)

    def correct(self, last: ChangeAnswer, correction: dict[str, Any], retry_key: str) -> ChangeAnswer:
        changed = apply_correction(last.envelope.reading_set, msgspec.convert(correction, Correction))
        return self.answer(changed.reading_set, last.envelope.version + 1)

    def send_again(self) -> ChangeAnswer:
        assert self.last is not None
        return msgspec.structs.replace(self.last, replayed=True)

    def answer(self, reading_set: ReadingSet, version: int) -> ChangeAnswer:
        history = self.earlier.get(reading_set.subject.identifier.value, History(as_of=datetime.now(UTC)))
        envelope = SittingSeen(
            id=reading_set.subject.identifier.value,
            version=version,
            closed=reading_set.closed,
            reading_set=reading_set,
            evaluation=evaluate(reading_set, history, self.rulebook),
        )
        self.last = ChangeAnswer(envelope=envelope, etag=f'"{version}"', replayed=False)
        return self.last


def snapshot(envelope: SittingSeen) -> History:
    """What a closed sitting leaves for later ones."""
    result, arms = envelope.evaluation.result, envelope.evaluation.arms
    assert result is not None and arms.systolic_difference_mmhg is not None and arms.diastolic_difference_mmhg is not None
    pair = HistoryPair(
        day=result.taken_from.date(),
        systolic_difference_mmhg=arms.systolic_difference_mmhg,
        diastolic_difference_mmhg=arms.diastolic_difference_mmhg,
    )
    sitting = HistorySitting(
        taken_from=result.taken_from,
        setting="office",
        site=result.site,
        systolic_mmhg=result.systolic_mmhg,
        diastolic_mmhg=result.diastolic_mmhg,
        readings_counted=result.readings_counted,
        value_rule="last-two",
    )
    return History(as_of=result.taken_to, pairs=[pair], sittings=[sitting])
