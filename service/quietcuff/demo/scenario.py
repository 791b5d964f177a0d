"""The invented morning of ``morning.toml``: the people who come, the events, and the expected answers."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from importlib.resources import files
from typing import Any, Literal

import msgspec

ArmName = Literal["left", "right"]
Json = dict[str, Any]


class VisitEvent(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, tag_field="do"):
    """An event at a visit, with the words of people and the step that the service must ask for afterwards."""

    says: str | None = None
    next: str
    site: str | None = None
    cuff: str | None = None
    safety: str = "none"


class Taken(VisitEvent, frozen=True, kw_only=True, forbid_unknown_fields=True, tag="reading"):
    """A reading is taken and sent at once."""

    at: time
    arm: ArmName
    pressures: tuple[int, int]
    pulse: int
    method: Literal["oscillometric", "auscultatory"] = "oscillometric"
    flags: list[str] = []
    with_cuff: Json | None = None


class Answered(VisitEvent, frozen=True, kw_only=True, forbid_unknown_fields=True, tag="answer"):
    """Answers to questions that were not recorded before."""

    context: Json


class Corrected(VisitEvent, frozen=True, kw_only=True, forbid_unknown_fields=True, tag="correct"):
    """A correction of something that was sent wrongly."""

    reason: str
    changes: list[Json]


class Retried(VisitEvent, frozen=True, kw_only=True, forbid_unknown_fields=True, tag="retry"):
    """The last request is sent again, because its answer was lost."""


class Closed(VisitEvent, frozen=True, kw_only=True, forbid_unknown_fields=True, tag="close"):
    """The sitting is closed: nothing more will come."""


Event = Taken | Answered | Corrected | Retried | Closed


class Earlier(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An earlier sitting of the same person, sent whole: arm, systolic and diastolic of each reading."""

    days_before: int
    visit: Literal["first", "follow-up"]
    at: time
    readings: list[tuple[ArmName, int, int]]


class ExpectedEnd(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The expected end of a visit. A reading's reason is ``counts`` where it counts."""

    state: Literal["complete", "not-usable"]
    safety: str
    reported: tuple[int, int] | None = None
    reasons: list[str]
    categories: list[str] | None = None
    provisional_because: list[str] | None = None
    findings: list[str] = []


class DemoVisit(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One invented person's visit. The name is only shown on the screen and never sent."""

    who: str
    age: int
    sex: Literal["female", "male"]
    visit: Literal["first", "follow-up"]
    story: str
    facts: Json = {}
    cuff: Json | None = None
    earlier: Earlier | None = None
    events: list[Event]
    expect: ExpectedEnd


class Morning(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The whole morning."""

    clinic: str
    tenant: str
    device: Json
    cuff: Json
    context: Json
    visits: list[DemoVisit]


def load_morning() -> Morning:
    """The morning that comes with this package."""
    return msgspec.toml.decode((files("quietcuff.demo") / "morning.toml").read_bytes(), type=Morning)


def last_noon(now: datetime) -> datetime:
    """The noon that ended the last whole morning, so that none of its readings lies in the future."""
    noon = now.replace(hour=12, minute=0, second=0, microsecond=0)
    return noon if noon <= now else noon - timedelta(days=1)
