"""The stored documents of a version, decoded as far as resources show them.

They were checked when they came in and never change, so numbers, texts and times are taken as they were written: looking for
patterns in the texts again took half of the time. What no resource shows stays bytes: earlier sittings, answered questions,
steps, and what a certainty rests on, which are most of a document.
"""

from __future__ import annotations

from datetime import datetime

import msgspec

from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.evaluation import Certainty, Evaluation, Number
from quietcuff.core.model.readings import Cuff, Device, Identifier, Reading, ReadingSet

UNREAD = msgspec.Raw(b"null")


class IdentifierAsStored(Identifier, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """An identifier that was checked before it was stored."""

    system: str
    value: str


class DeviceAsStored(Device, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """A device that was checked before it was stored."""

    identifier: IdentifierAsStored | None = None
    manufacturer: str | None = None
    model: str | None = None
    serial_number: str | None = None
    validated_for: list[str] = []  # type: ignore[assignment]
    accuracy_check_interval_months: int | None = None
    clock_drift_seconds: int | None = None

    def __post_init__(self) -> None:
        """Nothing: it was checked as it came in."""


class CuffAsStored(Cuff, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """A cuff that was checked before it was stored."""

    size: str | None = None
    range_cm: tuple[Number, Number] | None = None

    def __post_init__(self) -> None:
        """Nothing: it was checked as it came in."""


class ReadingAsStored(Reading, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """A reading that was checked before it was stored."""

    identifier: IdentifierAsStored | msgspec.UnsetType | None = msgspec.UNSET
    taken_at: datetime
    systolic_mmhg: Number | None = None
    diastolic_mmhg: Number | None = None
    mean_arterial_mmhg: Number | None = None
    pulse_per_min: Number | None = None
    stood_at: msgspec.Raw = UNREAD  # type: ignore[assignment]
    device_flags: list[str] = []  # type: ignore[assignment]
    cuff: CuffAsStored | None = None
    device: DeviceAsStored | None = None
    observer: IdentifierAsStored | None = None

    def __post_init__(self) -> None:
        """Nothing: it was checked as it came in."""


class SetAsShown(ReadingSet, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """A stored set with what resources show of it."""

    identifier: msgspec.Raw = UNREAD  # type: ignore[assignment]
    subject: msgspec.Raw  # type: ignore[assignment]
    history: msgspec.Raw = UNREAD  # type: ignore[assignment]
    protocol: str | None = None
    guidelines: msgspec.Raw = UNREAD  # type: ignore[assignment]
    context: msgspec.Raw = UNREAD  # type: ignore[assignment]
    device: DeviceAsStored | None = None
    cuff: CuffAsStored | None = None
    device_average: msgspec.Raw = UNREAD  # type: ignore[assignment]
    sleep: msgspec.Raw = UNREAD  # type: ignore[assignment]
    observer: IdentifierAsStored | None = None
    location: IdentifierAsStored | None = None
    encounter: IdentifierAsStored | None = None
    based_on: IdentifierAsStored | None = None
    replaces: str | None = None
    replaced_by: str | msgspec.UnsetType | None = msgspec.UNSET
    readings: list[ReadingAsStored]  # type: ignore[assignment]
    intake: msgspec.Raw = UNREAD  # type: ignore[assignment]


class FindingAsShown(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """A finding without its published size and its sources."""

    code: str
    severity: str
    reading: int | None
    message: str


class CertaintyAsShown(Certainty, frozen=True, gc=False):
    """A certainty without its rows and what it rests on."""

    statement: msgspec.Raw  # type: ignore[assignment]
    rows: msgspec.Raw  # type: ignore[assignment]
    decisive: msgspec.Raw  # type: ignore[assignment]
    with_device_95: msgspec.Raw  # type: ignore[assignment]
    chance_settled_after: msgspec.Raw  # type: ignore[assignment]
    bias_not_included: msgspec.Raw  # type: ignore[assignment]
    assumptions: msgspec.Raw  # type: ignore[assignment]


class EvaluationAsShown(Evaluation, frozen=True, gc=False):
    """An evaluation with what resources show of it."""

    plan: msgspec.Raw  # type: ignore[assignment]
    chosen: msgspec.Raw  # type: ignore[assignment]
    arms: msgspec.Raw  # type: ignore[assignment]
    findings: list[FindingAsShown]  # type: ignore[assignment]
    certainty: list[CertaintyAsShown]  # type: ignore[assignment]
    next_step: msgspec.Raw  # type: ignore[assignment]
    confirm_by: msgspec.Raw  # type: ignore[assignment]
    cautions: msgspec.Raw  # type: ignore[assignment]
    preparation: msgspec.Raw = UNREAD  # type: ignore[assignment]


SET = DocumentDecoder(SetAsShown)
EVALUATION = DocumentDecoder(EvaluationAsShown)
