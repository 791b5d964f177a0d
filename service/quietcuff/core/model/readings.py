"""The input: one sitting's readings with their context, the person, the device and the cuff.

These structs are the request body of ``POST /v1/reading-sets`` and the input of ``evaluate``. Pressures are mmHg with at
most two decimals, pulses are per minute, times carry their offset. Every yes-or-no answer is three-valued: what was not
recorded is never taken for a yes or a no.
"""

from __future__ import annotations

from datetime import date, datetime
from operator import attrgetter
from typing import Annotated, Literal

import msgspec
from msgspec import UNSET, Meta, UnsetType

from quietcuff.core.model.errors import Fault
from quietcuff.core.model.fields import (
    MAX_GUIDELINES,
    MAX_INTAKE_NOTES,
    MAX_READINGS,
    MAX_RESTRICTIONS,
    MAX_SLEEP_PERIODS,
    AccuracyCheckInterval,
    Arm,
    Attendance,
    BirthDate,
    Care,
    ClockDrift,
    DeviceFlag,
    Instant,
    IntakeCode,
    Length,
    Method,
    PopulationGroup,
    Position,
    Pressure,
    Rate,
    RestrictionReason,
    Rhythm,
    Setting,
    Site,
    System,
    Text,
    Visit,
    YesNo,
    check_day,
    check_instant,
    keep_numbers_plain,
    keep_whole_numbers_whole,
    whole_number,
)
from quietcuff.core.model.history import History, ReferencePrior

PLAIN_NUMBERS = ("systolic_mmhg", "diastolic_mmhg", "mean_arterial_mmhg", "pulse_per_min")


class Identifier(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """An identifier of the caller's own: ``system`` says whose, ``value`` which."""

    system: System
    value: Text

    @property
    def text(self) -> str:
        """Both in one text, as FHIR searches write them: system|value."""
        return f"{self.system}|{self.value}"


class ArmRestriction(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """An arm that must not be used, or that the person refuses, up to and including the day ``until``."""

    arm: Arm
    reason: RestrictionReason
    until: date | None = None

    def __post_init__(self) -> None:
        check_day(self.until)


class Facts(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """Facts about a person, without an identity."""

    birth_date: BirthDate | None = None
    sex: Literal["female", "male", "other", "unknown"] | None = None
    pregnancy: Literal["no", "pregnant", "postpartum", "not-recorded"] = "not-recorded"
    gestation_weeks: Annotated[float, Meta(ge=0, le=45)] | None = None
    delivered_on: date | None = None
    known_hypertension: YesNo = "not-recorded"
    antihypertensive_treatment: YesNo = "not-recorded"
    treatment_changed_on: date | None = None
    known_irregular_rhythm: YesNo = "not-recorded"
    arm_circumference_cm: Length | None = None
    height_cm: Length | None = None
    arm_restrictions: Annotated[list[ArmRestriction], Meta(max_length=MAX_RESTRICTIONS)] = []

    def __post_init__(self) -> None:
        if self.birth_date is not None and len(self.birth_date) == 10:
            date.fromisoformat(self.birth_date)
        keep_whole_numbers_whole(self, "gestation_weeks", "arm_circumference_cm", "height_cm")
        if self.delivered_on is not None:
            check_day(self.delivered_on)
        if self.treatment_changed_on is not None:
            check_day(self.treatment_changed_on)


class Subject(Facts, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """The person measured: an identifier of the caller's and what is known at this sitting."""

    identifier: Identifier


class Context(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False, cache_hash=True):
    """Preparation and technique of the measurement."""

    rest_minutes: Annotated[float, Meta(ge=0, le=1440)] | None = None
    talking: YesNo = "not-recorded"
    caffeine_within_30_min: YesNo = "not-recorded"
    tobacco_within_30_min: YesNo = "not-recorded"
    exercise_within_30_min: YesNo = "not-recorded"
    full_bladder: YesNo = "not-recorded"
    pain: YesNo = "not-recorded"
    anxiety_or_stress: YesNo = "not-recorded"
    back_supported: YesNo = "not-recorded"
    feet_flat: YesNo = "not-recorded"
    legs_crossed: YesNo = "not-recorded"
    arm_supported: YesNo = "not-recorded"
    cuff_fits_two_fingers: YesNo = "not-recorded"
    quiet_room: YesNo = "not-recorded"
    acute_symptoms: YesNo = "not-recorded"
    auscultation_possible: YesNo = "not-recorded"
    arm_height: Literal["at", "below", "above", "not-recorded"] = "not-recorded"
    sleeve: Literal["bare", "thin", "thick", "not-recorded"] = "not-recorded"
    pulse_palpated: Rhythm = "not-recorded"
    care: Care = "ordinary"

    def __post_init__(self) -> None:
        keep_whole_numbers_whole(self, "rest_minutes")


class Device(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """The device: named by an identifier of the registry, or described in place, or both.

    ``validated_for`` are the groups of people in whom it was shown to be accurate. ``clock_drift_seconds`` is how far its clock
    is known to be ahead of the true time; behind it, it is negative.
    """

    identifier: Identifier | None = None
    kind: Literal["automatic", "semi-automatic", "auscultatory", "cuffless"] | None = None
    site: Literal["upper-arm", "wrist", "finger"] | None = None
    validated: YesNo = "not-recorded"
    manufacturer: Text | None = None
    model: Text | None = None
    serial_number: Text | None = None
    validated_for: Annotated[list[PopulationGroup], Meta(max_length=5)] = []
    last_accuracy_check: date | None = None
    accuracy_check_interval_months: AccuracyCheckInterval | None = None
    clock_drift_seconds: ClockDrift | None = None

    def __post_init__(self) -> None:
        check_day(self.last_accuracy_check)


class Cuff(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """The cuff: its size in words, the arm range printed on it (cm) and whether its index mark fell in that range."""

    size: Text | None = None
    range_cm: tuple[Length, Length] | None = None
    mark_within_range: YesNo = "not-recorded"

    def __post_init__(self) -> None:
        if self.range_cm is None:
            return
        low, high = self.range_cm
        if low >= high:
            raise ValueError("low before high")
        msgspec.structs.force_setattr(self, "range_cm", (whole_number(low), whole_number(high)))


class DeviceAverage(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """The mean that an unattended device shows, and from how many readings."""

    systolic_mmhg: Pressure
    diastolic_mmhg: Pressure
    readings: Annotated[int, Meta(ge=1, le=100)]
    first_dropped: bool | None = None

    def __post_init__(self) -> None:
        keep_numbers_plain(self, "systolic_mmhg", "diastolic_mmhg")


class Reading(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """One attempt to measure. Without pressures it is a failed attempt. ``taken_at`` is the end of the measurement.

    ``identifier`` is the sender's own name of the reading: of one person, it is stored once. Where nobody gives one, nothing is
    written of it.
    """

    identifier: Identifier | UnsetType | None = UNSET
    taken_at: Instant
    systolic_mmhg: Pressure | None = None
    diastolic_mmhg: Pressure | None = None
    mean_arterial_mmhg: Pressure | None = None
    pulse_per_min: Rate | None = None
    site: Site = "not-recorded"
    position: Position = "not-recorded"
    stood_at: Instant | None = None
    method: Method | None = None
    rhythm: Rhythm = "not-recorded"
    device_flags: Annotated[list[DeviceFlag], Meta(max_length=7)] = []
    cuff: Cuff | None = None
    device: Device | None = None
    observer: Identifier | None = None
    voided: bool = False

    def __post_init__(self) -> None:
        check_instant(self.taken_at)
        if self.identifier is None:
            msgspec.structs.force_setattr(self, "identifier", UNSET)
        if self.stood_at is not None:
            check_instant(self.stood_at)
        keep_numbers_plain(self, *PLAIN_NUMBERS)


class SleepPeriod(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """Times of falling asleep and waking, by the person's own account."""

    asleep_at: Instant
    awake_at: Instant

    def __post_init__(self) -> None:
        check_instant(self.asleep_at)
        check_instant(self.awake_at)


class IntakeNote(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """An assumption that the service made about one reading as it came in; ``reading`` is its place."""

    reading: Annotated[int, Meta(ge=0, lt=MAX_READINGS)]
    code: IntakeCode


class Intake(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """Facts that the service added when the set came in, because the caller did not give them.

    Kept with the set, so that it can be evaluated again to the same bytes; accepted in dry runs, filled in by the service for
    stored sets.
    """

    received_at: Instant | None = None
    closed_by_timeout: bool = False
    device_registered: YesNo = "not-recorded"
    facts_differ: list[Text] = []
    changes: list[Text] = []
    notes: Annotated[list[IntakeNote], Meta(max_length=MAX_INTAKE_NOTES)] = []
    default_guidelines: Annotated[list[Text], Meta(min_length=1, max_length=MAX_GUIDELINES)] | None = None
    prior: ReferencePrior | None = None
    without_prior: bool = False

    def __post_init__(self) -> None:
        if self.received_at is not None:
            check_instant(self.received_at)


class ReadingSet(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """One sitting: everything that was measured and how, before anything is decided.

    ``sleep`` tells night from day in an ambulatory recording; without it the clock does. ``replaces`` is the id of the set in
    whose place this one stands; ``replaced_by``, said by the service alone, that of the set to which its readings were moved.
    """

    identifier: Identifier | None = None
    subject: Subject
    history: History | None = None
    setting: Setting = "office"
    attendance: Attendance = "attended"
    visit: Visit | None = None
    protocol: Text | None = None
    guidelines: Annotated[list[Text], Meta(min_length=1, max_length=MAX_GUIDELINES)] | None = None
    context: Context = msgspec.field(default_factory=Context)
    device: Device | None = None
    cuff: Cuff | None = None
    device_average: DeviceAverage | None = None
    sleep: Annotated[list[SleepPeriod], Meta(max_length=MAX_SLEEP_PERIODS)] = []
    observer: Identifier | None = None
    location: Identifier | None = None
    encounter: Identifier | None = None
    based_on: Identifier | None = None
    replaces: Text | None = None
    replaced_by: Text | UnsetType | None = UNSET
    closed: bool = True
    readings: Annotated[list[Reading], Meta(max_length=MAX_READINGS)]
    intake: Intake | None = None

    def __post_init__(self) -> None:
        if self.replaced_by is None:
            msgspec.structs.force_setattr(self, "replaced_by", UNSET)


# One field of many readings, without a loop over them.
TAKEN_AT, IS_VOIDED = attrgetter("taken_at"), attrgetter("voided")
OWN_DEVICE, OWN_CUFF, METHOD_SAID = attrgetter("device"), attrgetter("cuff"), attrgetter("method")


def opened_at(reading_set: ReadingSet) -> datetime | None:
    """The moment at which a set without readings came in; None where it is not known.

    It is the service's own note, else the moment of the history.
    """
    if reading_set.intake is not None and reading_set.intake.received_at is not None:
        return reading_set.intake.received_at
    return None if reading_set.history is None else reading_set.history.as_of


def noted_as_opened(reading_set: ReadingSet, now: datetime) -> ReadingSet:
    """A set without readings and without a moment, noted as come in now; any other as it is."""
    if reading_set.readings or opened_at(reading_set) is not None:
        return reading_set
    return msgspec.structs.replace(reading_set, intake=msgspec.structs.replace(reading_set.intake or Intake(), received_at=now))


def first_taken_at(reading_set: ReadingSet, now: datetime) -> datetime:
    """Time of the first reading that is not voided, or of the first reading at all if every one is voided. A set without
    readings has the time at which it came in, or ``now`` if that is not recorded yet."""
    times = _times(reading_set)
    return min(times) if times else opened_at(reading_set) or now


def first_and_last_taken_at(reading_set: ReadingSet, now: datetime) -> tuple[datetime, datetime]:
    """Times of the first and the last reading, chosen as in ``first_taken_at``."""
    times = _times(reading_set) or [opened_at(reading_set) or now]
    return min(times), max(times)


def _times(reading_set: ReadingSet) -> list[datetime]:
    """The times of the readings that are not voided, or of all if every one is."""
    times = list(map(TAKEN_AT, reading_set.readings))
    if not any(map(IS_VOIDED, reading_set.readings)):
        return times
    return [reading.taken_at for reading in reading_set.readings if not reading.voided] or times


def voided_faults(readings: list[Reading]) -> list[Fault]:
    """Readings that come in already voided: voiding is a correction, with its reason."""
    detail = "Not in what is sent to be stored: void a reading by a correction."
    return [
        Fault(pointer=f"/readings/{place}/voided", code="not-accepted-here", detail=detail)
        for place, reading in enumerate(readings)
        if reading.voided
    ]
