"""The plan of an export, as it is kept with its job, and its progress."""

from __future__ import annotations

from datetime import datetime
from typing import Literal
from uuid import UUID

import msgspec

from quietcuff.storage.bulk.groups import Members

# The order in which files are made: first what can change under the export, for that is read soonest after its moment.
EXPORTED_TYPES = ("Patient", "Device", "Observation", "Provenance")
Step = Literal["Patient", "Device", "sittings", "deleted sittings", "deleted people", "end"]
Pairs = tuple[tuple[str, str], ...]


class TypeFilter(msgspec.Struct, frozen=True):
    """A filter of one type: the resources that a search with these parameters finds."""

    type: str
    parameters: Pairs


class ExportPlan(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """The plan of an export: types, people, elements, and the span of changes after ``since`` and before ``until``.

    ``request`` is the address of the kick-off as it was sent. Of the filters of one type, one must hold; where there are
    none, all of the type is exported. ``notes`` go into the file of errors.
    """

    request: str
    types: tuple[str, ...]
    members: Members = Members()
    since: datetime | None = None
    until: datetime | None = None
    filters: tuple[TypeFilter, ...] = ()
    elements: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def filters_of(self, resource_type: str) -> list[Pairs]:
        return [one.parameters for one in self.filters if one.type == resource_type]


class Progress(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """The step of an export, and the last key of the last stored page: ids, or a moment and an id."""

    step: Step = "Patient"
    subject_id: UUID | None = None
    set_id: UUID | None = None
    device_id: UUID | None = None
    deleted_at: datetime | None = None
    resources: int = 0

    @property
    def percent(self) -> int:
        """Progress from 0 to 100, by the person's id: ids are spread evenly, and sittings are most of the work."""
        if self.step in ("Patient", "Device"):
            return 0
        if self.step != "sittings":
            return 100
        return ((self.subject_id or UUID(int=0)).int * 100) >> 128


def words(progress: Progress) -> str:
    """The text of X-Progress, well under a hundred characters."""
    return f"{progress.percent}% done, {progress.resources} resources"
