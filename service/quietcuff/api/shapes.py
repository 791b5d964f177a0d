"""The shapes of answers that are put together from bytes: for the OpenAPI document, and for clients that read it."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

import msgspec

from quietcuff.core.model.evaluation import Category, Evaluation, Result, RuleReference, Safety, State
from quietcuff.core.model.readings import Facts, History, Identifier, ReadingSet, Setting
from quietcuff.core.model.registry import RegisteredDevice


class Envelope(msgspec.Struct, frozen=True, kw_only=True):
    """A stored set: what was said, completed by what the service knew, and its evaluation."""

    id: str
    version: int
    status: Literal["active", "voided"]
    closed: bool
    closes_at: datetime | None
    subject_id: str
    created_at: datetime
    updated_at: datetime
    reading_set: ReadingSet
    evaluation: Evaluation


class VersionListed(msgspec.Struct, frozen=True, kw_only=True):
    """Why one version of a set is there, and the payload of a device or system that made it, if one did."""

    version: int
    cause: Literal["created", "appended", "closed", "timed-out", "reopened", "corrected", "voided", "re-evaluated"]
    created_at: datetime
    by: str
    author: Identifier | None
    reason: str | None
    rules_digest: str
    payload_id: str | None


class VersionList(msgspec.Struct, frozen=True, kw_only=True):
    """Every version of a set, oldest first."""

    items: list[VersionListed]


class SetListed(msgspec.Struct, frozen=True, kw_only=True):
    """A set as it stands in a list."""

    id: str
    version: int
    status: Literal["active", "voided"]
    subject_id: str
    state: State
    safety: Safety
    setting: Setting
    protocol: RuleReference
    taken_from: datetime
    taken_to: datetime
    result: Result | None
    categories: list[Category]


class SetPage(msgspec.Struct, frozen=True, kw_only=True):
    """A page of sets, newest first; ``next`` is the address of the next page, null on the last."""

    items: list[SetListed]
    next: str | None


class SubjectRecord(Facts, frozen=True, kw_only=True):
    """A person as registered; ``history`` is what a sitting of this moment would be evaluated with."""

    id: str
    version: int
    identifier: Identifier
    history: History


class SubjectFound(msgspec.Struct, frozen=True, kw_only=True):
    """The id of a person; it is the id of the FHIR Patient too."""

    id: str


class DeviceRecord(RegisteredDevice, frozen=True, kw_only=True):
    """A device as registered."""

    id: str
    version: int
