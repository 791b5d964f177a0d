"""The history that a set is evaluated with, and the part of the set that later histories use."""

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
from quietcuff.storage.rows.earlier_sittings import earlier_sittings

ENCODER = msgspec.json.Encoder()
REMEMBERED_DECODER = msgspec.json.Decoder(Remembered)


def history_before(turn: UnitOfWork, subject_id: UUID, facts: Facts, as_of: datetime, *, other_than: UUID) -> History:
    """History of a person from the sittings before a moment, without the set that is being evaluated."""
    newest_first = earlier_sittings(
        turn.transaction, turn.tenant.tenant_id, subject_id, taken_before=as_of, other_than=other_than
    )
    remembered = [REMEMBERED_DECODER.decode(raw) for raw in reversed(newest_first)]
    return make_history(remembered, as_of, facts.treatment_changed_on)


def left_for_later(reading_set: ReadingSet, evaluation: Evaluation, rulebook: Rulebook) -> bytes | None:
    """The part of a closed set that later sittings remember, as JSON. None if it has neither a result nor a comparison of the
    arms."""
    left = remember(reading_set, evaluation, rulebook)
    return ENCODER.encode(left) if left.sitting is not None or left.pairs else None


def first_moment(reading_set: ReadingSet, now: datetime) -> datetime:
    """Time of the first reading that is not voided, or of the first reading at all if every one is voided. A set without
    readings has the time at which it came in, or ``now`` if that is not recorded yet."""
    return min((reading.taken_at for reading in readings_not_voided(reading_set)), default=opened_at(reading_set) or now)


def last_moment(reading_set: ReadingSet, now: datetime) -> datetime:
    """Time of the last reading, chosen as in ``first_moment``."""
    return max((reading.taken_at for reading in readings_not_voided(reading_set)), default=opened_at(reading_set) or now)


def readings_not_voided(reading_set: ReadingSet) -> list[Reading]:
    return [reading for reading in reading_set.readings if not reading.voided] or reading_set.readings
