"""The history that a set is evaluated with, and what the set in turn leaves for later ones."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

import msgspec

from quietcuff.application.context import UnitOfWork
from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.history import History
from quietcuff.core.model.readings import Facts, Reading, ReadingSet, opened_at
from quietcuff.core.over_visits.history import Remembered, make_history, remember
from quietcuff.core.rulebook.rulebook import Rulebook
from quietcuff.storage.rows.reading_sets import earlier_sittings

ENCODER = msgspec.json.Encoder()
REMEMBERED_DECODER = msgspec.json.Decoder(Remembered)


def history_before(turn: UnitOfWork, subject_id: UUID, facts: Facts, as_of: datetime, *, other_than: UUID) -> History:
    """The snapshot of what was taken of a person before a moment, apart from one set: the one that needs it."""
    newest_first = earlier_sittings(
        turn.transaction, turn.tenant.tenant_id, subject_id, taken_before=as_of, other_than=other_than
    )
    remembered = [REMEMBERED_DECODER.decode(raw) for raw in reversed(newest_first)]
    return make_history(remembered, as_of, facts.treatment_changed_on)


def left_for_later(reading_set: ReadingSet, evaluation: Evaluation, rulebook: Rulebook) -> bytes | None:
    """What a closed set leaves, as JSON; nothing where it has neither a result nor a comparison of the arms."""
    left = remember(reading_set, evaluation, rulebook)
    return ENCODER.encode(left) if left.sitting is not None or left.pairs else None


def first_moment(reading_set: ReadingSet, now: datetime) -> datetime:
    """When its first reading was taken that is not voided; of a set with none left, the first of all. Before there is any, when
    the set came in, which is now where that is not noted yet."""
    return min((reading.taken_at for reading in kept(reading_set)), default=opened_at(reading_set) or now)


def last_moment(reading_set: ReadingSet, now: datetime) -> datetime:
    """The same of the last reading."""
    return max((reading.taken_at for reading in kept(reading_set)), default=opened_at(reading_set) or now)


def kept(reading_set: ReadingSet) -> list[Reading]:
    return [reading for reading in reading_set.readings if not reading.voided] or reading_set.readings
