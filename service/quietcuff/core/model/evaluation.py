"""The output: the evaluation of one sitting and its parts, of series, recordings and tests of standing too.

Every key is always present; null where there is no value, and lists are always lists. Codes are lower-case words joined by
hyphens. The same input and rules give the same bytes.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Literal

import msgspec

from quietcuff.core.model.fields import Method, Site

# Whole numbers are written without a point, and stay whole when they are read again.
Number = int | float


class PartMean(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The mean of a part of a series: as reported and classified, and exact; every reading weighs the same."""

    systolic_mmhg: int
    diastolic_mmhg: int
    systolic_mean_mmhg: Number
    diastolic_mean_mmhg: Number
    readings: int


class PartCategory(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The category of one part of an ambulatory recording; ``decides`` where it bears on the guideline's category."""

    guideline: str
    part: Literal["day", "night", "hours-24"]
    category: str
    label: str
    decides: bool


class Series(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Readings over days at home, or of an ambulatory recording. A part has a mean where it has enough valid readings.

    ``n`` are the readings that count, or would once there are enough; ``valid_share`` is of the attempts recorded; ``windows``
    say what day and night were taken from.
    """

    kind: Literal["home", "ambulatory"]
    days_used: int
    days_dropped: int
    drop_rule: Literal["first-day", "none"]
    morning: PartMean | None = None
    evening: PartMean | None = None
    day: PartMean | None = None
    night: PartMean | None = None
    hours_24: PartMean | None = None
    n: int
    valid_share: Number
    windows: Literal["clock", "sleep-times"]
    dipping_percent: Number | None = None
    dipping: Literal["reverse", "reduced", "normal", "extreme"] | None = None
    parts: list[PartCategory] = []


class Baseline(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The pressure before standing: the mean of its readings, in mmHg."""

    systolic_mmhg: Number
    diastolic_mmhg: Number
    readings: int


class Drop(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Baseline minus one standing reading, in mmHg, so that a fall is positive; ``minutes`` since standing up."""

    minutes: Number
    systolic_mmhg: Number
    diastolic_mmhg: Number


class Orthostatic(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The test of standing up: where it started from, and each standing reading against that, in order of time."""

    baseline: Baseline | None
    drops: list[Drop]
    position_before: Literal["sitting", "supine"] | None


class Percentile(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """A child's reported pressures among children of that sex, age and height, as percentiles and as z.

    The references used are named.
    """

    reference: str
    height_reference: str
    age_years: int
    height_z: Number
    systolic: Number
    systolic_z: Number
    diastolic: Number
    diastolic_z: Number


State = Literal["in-progress", "complete", "not-usable"]
Level = Literal["none", "ask", "confirm", "same-day", "urgent"]
Severity = Literal["info", "warning", "blocks"]
Chooser = Literal["caller", "service", "none"]
Basis = Literal["this-sitting", "earlier-sittings", "only-arm-measured"]
Way = Literal["office", "home", "ambulatory"]
# Stored by their places here: a new one comes last.
Reason = Literal[
    "pending",
    "other-arm",
    "restricted-arm",
    "first-discarded",
    "earlier-than-last-two",
    "other-of-last-two",
    "other-position",
    "other-method",
    "device-error",
    "implausible",
    "wrong-cuff",
    "too-soon",
    "too-few",
    "not-part-of-series",
    "set-blocked",
    "voided",
]
Action = Literal[
    "take-reading",
    "measure-other-arm",
    "settle-first",
    "change-cuff",
    "change-device",
    "auscultate",
    "ask-symptoms",
    "confirm-now",
    "sit-or-lie-down",
    "review",
    "same-day-review",
    "urgent-assessment",
    "repeat-when-settled",
    "repeat-another-day",
    "measure-out-of-office",
    "complete-record",
    "review",
    "close",
    "none",
]


class Safety(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Concerns that must not wait, judged before any reading is selected. ``readings`` are places in the order sent."""

    level: Level
    readings: list[int]
    ask: list[str]
    text: str | None


class Plan(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Progress of the sitting's plan; counts are valid readings. ``because`` is a code."""

    site: Site | None
    planned: int
    taken: int
    remaining: int
    because: str


class Chosen(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The origin of each choice: where nobody chose, the service's defaults apply and are named here."""

    visit: Literal["first", "follow-up", "not-recorded"]
    visit_by: Chooser
    protocol_by: Chooser
    guidelines_by: Chooser


class RuleReference(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The identity of a rule file: its digest is of the file's bytes."""

    id: str
    version: str
    digest: str


class ReadingOutcome(msgspec.Struct, frozen=True, gc=False):
    """The outcome of a reading: counted or not; ``reason`` is null exactly when it counts."""

    index: int
    counts: bool
    reason: Reason | None


class Arms(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The comparison of the two arms. Differences are right minus left in mmHg, the mean of this sitting's pairs."""

    compared: bool
    pairs: int
    systolic_difference_mmhg: Number | None
    diastolic_difference_mmhg: Number | None
    higher: Site | None
    arm_to_use: Site | None
    arm_of_record: Site | None
    basis: Basis | None


class Result(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The one result. The first two are what is reported, classified and exported: whole numbers, save under the protocols of
    surveys, which do not round. The exact means stand beside them."""

    systolic_mmhg: Number
    diastolic_mmhg: Number
    systolic_mean_mmhg: Number
    diastolic_mean_mmhg: Number
    systolic_sd_mmhg: Number | None
    diastolic_sd_mmhg: Number | None
    pulse_per_min: int | None
    readings_counted: int
    site: Site
    position: Literal["sitting", "standing", "supine", "not-recorded"]
    taken_from: datetime
    taken_to: datetime


class ExpectedError(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The published size of an error, in mmHg; never subtracted from a reading."""

    direction: Literal["raises", "lowers", "either"]
    systolic_mmhg: tuple[Number, Number] | None
    diastolic_mmhg: tuple[Number, Number] | None


class Finding(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Something worth knowing about the sitting or, where ``reading`` is a place, about one reading."""

    code: str
    severity: Severity
    reading: int | None
    expected_error: ExpectedError | None
    source: list[str]
    message: str


class Category(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """One guideline's category for the reported value; null where there is none to give."""

    guideline: str
    version: str
    digest: str
    category: str | None
    label: str | None
    decided_by: Literal["systolic", "diastolic", "both"] | None
    basis: str | None
    provisional: bool
    provisional_because: list[str]


class RowChance(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The chance that the usual pressure is in a row of the guideline or above it; ``flat`` by the measurements alone."""

    category: str
    at_or_above: Number
    at_or_above_flat: Number


class Decisive(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The row whose edge leaves the label most in doubt, and the chance that each pressure alone is at or above that edge."""

    category: str
    systolic: Number
    diastolic: Number


class Interval(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """From and to, in mmHg, for each pressure by itself."""

    systolic_mmhg: tuple[Number, Number]
    diastolic_mmhg: tuple[Number, Number]


class SettledAfter(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """The chance that so many further visits settle on which side of the decisive edge the usual pressure is."""

    visits: int
    chance: Number


class Assumption(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """A ground of a certainty: an entry of the rules and its basis, ``assumed`` where no source stands behind it."""

    code: str
    entry: str
    basis: Literal["published", "computed", "choice", "assumed"]
    source: list[str]


class Certainty(msgspec.Struct, frozen=True, gc=False):
    """Certainty of one guideline's label for the usual pressure in this arm, measured this way.

    Chances to four decimals, with the prior named and, ``flat``, without any. ``bias_not_included`` names what shifts the
    measurement and is in no number here.
    """

    guideline: str
    statement: str
    rows: list[RowChance]
    label_probability: Number
    label_probability_flat: Number
    decisive: Decisive
    interval_95: Interval
    with_device_95: Interval
    settled: bool
    more_readings_now: int | None
    visits_if_mean_holds: int | None
    chance_settled_after: list[SettledAfter]
    reason: Literal["visit-variation-dominates", "too-close-to-call", "one-irregular-sitting"] | None
    prior: str
    visits_used: int
    bias_not_included: list[str]
    assumptions: list[Assumption]


class FollowingStep(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """A step: what to do, where, with what, when, what to ask, and why."""

    action: Action
    site: Site | None = None
    cuff: str | None = None
    method: Method | None = None
    not_before: datetime | None = None
    not_after: datetime | None = None
    ask: list[str] = []
    reason: str


class Step(FollowingStep, frozen=True, kw_only=True, gc=False):
    """The next step; ``then`` is the plan's own step where safety comes first."""

    then: FollowingStep | None = None


class Preparation(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """Preparation of a sitting before its first reading.

    ``device`` says whether the one named can give a result of this person; ``readings`` and ``minutes`` are what the plan takes
    if nothing odd happens, minutes null for a series over days.
    """

    prepare: list[str]
    arms: list[Site]
    cuff: str | None
    device: Literal["fits", "does-not-fit", "not-recorded"]
    device_because: list[str]
    protocol: str
    readings: int
    minutes: int | None


class ConfirmBy(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """By when, and how, the guideline wants the result confirmed."""

    date: date
    way: Way


class Evaluation(msgspec.Struct, frozen=True, gc=False):
    """The whole answer for one sitting."""

    state: State
    blocked_by: list[str]
    safety: Safety
    plan: Plan
    chosen: Chosen
    protocol: RuleReference
    engine_version: str
    history_digest: str
    readings: list[ReadingOutcome]
    arms: Arms
    result: Result | None
    findings: list[Finding]
    categories: list[Category]
    certainty: list[Certainty]
    orthostatic: Orthostatic | None
    series: Series | None
    percentile: Percentile | None
    next_step: Step
    record_line: str | None
    confirm_by: ConfirmBy | None
    changed_because: list[str]
    cautions: list[str]
    preparation: Preparation | None = None

    @property
    def counted(self) -> list[int]:
        """The places of the readings that count in the result."""
        return [outcome.index for outcome in self.readings if outcome.counts]
