"""The stored documents of a version, decoded as far as resources show them.

They were checked when they came in and never change, so numbers and times are taken as they were written. What no resource
shows stays bytes: earlier sittings, answered questions, steps, and what a certainty rests on, which are most of a document.
"""

from __future__ import annotations

from datetime import datetime

import msgspec

from quietcuff.core.model.decoders import DocumentDecoder
from quietcuff.core.model.evaluation import Certainty, Evaluation, Finding, Number
from quietcuff.core.model.readings import Reading, ReadingSet

UNREAD = msgspec.Raw(b"null")


class ReadingAsStored(Reading, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """A reading that was checked before it was stored."""

    taken_at: datetime
    systolic_mmhg: Number | None = None
    diastolic_mmhg: Number | None = None
    mean_arterial_mmhg: Number | None = None
    pulse_per_min: Number | None = None
    stood_at: msgspec.Raw = UNREAD  # type: ignore[assignment]
    device_flags: list[str] = []  # type: ignore[assignment]

    def __post_init__(self) -> None:
        """Nothing: it was checked as it came in."""


class SetAsShown(ReadingSet, frozen=True, kw_only=True, forbid_unknown_fields=True, gc=False):
    """A stored set with what resources show of it."""

    subject: msgspec.Raw  # type: ignore[assignment]
    history: msgspec.Raw = UNREAD  # type: ignore[assignment]
    context: msgspec.Raw = UNREAD  # type: ignore[assignment]
    sleep: msgspec.Raw = UNREAD  # type: ignore[assignment]
    intake: msgspec.Raw = UNREAD  # type: ignore[assignment]
    readings: list[ReadingAsStored]  # type: ignore[assignment]


class FindingAsShown(Finding, frozen=True, kw_only=True, gc=False):
    """A finding without its published size and its sources."""

    expected_error: msgspec.Raw = UNREAD  # type: ignore[assignment]
    source: msgspec.Raw = UNREAD  # type: ignore[assignment]


class CertaintyAsShown(Certainty, frozen=True, kw_only=True, gc=False):
    """A certainty without its rows and what it rests on."""

    statement: msgspec.Raw  # type: ignore[assignment]
    rows: msgspec.Raw  # type: ignore[assignment]
    decisive: msgspec.Raw  # type: ignore[assignment]
    with_device_95: msgspec.Raw  # type: ignore[assignment]
    chance_settled_after: msgspec.Raw  # type: ignore[assignment]
    bias_not_included: msgspec.Raw  # type: ignore[assignment]
    assumptions: msgspec.Raw  # type: ignore[assignment]


class EvaluationAsShown(Evaluation, frozen=True, kw_only=True, gc=False):
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
