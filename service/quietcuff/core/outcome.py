"""What comes out: the evaluation of one sitting, and its parts.

Every key is always present; null where there is no value, and lists are always lists. Codes are lower-case words joined by
hyphens. The same input and rules give the same bytes.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Any, Literal

import msgspec

from quietcuff.core.readings import Method, Site

# Whole numbers are written without a point, and stay whole when they are read again.
Number = int | float
State = Literal["in-progress", "complete", "not-usable"]
Level = Literal["none", "ask", "confirm", "same-day", "urgent"]
Severity = Literal["info", "warning", "blocks"]
Chooser = Literal["caller", "service", "none"]
Basis = Literal["this-sitting", "earlier-sittings", "only-arm-measured"]
Way = Literal["office", "home", "ambulatory"]
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
    "same-day-review",
    "urgent-assessment",
    "repeat-when-settled",
    "repeat-another-day",
    "measure-out-of-office",
    "close",
    "none",
]


class Safety(msgspec.Struct, frozen=True, kw_only=True):
    """What must not wait, computed before anything is selected. ``readings`` are places in the order sent."""

    level: Level
    readings: list[int]
    ask: list[str]
    text: str | None


class Plan(msgspec.Struct, frozen=True, kw_only=True):
    """How far the sitting's plan has come; counts are valid readings. ``because`` is a code."""

    site: Site | None
    planned: int
    taken: int
    remaining: int
    because: str


class Chosen(msgspec.Struct, frozen=True, kw_only=True):
    """Who chose what: where nobody said, the service's default rules and this shows it."""

    visit: Literal["first", "follow-up", "not-recorded"]
    visit_by: Chooser
    protocol_by: Chooser
    guidelines_by: Chooser


class RuleReference(msgspec.Struct, frozen=True, kw_only=True):
    """The identity of a rule file: its digest is of the file's bytes."""

    id: str
    version: str
    digest: str


class ReadingOutcome(msgspec.Struct, frozen=True, kw_only=True):
    """Whether a reading counts; ``reason`` is null exactly when it does."""

    index: int
    counts: bool
    reason: Reason | None


class Arms(msgspec.Struct, frozen=True, kw_only=True):
    """The comparison of the two arms. Differences are right minus left in mmHg, the mean of this sitting's pairs."""

    compared: bool
    pairs: int
    systolic_difference_mmhg: Number | None
    diastolic_difference_mmhg: Number | None
    higher: Site | None
    arm_to_use: Site | None
    arm_of_record: Site | None
    basis: Basis | None


class Result(msgspec.Struct, frozen=True, kw_only=True):
    """The one result. The whole numbers are what is reported, classified and exported; the exact means stand beside them."""

    systolic_mmhg: int
    diastolic_mmhg: int
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


class ExpectedError(msgspec.Struct, frozen=True, kw_only=True):
    """The published size of an error, in mmHg; never subtracted from a reading."""

    direction: Literal["raises", "lowers", "either"]
    systolic_mmhg: tuple[Number, Number] | None
    diastolic_mmhg: tuple[Number, Number] | None


class Finding(msgspec.Struct, frozen=True, kw_only=True):
    """Something worth knowing about the sitting or, where ``reading`` is a place, about one reading."""

    code: str
    severity: Severity
    reading: int | None
    expected_error: ExpectedError | None
    source: list[str]
    message: str


class Category(msgspec.Struct, frozen=True, kw_only=True):
    """What one guideline calls the reported value; category null where there is none to give."""

    guideline: str
    version: str
    digest: str
    category: str | None
    label: str | None
    decided_by: Literal["systolic", "diastolic", "both"] | None
    basis: str | None
    provisional: bool
    provisional_because: list[str]


class FollowingStep(msgspec.Struct, frozen=True, kw_only=True):
    """A step: what to do, where, with what, when, what to ask, and why."""

    action: Action
    site: Site | None = None
    cuff: str | None = None
    method: Method | None = None
    not_before: datetime | None = None
    not_after: datetime | None = None
    ask: list[str] = []
    reason: str


class Step(FollowingStep, frozen=True, kw_only=True):
    """The next step; ``then`` is the plan's own step where safety comes first."""

    then: FollowingStep | None = None


class ConfirmBy(msgspec.Struct, frozen=True, kw_only=True):
    """By when, and how, the guideline wants the result confirmed."""

    date: date
    way: Way


class Evaluation(msgspec.Struct, frozen=True, kw_only=True):
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
    certainty: list[dict[str, Any]]
    orthostatic: dict[str, Any] | None
    series: dict[str, Any] | None
    percentile: dict[str, Any] | None
    next_step: Step
    record_line: str | None
    confirm_by: ConfirmBy | None
    changed_because: list[str]
    cautions: list[str]
