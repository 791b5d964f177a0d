"""One version of a stored sitting, and the state of one resource that shows a part of it."""

from __future__ import annotations

from datetime import datetime
from functools import lru_cache
from typing import Literal

import msgspec

from quietcuff.core.model.evaluation import Evaluation
from quietcuff.core.model.readings import Cuff, Device, Reading, ReadingSet
from quietcuff.core.sitting.equipment import size_name

ObservationStatus = Literal["preliminary", "final", "amended", "corrected", "entered-in-error"]
# The sizes that have a name; other words are free text, which does not leave the service.
CUFF_SIZES = frozenset(("pediatric", "small-adult", "adult", "large-adult", "extra-large-adult", "thigh"))
# Other words for a size that has a name.
SAME_SIZE = {"paediatric": "pediatric", "child": "pediatric"}
# The size by which a cuff is found of which the range alone is known.
OTHER = "other"


class ResourceState(msgspec.Struct, frozen=True):
    """The state of one Observation: its own version counter, its status, and the time of its last change."""

    version: int
    status: ObservationStatus
    updated_at: datetime


class SittingVersion(msgspec.Struct, frozen=True, kw_only=True):
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
        return self.evaluation.counted

    @property
    def lacks_result(self) -> bool:
        """True where its Observation of the result says that there is none."""
        return lacks_result(self.reading_set, self.evaluation)

    @property
    def spoken_of(self) -> list[int]:
        """The places of the readings that the Observation of the result speaks of: those that count, or all attempts."""
        return attempts(self.reading_set) if self.lacks_result else self.counted

    @property
    def has_failed(self) -> bool:
        """True where no attempt gave a pressure."""
        given = (self.reading_set.readings[index] for index in attempts(self.reading_set))
        return all(reading.systolic_mmhg is None and reading.diastolic_mmhg is None for reading in given)


def attempts(reading_set: ReadingSet) -> list[int]:
    """The places of the readings that were not taken back."""
    return [index for index, reading in enumerate(reading_set.readings) if not reading.voided]


def lacks_result(reading_set: ReadingSet, evaluation: Evaluation) -> bool:
    """True for a sitting that is over, in which something was attempted and nothing came of it."""
    return reading_set.closed and evaluation.result is None and bool(attempts(reading_set))


def period_shown(reading_set: ReadingSet, evaluation: Evaluation) -> tuple[datetime, datetime] | None:
    """The period of the Observation of the result: of the readings that count, or of all attempts where none do. None where
    there is no such Observation."""
    result = evaluation.result
    if result is not None:
        return result.taken_from, result.taken_to
    if not lacks_result(reading_set, evaluation):
        return None
    times = [reading_set.readings[index].taken_at for index in attempts(reading_set)]
    return min(times), max(times)


def named_size(cuff: Cuff) -> str | None:
    """The name of a size, if its words are one."""
    return None if cuff.size is None else size_of(cuff.size)


# The same few words come with every reading.
@lru_cache(maxsize=256)
def size_of(words: str) -> str | None:
    name = size_name(words)
    name = SAME_SIZE.get(name, name)
    return name if name in CUFF_SIZES else None


def cuff_text(cuff: Cuff | None) -> str | None:
    """The known facts of a size, such as: large adult, 35-44 cm."""
    if cuff is None:
        return None
    name = named_size(cuff)
    printed = None if cuff.range_cm is None else "{}-{} cm".format(*cuff.range_cm)
    return ", ".join(part for part in (name and name.replace("-", " "), printed) if part) or None


def searchable_size(cuff: Cuff | None) -> str | None:
    """The name under which a search finds the size: ``other`` where it has a range alone; None where no size is shown."""
    if cuff is None:
        return None
    return named_size(cuff) or (None if cuff.range_cm is None else OTHER)


def common_cuff(sitting: SittingVersion) -> Cuff | None:
    """The cuff of the readings of the result, where the same is known of each, however it is spelt."""
    readings = sitting.reading_set.readings
    cuffs = [sitting.cuff_of(readings[index]) for index in sitting.spoken_of]
    # Mostly all are the set's own, whose words need not be made then.
    if cuffs and all(cuff is cuffs[0] for cuff in cuffs):
        return cuffs[0]
    return cuffs[0] if len({cuff_text(cuff) for cuff in cuffs}) == 1 else None
