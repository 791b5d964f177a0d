"""The device registry's document for one device, and a group of people as a stored query.

The document holds facts about the device beyond a sitting's own. The members of a group are found again each time it is used.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from quietcuff.core.model.fields import (
    AccuracyCheckInterval,
    ClockDrift,
    Length,
    PopulationGroup,
    Setting,
    Text,
    YesNo,
    check_day,
)
from quietcuff.core.model.readings import Device, Identifier


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


class DeviceUser(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A user of the device: the number that it gives them, and who that is."""

    user_id: Annotated[int, Meta(ge=0, le=254)]
    subject: Identifier


class RegisteredDevice(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One device: whose it is, what it is, for whom it was shown to be accurate, and when that was last checked.

    ``time_zone`` is the zone of its clock, as the time-zone database names it. ``clock_drift_seconds`` is how far the clock is
    known to be ahead of the true time there; behind it, it is negative. ``users`` are whose readings those are that the device
    marks with a user's number.
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
    accuracy_check_interval_months: AccuracyCheckInterval | None = None
    time_zone: Text | None = None
    clock_drift_seconds: ClockDrift | None = None
    users: Annotated[list[DeviceUser], Meta(max_length=255)] = []

    def __post_init__(self) -> None:
        check_day(self.last_accuracy_check)


def as_in_a_set(known: RegisteredDevice) -> Device:
    """The device as a sitting describes it, so that what the rules use of the registry stands in the set.

    A study that it passed makes it validated where nothing else is said, and for that study's groups.
    """
    groups = [*known.validated_for, *(group for study in known.validation_evidence for group in study.population_groups)]
    has_passed = known.validated == "not-recorded" and bool(known.validation_evidence)
    same = {name: getattr(known, name) for name in Device.__struct_fields__}
    studied = {"validated": "yes" if has_passed else known.validated, "validated_for": list(dict.fromkeys(groups))}
    return Device(**same | studied)


class GroupFilter(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The people of a group: those named, or those who had such a sitting, or both at once.

    Days are of the tenant's zone: a sitting was begun on ``taken_from`` or later, and before ``taken_until``.
    """

    identifiers: Annotated[list[Identifier], Meta(min_length=1, max_length=1_000)] | None = None
    taken_from: date | None = None
    taken_until: date | None = None
    location: Identifier | None = None
    protocol: Text | None = None
    setting: Setting | None = None

    def __post_init__(self) -> None:
        check_day(self.taken_from)
        check_day(self.taken_until)


class NewGroup(GroupFilter, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A group with the name that people know it by."""

    name: Text
