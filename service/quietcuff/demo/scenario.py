"""The invented morning as it stands in ``morning.toml``: who comes, what happens, and what must be answered."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from importlib.resources import files
from typing import Any, Literal

import msgspec

ArmName = Literal["left", "right"]
Json = dict[str, Any]


class Happening(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, tag_field="do"):
    """Something that happens at a visit, what people say of it, and the step that the service must ask for afterwards."""

    says: str | None = None
    next: str
    site: str | None = None
    cuff: str | None = None
    safety: str = "none"


class Taken(Happening, frozen=True, kw_only=True, forbid_unknown_fields=True, tag="reading"):
    """A reading is taken and sent at once."""

    at: time
    arm: ArmName
    pressures: tuple[int, int]
    pulse: int
    method: Literal["oscillometric", "auscultatory"] = "oscillometric"
    flags: list[str] = []
    with_cuff: Json | None = None


class Answered(Happening, frozen=True, kw_only=True, forbid_unknown_fields=True, tag="answer"):
    """Questions are answered that were not recorded before."""

    context: Json


class Corrected(Happening, frozen=True, kw_only=True, forbid_unknown_fields=True, tag="correct"):
    """What was sent turns out to be wrong."""

    reason: str
    changes: list[Json]


class Retried(Happening, frozen=True, kw_only=True, forbid_unknown_fields=True, tag="retry"):
    """The last request is sent again, because its answer got lost."""


class Closed(Happening, frozen=True, kw_only=True, forbid_unknown_fields=True, tag="close"):
    """The sitting is closed: nothing more will come."""


Event = Taken | Answered | Corrected | Retried | Closed


class Earlier(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An earlier sitting of the same person, sent whole: arm, systolic and diastolic of each reading."""

    days_before: int
    visit: Literal["first", "follow-up"]
    at: time
    readings: list[tuple[ArmName, int, int]]


class ExpectedEnd(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What must stand at the end of a visit; a reading's reason is ``counts`` where it counts."""

    state: Literal["complete", "not-usable"]
    safety: str
    reported: tuple[int, int] | None = None
    reasons: list[str]
    categories: list[str] | None = None
    provisional_because: list[str] | None = None
    findings: list[str] = []


class DemoVisit(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One invented person's visit. The name is for the screen alone: it is never sent."""

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
    """The morning that comes with the package."""
    return msgspec.toml.decode((files("quietcuff.demo") / "morning.toml").read_bytes(), type=Morning)


def last_noon(now: datetime) -> datetime:
    """The noon by which the last whole morning was over, so that no reading of it lies in the future."""
    noon = now.replace(hour=12, minute=0, second=0, microsecond=0)
    return noon if noon <= now else noon - timedelta(days=1)
