"""What an export starts from: one stored sitting, and where each of its Observations stands."""

from __future__ import annotations

from datetime import datetime
from functools import lru_cache
from typing import Literal

import msgspec

from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import Cuff, Device, Reading, ReadingSet, utc_text

ObservationStatus = Literal["preliminary", "final", "amended", "corrected", "entered-in-error"]


class Stand(msgspec.Struct, frozen=True):
    """Where one Observation stands: its own version counter, its status, and when it last moved."""

    version: int
    status: ObservationStatus
    updated_at: datetime


class StoredSitting(msgspec.Struct, frozen=True, kw_only=True):
    """One version of a stored set. ``device_ids`` holds, by place, the id of each reading's device, or None where the
    device has no identifier."""

    set_id: str
    subject_id: str
    reading_set: ReadingSet
    evaluation: Evaluation
    device_ids: list[str | None]
    is_voided: bool = False

    def device_of(self, reading: Reading) -> Device | None:
        """The reading's own device, else the set's."""
        return reading.device or self.reading_set.device

    def cuff_of(self, reading: Reading) -> Cuff | None:
        """The reading's own cuff, else the set's."""
        return reading.cuff or self.reading_set.cuff

    @property
    def counted(self) -> list[int]:
        """The places of the readings that count in the mean."""
        return [outcome.index for outcome in self.evaluation.readings if outcome.counts]


@lru_cache(maxsize=1024)
def instant(moment: datetime) -> str:
    """A FHIR instant: UTC, milliseconds, such as 2026-05-04T07:03:31.120Z. What is stored together shares it."""
    return utc_text(moment)
