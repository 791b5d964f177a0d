"""The device registry's document: what is known of one device beyond what a sitting says of it."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from quietcuff.core.readings import Identifier, Length, Text, YesNo, check_day

PopulationGroup = Literal["adults", "children", "pregnancy", "irregular-rhythm", "large-arms"]
MOST_DRIFT_SECONDS = 366 * 86_400


class ValidationEvidence(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One study that the device passed: by which standard, in which groups of people, and where it is reported."""

    standard: Text
    population_groups: Annotated[list[PopulationGroup], Meta(min_length=1, max_length=5)]
    report: Text | None = None


class RegisteredCuff(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A cuff that belongs to the device, with the arm range (cm) marked on it."""

    size: Text
    range_cm: tuple[Length, Length]

    def __post_init__(self) -> None:
        if self.range_cm[0] >= self.range_cm[1]:
            raise ValueError("low before high")


class RegisteredDevice(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One device: whose it is, what it is, for whom it was shown to be accurate, and when that was last checked.

    ``time_zone`` is the zone of its clock, as the time-zone database names it. ``clock_drift_seconds`` is how far the clock is
    known to be ahead of the true time there; behind it, it is negative.
    """

    identifier: Identifier
    manufacturer: Text | None = None
    model: Text | None = None
    serial_number: Text | None = None
    kind: Literal["automatic", "semi-automatic", "auscultatory", "cuffless"] | None = None
    site: Literal["upper-arm", "wrist", "finger"] | None = None
    validated: YesNo = "not-recorded"
    validated_for: Annotated[list[PopulationGroup], Meta(max_length=5)] = []
    validation_evidence: Annotated[list[ValidationEvidence], Meta(max_length=20)] = []
    cuffs: Annotated[list[RegisteredCuff], Meta(max_length=20)] = []
    last_accuracy_check: date | None = None
    accuracy_check_interval_months: Annotated[int, Meta(ge=1, le=120)] | None = None
    time_zone: Text | None = None
    clock_drift_seconds: Annotated[int, Meta(ge=-MOST_DRIFT_SECONDS, le=MOST_DRIFT_SECONDS)] | None = None

    def __post_init__(self) -> None:
        check_day(self.last_accuracy_check)
