"""One version of a stored sitting, the state of a resource that shows a part of it, and what each of its Observations shows.

The content of each Observation is plain values, of which two are equal exactly where the resources would be. From these alone
it follows which resources a new version moves. The resources themselves are built where they are read.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from functools import lru_cache
from typing import Any, Literal

import msgspec

from quietcuff.core.model.evaluation import Category, Evaluation
from quietcuff.core.model.readings import IS_VOIDED, METHOD_SAID, OWN_CUFF, OWN_DEVICE, Cuff, Device, Reading, ReadingSet
from quietcuff.core.sitting.equipment import size_name

ObservationStatus = Literal["preliminary", "final", "amended", "corrected", "entered-in-error"]
# The sizes that have a name; other words are free text, which does not leave the service.
CUFF_SIZES = frozenset(("pediatric", "small-adult", "adult", "large-adult", "extra-large-adult", "thigh"))
# Other words for a size that has a name.
SAME_SIZE = {"paediatric": "pediatric", "child": "pediatric"}
# The size by which a cuff is found of which the range alone is known.
OTHER = "other"


class ResourceState(msgspec.Struct, frozen=True, gc=False):
    """The state of one Observation: its own version counter, its status, and the time of its last change."""

    version: int
    status: ObservationStatus
    updated_at: datetime


class SittingVersion(msgspec.Struct, frozen=True, kw_only=True, gc=False):
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
        told = attempts_told(self.reading_set) if self.evaluation.result is None else []
        return told or self.counted

    @property
    def has_failed(self) -> bool:
        """True where no attempt gave a pressure."""
        return have_failed([self.reading_set.readings[index] for index in attempts(self.reading_set)])


def attempts(reading_set: ReadingSet) -> list[int]:
    """The places of the readings that were not taken back."""
    readings = reading_set.readings
    if not any(map(IS_VOIDED, readings)):
        return list(range(len(readings)))
    return [index for index, reading in enumerate(readings) if not reading.voided]


def have_failed(given: Sequence[Reading]) -> bool:
    """True where none of some attempts gave a pressure."""
    return all([reading.systolic_mmhg is None and reading.diastolic_mmhg is None for reading in given])


def lacks_result(reading_set: ReadingSet, evaluation: Evaluation) -> bool:
    """True for a sitting that is over, in which something was attempted and nothing came of it."""
    return evaluation.result is None and bool(attempts_told(reading_set))


def attempts_told(reading_set: ReadingSet) -> list[int]:
    """The places of the attempts of a sitting that is over; none while it goes on."""
    return attempts(reading_set) if reading_set.closed else []


def period_shown(reading_set: ReadingSet, evaluation: Evaluation) -> tuple[datetime, datetime] | None:
    """The period of the Observation of the result: of the readings that count, or of all attempts where none do. None where
    there is no such Observation."""
    result = evaluation.result
    if result is not None:
        return result.taken_from, result.taken_to
    times = [reading_set.readings[index].taken_at for index in attempts_told(reading_set)]
    return (min(times), max(times)) if times else None


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


def readings_at(sitting: SittingVersion, places: list[int]) -> list[Reading]:
    """The readings at these places."""
    return list(map(sitting.reading_set.readings.__getitem__, places))


def common_cuff(sitting: SittingVersion, spoken_of: list[int]) -> Cuff | None:
    """The cuff of the readings of the result, where the same is known of each, however it is spelt."""
    readings = readings_at(sitting, spoken_of)
    # Mostly it is the very cuff of the set each time.
    if readings and not any(map(OWN_CUFF, readings)):
        return sitting.reading_set.cuff
    cuffs = [sitting.cuff_of(reading) for reading in readings]
    others = [cuff for cuff in cuffs if cuff is not cuffs[0]]
    return cuffs[0] if cuffs and all(cuff_text(cuff) == cuff_text(cuffs[0]) for cuff in others) else None


Content = tuple[Any, ...]
NO_DEVICE = msgspec.structs.astuple(Device())
# Why a reading does not count, where nothing is remarked about it: it is not decided yet, or it was taken back.
SILENT_REASONS = ("pending", "voided")
# Findings of one reading that its Observation interprets.
INTERPRETED = ("severe-reading", "low-reading")
# Settings that are remarked; in the office is the ordinary case.
SETTINGS_REMARKED = ("home", "ambulatory")
SEVERITIES_SHOWN = ("warning", "blocks")


def device_shown(sitting: SittingVersion, index: int) -> Content | None:
    """The device of a reading: its id, or else as it was described; None where nothing is known of it."""
    device_id = sitting.device_ids[index]
    if device_id is not None:
        return (device_id,)
    given = sitting.device_of(sitting.reading_set.readings[index])
    if given is None or not is_described(given):
        return None
    validated = None if given.validated == "not-recorded" else given.validated
    said = (given.kind, given.site, validated, given.manufacturer, given.model, given.serial_number)
    return (*said, tuple(given.validated_for))


def is_described(device: Device) -> bool:
    """True where anything is known of a device."""
    # By its values: a stored device is decoded as another type.
    return msgspec.structs.astuple(device) != NO_DEVICE


def common_device(sitting: SittingVersion, spoken_of: list[int]) -> Content | None:
    """The device of the readings of the result, where it is one."""
    ids = set(map(sitting.device_ids.__getitem__, spoken_of))
    # Mostly it is the very device of the set each time.
    if len(ids) == 1 and (None not in ids or not any(map(OWN_DEVICE, readings_at(sitting, spoken_of)))):
        return device_shown(sitting, spoken_of[0])
    devices = [device_shown(sitting, index) for index in spoken_of]
    return devices[0] if devices and all(device == devices[0] for device in devices) else None


def common_method(sitting: SittingVersion, spoken_of: list[int]) -> str | None:
    """The method of the readings of the result, where it is known and one."""
    methods = set(map(METHOD_SAID, readings_at(sitting, spoken_of)))
    return methods.pop() if len(methods) == 1 else None


def place_shown(sitting: SittingVersion) -> tuple[str, str]:
    """The position and the site of the result; without one those of all attempts, where they are one."""
    result = sitting.evaluation.result
    if result is not None:
        return result.position, result.site
    return common_place([sitting.reading_set.readings[index] for index in sitting.spoken_of])


def common_place(given: Sequence[Reading]) -> tuple[str, str]:
    """The position and the site of some attempts, each where it is one."""
    positions, sites = {reading.position for reading in given}, {reading.site for reading in given}
    return (
        positions.pop() if len(positions) == 1 else "not-recorded",
        sites.pop() if len(sites) == 1 else "not-recorded",
    )


def reading_measured(reading: Reading) -> Content:
    return (reading.taken_at, reading.systolic_mmhg, reading.diastolic_mmhg, reading.mean_arterial_mmhg)


def reading_shown(sitting: SittingVersion, index: int) -> Content:
    """What is said of a reading, apart from what was measured."""
    reading_set, outcome = sitting.reading_set, sitting.evaluation.readings[index]
    reading = reading_set.readings[index]
    return (
        *where_and_who(sitting, reading, index),
        reading.identifier or None,
        reading_set.setting,
        reading_set.attendance,
        reading.position,
        reading_set.location,
        [one.code for one in sitting.evaluation.findings if one.reading == index and one.code in INTERPRETED],
        None if outcome.reason in SILENT_REASONS else outcome.reason,
        reading.rhythm == "irregular",
        reading.site,
        reading.method,
        cuff_text(sitting.cuff_of(reading)),
    )


def pulse_measured(reading: Reading) -> Content:
    return (reading.taken_at, reading.pulse_per_min)


def pulse_shown(sitting: SittingVersion, index: int) -> Content:
    """What is said of a pulse, apart from what was measured."""
    reading = sitting.reading_set.readings[index]
    return (*where_and_who(sitting, reading, index), reading.position, sitting.reading_set.location)


def flags_measured(reading: Reading) -> Content:
    return (reading.taken_at, frozenset(reading.device_flags))


def flags_shown(sitting: SittingVersion, index: int) -> Content:
    """What is said of a device's flags, apart from the flags themselves."""
    reading_set = sitting.reading_set
    return (reading_set.based_on, reading_set.encounter, device_shown(sitting, index))


def where_and_who(sitting: SittingVersion, reading: Reading, index: int) -> Content:
    """The order, the visit, the observer and the device of a reading."""
    reading_set = sitting.reading_set
    observer = reading.observer or reading_set.observer
    return (reading_set.based_on, reading_set.encounter, observer, device_shown(sitting, index))


def mean_measured(sitting: SittingVersion) -> Content | None:
    """The period and the values of the mean and of what stands beside it, or the period in which there came to be none. None
    where there is no such Observation."""
    evaluation, period = sitting.evaluation, period_shown(sitting.reading_set, sitting.evaluation)
    if period is None:
        return None
    result = evaluation.result
    if result is None:
        return (*period, sitting.has_failed)
    values = (result.systolic_mmhg, result.diastolic_mmhg, result.readings_counted)
    return (*period, *values, *beside_mean(evaluation))


def beside_mean(evaluation: Evaluation) -> Content:
    """The values beside the mean: parts of a series, falls on standing and what they are called, and percentiles."""
    series, standing, percentile = evaluation.series, evaluation.orthostatic, evaluation.percentile
    parts = () if series is None else (series.hours_24, series.day, series.night, series.morning, series.evening)
    return (
        tuple(None if part is None else (part.systolic_mmhg, part.diastolic_mmhg) for part in parts),
        None if standing is None else [(drop.minutes, drop.systolic_mmhg, drop.diastolic_mmhg) for drop in standing.drops],
        None if standing is None else labels_shown(evaluation),
        None
        if percentile is None
        else (
            percentile.reference,
            percentile.systolic,
            percentile.diastolic,
            percentile.height_reference,
            percentile.height_z,
        ),
    )


def mean_shown(sitting: SittingVersion) -> Content | None:
    """What is said of the mean, apart from its values; None where there is no such Observation. Our own extensions are not
    part of it: they alone never move it, so that versions stored before there were any are told again as they were counted."""
    reading_set, evaluation = sitting.reading_set, sitting.evaluation
    if evaluation.result is None and not sitting.lacks_result:
        return None
    counted, spoken_of = sitting.counted, sitting.spoken_of
    low = {finding.reading for finding in evaluation.findings if finding.code == "low-reading"}
    return (
        *(reading_set.based_on, reading_set.encounter, reading_set.observer, reading_set.location),
        *(*place_shown(sitting), common_method(sitting, spoken_of), common_device(sitting, spoken_of)),
        cuff_text(common_cuff(sitting, spoken_of)),
        counted,
        evaluation.blocked_by,
        evaluation.series is not None and evaluation.series.hours_24 is not None,
        bool(counted) and low.issuperset(counted),
        labels_shown(evaluation) if evaluation.orthostatic is None else None,
        remarks_shown(sitting),
    )


def labels_shown(evaluation: Evaluation) -> list[Content]:
    """The guidelines' words for a result."""
    return [label_shown(category) for category in evaluation.categories if category.category is not None]


def label_shown(category: Category) -> Content:
    reasons = tuple(category.provisional_because) if category.provisional else None
    return (category.guideline, category.version, category.category, category.label, reasons)


def remarks_shown(sitting: SittingVersion) -> list[Content]:
    """What is remarked about a mean: the line for the record, what must not wait, the setting, and every warning."""
    reading_set, evaluation = sitting.reading_set, sitting.evaluation
    setting = reading_set.setting if reading_set.setting in SETTINGS_REMARKED else None
    return [
        (evaluation.record_line,),
        (evaluation.safety.text,),
        (setting, reading_set.attendance == "unattended"),
        *dict.fromkeys((one.reading, one.message) for one in evaluation.findings if one.severity in SEVERITIES_SHOWN),
    ]
