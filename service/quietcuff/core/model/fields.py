"""The fields of structs: closed lists of words, bounds of quantities, texts and times, ways of writing and of rounding numbers.

A caller chooses a way of rounding by its name, and none is written twice. Sums of whole hundredths are exact, so that their
halves are real halves. Where a value was reckoned in floats, a half is hardly ever exact; those ways differ only in what they
do with one.
"""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta
from typing import Annotated, Literal

import msgspec
from msgspec import Meta
from msgspec.structs import force_setattr

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
Length = Annotated[float, Meta(gt=0, le=300, description="Centimetres.")]
MOST_DRIFT_SECONDS = 366 * 86_400
AccuracyCheckInterval = Annotated[int, Meta(ge=1, le=120)]
ClockDrift = Annotated[int, Meta(ge=-MOST_DRIFT_SECONDS, le=MOST_DRIFT_SECONDS)]
YesNo = Literal["yes", "no", "not-recorded"]
MIN_OFFSET, MAX_OFFSET = timedelta(hours=-14), timedelta(hours=14)

PopulationGroup = Literal["adults", "children", "pregnancy", "irregular-rhythm", "large-arms"]
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
MAX_SLEEP_PERIODS = 10
FIRST_YEAR, LAST_YEAR = 1900, 2200


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
        # Written out, not by ``plain_number``: it is done for every number of every body.
        if value is None:
            continue
        whole = int(value)
        if value == whole:
            force_setattr(struct, name, whole)
        elif value != round(value, 2):
            raise ValueError("at most two decimals")


def keep_whole_numbers_whole(struct: msgspec.Struct, *names: str) -> None:
    """Write 5.0 as 5 in the fields named, so that what is echoed is what was sent."""
    for name in names:
        value = getattr(struct, name)
        # Written out, not by ``whole_number``, for the same reason.
        if value is None:
            continue
        whole = int(value)
        if value == whole:
            force_setattr(struct, name, whole)


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
    # UTC is what most clients write, and needs no measuring.
    if instant.tzinfo is UTC:
        return
    offset = instant.utcoffset()
    if offset is None or not MIN_OFFSET <= offset <= MAX_OFFSET:
        raise ValueError("an offset within 14 hours")


def utc_text(moment: datetime) -> str:
    """A moment in UTC to the millisecond, as the service writes its own: 2026-05-04T07:03:31.120Z."""
    offset = moment.utcoffset()
    in_utc = moment - offset if offset else moment
    return f"{in_utc.replace(tzinfo=None).isoformat(timespec='milliseconds')}Z"


def hundredths(mmhg: float) -> int:
    """A pressure or rate as a whole count of hundredths, in which sums are exact: 142.5 gives 14250."""
    return round(mmhg * 100)


def mean_half_up(hundredths: list[int]) -> int:
    """The mean of hundredths as a whole number, halves up: [12950] gives 130."""
    count = len(hundredths)
    return (2 * sum(hundredths) + 100 * count) // (200 * count)


def exact_mean(hundredths: list[int]) -> float:
    """The mean of hundredths to four decimals, half to even: [8800, 8600, 8600] gives 86.6667."""
    count = len(hundredths)
    quotient, rest = divmod(100 * sum(hundredths), count)
    if rest and (2 * rest > count or (2 * rest == count and quotient % 2)):
        quotient += 1
    return from_ten_thousandths(quotient)


def sample_deviation(hundredths: list[int]) -> float | None:
    """The sample standard deviation to four decimals, half up; None for fewer than two values."""
    count = len(hundredths)
    if count < 2:
        return None
    scatter = count * sum([value * value for value in hundredths]) - sum(hundredths) ** 2
    doubled = math.isqrt(40_000 * scatter // (count * (count - 1)))
    return from_ten_thousandths((doubled + 1) // 2)


def four_decimals_half_even(value: float) -> float:
    """A float to four decimals as Python rounds it, whole numbers without a point."""
    return whole_number(round(value, 4))


def four_decimals_half_up(value: float) -> float:
    """A float to four decimals, halves up, whole numbers without a point: the last bits differ between machines."""
    count = math.floor(value * 10_000 + 0.5)
    return count / 10_000 if count % 10_000 else count // 10_000


def from_ten_thousandths(count: int) -> float:
    """Whole numbers without a point: 1450000 gives 145."""
    return count / 10_000 if count % 10_000 else count // 10_000
