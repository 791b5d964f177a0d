"""Whose data is exported: everybody's, that of some people, or that of a group that is a stored query."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import Column, ColumnElement, bindparam, select

from quietcuff.storage.schema.codes import SET_STATUS, SETTING
from quietcuff.storage.schema.column_types import Id, Instant
from quietcuff.storage.schema.sittings import reading_set

Condition = ColumnElement[bool]


class Sittings(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Sittings, one of which a person must have had: taken in ``[since, until)``, at a place, by a protocol, in a setting.

    What was voided does not count. ``location`` is ``system|value``.
    """

    since: datetime | None = None
    until: datetime | None = None
    location: str | None = None
    protocol: str | None = None
    setting: str | None = None


class Members(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """People: those named, or those with such a sitting, or both at once; everybody where nothing is said."""

    subject_ids: frozenset[UUID] | None = None
    sittings: Sittings | None = None

    @property
    def is_everybody(self) -> bool:
        return self.subject_ids is None and self.sittings is None


def members_conditions(members: Members, subject_id: Column[Any]) -> list[Condition]:
    """What the id of a person must satisfy to be one of them; the values are those of ``members_values``."""
    found: list[Condition] = []
    if members.subject_ids is not None:
        found.append(subject_id.in_(bindparam("member_ids", expanding=True, type_=Id)))
    if members.sittings is not None:
        table = reading_set.alias("sitting")
        found.append(
            select(table.c.set_id)
            .where(
                table.c.tenant_id == bindparam("tenant_id"),
                table.c.subject_id == subject_id,
                *sittings_conditions(members.sittings, table.c),
            )
            .exists()
        )
    return found


def sittings_conditions(sittings: Sittings, columns: Any) -> list[Condition]:
    """What a sitting must satisfy."""
    found: list[Condition] = [columns.status == SET_STATUS.number("active")]
    if sittings.since is not None:
        found.append(columns.taken_from >= bindparam("sittings_since", type_=Instant))
    if sittings.until is not None:
        found.append(columns.taken_from < bindparam("sittings_until", type_=Instant))
    if sittings.location is not None:
        found.append(columns.location == bindparam("sittings_location"))
    if sittings.protocol is not None:
        found.append(columns.protocol == bindparam("sittings_protocol"))
    if sittings.setting is not None:
        found.append(columns.setting == bindparam("sittings_setting"))
    return found


def members_values(members: Members) -> dict[str, Any]:
    """The values that the conditions take; none that they do not."""
    values: dict[str, Any] = {}
    if members.subject_ids is not None:
        values["member_ids"] = sorted(members.subject_ids)
    if members.sittings is not None:
        said = msgspec.structs.asdict(members.sittings)
        if said["setting"] is not None:
            said["setting"] = SETTING.number(said["setting"])
        values |= {f"sittings_{name}": value for name, value in said.items() if value is not None}
    return values
