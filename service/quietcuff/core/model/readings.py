"""What comes in: one sitting's readings with their context, the person, the device and the cuff.

These structs are the request body of ``POST /v1/reading-sets`` and the input of ``evaluate``. Pressures are mmHg with at
most two decimals, pulses are per minute, times carry their offset. Every yes-or-no answer is three-valued: what was not
recorded is never taken for a yes or a no.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Annotated, Literal

import msgspec
from msgspec import UNSET, Meta, UnsetType

# A final `$` would let a trailing newline through; the look-ahead does not, in Python and in JSON Schema alike.
# Blank text, and a system with white space of any script in it, could not leave as FHIR strings and URIs.
TEXT_PATTERN = r"^[^\u0000-\u001f\u007f-\u009f]*[^\s\u0000-\u001f\u007f-\u009f][^\u0000-\u001f\u007f-\u009f]*(?![\s\S])"
SYSTEM_PATTERN = r"^[^\s\u0000-\u0020\u007f-\u009f|]+(?![\s\S])"
BIRTH_DATE_PATTERN = r"^(19|20|21)[0-9]{2}(-(0[1-9]|1[0-2])(-(0[1-9]|[12][0-9]|3[01]))?)?(?![\s\S])"

Text = Annotated[str, Meta(min_length=1, max_length=255, pattern=TEXT_PATTERN)]
System = Annotated[str, Meta(min_length=1, max_length=255, pattern=SYSTEM_PATTERN)]
BirthDate = Annotated[str, Meta(pattern=BIRTH_DATE_PATTERN, examples=["1971-01-15", "1971-01", "1971"])]
Instant = Annotated[datetime, Meta(tz=True, description="RFC 3339 with seconds and an offset, years 1900 to 2200.")]
Pressure = Annotated[float, Meta(ge=0, le=400, description="mmHg, at most two decimals.", extra={"decimals": 2})]
Rate = Annotated[float, Meta(ge=0, le=400, description="Per minute, at most two decimals.", extra={"decimals": 2})]
Difference = Annotated[float, Meta(ge=-400, le=400, description="mmHg, right arm minus left arm.")]
Deviation = Annotated[float, Meta(gt=0, le=100, description="A standard deviation in mmHg.")]
MAX_PRIOR_PARTS = 3
SHARES_ADD_UP_TO = 1e-6
Length = Annotated[float, Meta(gt=0, le=300, description="Centimetres.")]

PopulationGroup = Literal["adults", "children", "pregnancy", "irregular-rhythm", "large-arms"]
MOST_DRIFT_SECONDS = 366 * 86_400
AccuracyCheckInterval = Annotated[int, Meta(ge=1, le=120)]
ClockDrift = Annotated[int, Meta(ge=-MOST_DRIFT_SECONDS, le=MOST_DRIFT_SECONDS)]
YesNo = Literal["yes", "no", "not-recorded"]
Arm = Literal["left", "right"]
Site = Literal["left-upper-arm", "right-upper-arm", "left-wrist", "right-wrist", "left-thigh", "right-thigh", "not-recorded"]
Position = Literal["sitting", "standing", "supine", "not-recorded"]
Method = Literal["oscillometric", "auscultatory"]
Rhythm = Literal["regular", "irregular", "not-recorded"]
Setting = Literal["office", "home", "ambulatory"]
Visit = Literal["first", "follow-up"]
Attendance = Literal["attended", "unattended"]
DeviceFlag = Literal[
    "body-movement",
    "cuff-loose",
    "irregular-pulse",
    "pulse-too-high",
    "pulse-too-low",
    "improper-position",
    "measurement-failed",
]
RestrictionReason = Literal[
    "dialysis-access",
    "lymph-nodes-removed",
    "lymphoedema",
    "line",
    "wound",
    "plegia",
    "absent",
    "refused",
    "other",
]
IntakeCode = Literal[
    "clock-zone-assumed",
    "clock-hour-unclear",
    "clock-shifted",
    "time-of-arrival",
    "value-coarse",
    "status-unclear",
    "not-verified",
    "questionable",
]
Care = Literal["ordinary", "inpatient", "emergency", "dialysis", "procedure-day"]

MAX_READINGS = 300
MAX_INTAKE_NOTES = 7 * MAX_READINGS
MAX_GUIDELINES = 10
MAX_RESTRICTIONS = 20
MAX_PAIRS = 240
MAX_SITTINGS = 60
MAX_SLEEP_PERIODS = 10
MAX_OFFSET = timedelta(hours=14)
FIRST_YEAR, LAST_YEAR = 1900, 2200


class Identifier(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """An identifier of the caller's own: ``system`` says whose, ``value`` which."""

    system: System
    value: Text


class ArmRestriction(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """An arm that must not be used, or that the person refuses, up to and including the day ``until``."""

    arm: Arm
    reason: RestrictionReason
    until: date | None = None

    def __post_init__(self) -> None:
        check_day(self.until)


class Facts(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """What is known of a person, without saying who it is."""

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
        check_day(self.delivered_on)
        check_day(self.treatment_changed_on)


class Subject(Facts, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """The person measured: an identifier of the caller's and what is known at this sitting."""

    identifier: Identifier


class Context(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """How the measurement was prepared and done."""

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
        keep_numbers_plain(self, "systolic_mmhg", "diastolic_mmhg", "mean_arterial_mmhg", "pulse_per_min")


class SleepPeriod(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """When the person fell asleep and woke, by their own account."""

    asleep_at: Instant
    awake_at: Instant

    def __post_init__(self) -> None:
        check_instant(self.asleep_at)
        check_instant(self.awake_at)


class HistoryPair(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """One earlier comparison of the two arms: right minus left."""

    day: date
    systolic_difference_mmhg: Difference
    diastolic_difference_mmhg: Difference

    def __post_init__(self) -> None:
        check_day(self.day)
        keep_whole_numbers_whole(self, "systolic_difference_mmhg", "diastolic_difference_mmhg")


class HistorySitting(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """One earlier sitting that gave a result. Its pressures are the sitting's value, made of ``readings_counted`` readings as
    ``value_rule`` says: where readings were chosen by their values it is not the reported mean."""

    taken_from: Instant
    setting: Setting
    attendance: Attendance = "attended"
    care: Care = "ordinary"
    position: Position = "sitting"
    site: Site | None = None
    systolic_mmhg: Pressure
    diastolic_mmhg: Pressure
    readings_counted: Annotated[int, Meta(ge=1, le=MAX_READINGS)]
    value_rule: Text
    days: Annotated[int, Meta(ge=1, le=366)] = 1
    provisional_because: list[Text] = []

    def __post_init__(self) -> None:
        check_instant(self.taken_from)
        keep_numbers_plain(self, "systolic_mmhg", "diastolic_mmhg")


class History(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """The frozen snapshot of earlier sittings that an evaluation depends on; ``sittings`` newest last."""

    as_of: Instant
    pairs: Annotated[list[HistoryPair], Meta(max_length=MAX_PAIRS)] = []
    treatment_changed_on: date | None = None
    sittings: Annotated[list[HistorySitting], Meta(max_length=MAX_SITTINGS)] = []

    def __post_init__(self) -> None:
        check_instant(self.as_of)
        check_day(self.treatment_changed_on)


class ReferencePart(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """One part of a mixture: the share of people in it, and how their usual pressures are spread."""

    share: Annotated[float, Meta(gt=0, le=1)]
    systolic_mmhg: Pressure
    systolic_sd_mmhg: Deviation
    diastolic_mmhg: Pressure
    diastolic_sd_mmhg: Deviation
    correlation: Annotated[float, Meta(ge=-0.9, le=0.9)]

    def __post_init__(self) -> None:
        keep_numbers_plain(self, "systolic_mmhg", "diastolic_mmhg")
        keep_whole_numbers_whole(self, "share", "systolic_sd_mmhg", "diastolic_sd_mmhg", "correlation")


class VisitSpread(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """How visits of untreated people vary around their usual pressures, as a clinic has seen it."""

    systolic_sd_mmhg: Deviation
    diastolic_sd_mmhg: Deviation
    correlation: Annotated[float, Meta(ge=-0.9, le=0.9)]

    def __post_init__(self) -> None:
        keep_whole_numbers_whole(self, "systolic_sd_mmhg", "diastolic_sd_mmhg", "correlation")


class ReferencePrior(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True, gc=False):
    """How usual office pressures are spread among the people that a clinic sees, before any of them is measured.

    With ``parts`` it is their mixture, and the five figures above are its means and spread. It holds for people whose
    hypertension is neither known nor treated, and for those as well only with ``includes_treated``. ``visits`` is how visits
    vary there, in place of the rules' figures for untreated people.
    """

    systolic_mmhg: Pressure
    systolic_sd_mmhg: Deviation
    diastolic_mmhg: Pressure
    diastolic_sd_mmhg: Deviation
    correlation: Annotated[float, Meta(ge=-0.9, le=0.9)]
    parts: Annotated[list[ReferencePart], Meta(max_length=MAX_PRIOR_PARTS)] = []
    includes_treated: bool = False
    visits: VisitSpread | None = None

    def __post_init__(self) -> None:
        keep_numbers_plain(self, "systolic_mmhg", "diastolic_mmhg")
        keep_whole_numbers_whole(self, "systolic_sd_mmhg", "diastolic_sd_mmhg", "correlation")
        if self.parts and abs(sum(part.share for part in self.parts) - 1) > SHARES_ADD_UP_TO:
            raise ValueError("the shares of the parts must add up to 1")


class IntakeNote(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """What the service had to assume of one reading as it came in, by its place."""

    reading: Annotated[int, Meta(ge=0, lt=MAX_READINGS)]
    code: IntakeCode


class Intake(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """What the service knew when the set came in and the caller did not say. Kept with the set, so that it can be evaluated
    again to the same bytes; accepted in dry runs, filled in by the service for stored sets."""

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


def opened_at(reading_set: ReadingSet) -> datetime | None:
    """When a set without readings came in, by the service's own note or the history's moment; None where neither is there."""
    if reading_set.intake is not None and reading_set.intake.received_at is not None:
        return reading_set.intake.received_at
    return None if reading_set.history is None else reading_set.history.as_of


def noted_as_opened(reading_set: ReadingSet, now: datetime) -> ReadingSet:
    """A set without readings and without a moment, noted as come in now; any other as it is."""
    if reading_set.readings or opened_at(reading_set) is not None:
        return reading_set
    return msgspec.structs.replace(reading_set, intake=msgspec.structs.replace(reading_set.intake or Intake(), received_at=now))


def plain_number(value: float) -> float:
    """The number without a needless point: 142.0 becomes 142. At most two decimals are accepted.

    Raises:
        ValueError: more than two decimals.
    """
    if value == int(value):
        return int(value)
    if value != round(value, 2):
        raise ValueError("at most two decimals")
    return value


def keep_numbers_plain(struct: msgspec.Struct, *names: str) -> None:
    """Make the named numbers of a struct plain while it is being made.

    Raises:
        ValueError: more than two decimals.
    """
    for name in names:
        value = getattr(struct, name)
        if value is not None:
            msgspec.structs.force_setattr(struct, name, plain_number(value))


def keep_whole_numbers_whole(struct: msgspec.Struct, *names: str) -> None:
    """Write 5.0 as 5 in the fields named, so that what is echoed is what was sent."""
    for name in names:
        value = getattr(struct, name)
        if value is not None:
            msgspec.structs.force_setattr(struct, name, whole_number(value))


def whole_number(value: float) -> float:
    """The number, as an integer where it is one: 27.0 gives 27."""
    return int(value) if value == int(value) else value


def check_day(day: date | None) -> None:
    """Refuse a day so far off that days could not be counted from it.

    Raises:
        ValueError: outside the years 1900 to 2200.
    """
    if day is not None and not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise ValueError("years 1900 to 2200")


def check_instant(instant: datetime) -> None:
    """Refuse what the time arithmetic or FHIR could not carry.

    Raises:
        ValueError: outside the years 1900 to 2200, or an offset beyond 14 hours.
    """
    if not FIRST_YEAR <= instant.year <= LAST_YEAR:
        raise ValueError("years 1900 to 2200")
    offset = instant.utcoffset()
    if offset is None or not -MAX_OFFSET <= offset <= MAX_OFFSET:
        raise ValueError("an offset within 14 hours")


def utc_text(moment: datetime) -> str:
    """A moment in UTC to the millisecond, as the service writes its own: 2026-05-04T07:03:31.120Z."""
    return f"{(moment - (moment.utcoffset() or timedelta())).replace(tzinfo=None).isoformat(timespec='milliseconds')}Z"


def hundredths(mmhg: float) -> int:
    """A pressure or rate as a whole count of hundredths, in which sums are exact: 142.5 gives 14250."""
    return round(mmhg * 100)
