"""Groups as rows, and the conditions on their members.

The members of an export are everybody, some people by id, or the people of a group that is a stored query.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import ColumnElement, Connection, bindparam, delete, func, insert, literal, select, update

from quietcuff.storage.engine.statements import Command, Query, insert_into
from quietcuff.storage.schema.base import Id, Instant
from quietcuff.storage.schema.bulk import group_former, patient_group
from quietcuff.storage.schema.codes import SET_STATUS, SETTING
from quietcuff.storage.schema.sittings import reading_set, subject

Condition = ColumnElement[bool]


class SittingFilter(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A filter on sittings: a person must have had at least one that fits.

    It may ask for sittings taken in ``[since, until)``, at a place, by a protocol or in a setting. Voided sittings do not
    count. ``location`` is ``system|value``.
    """

    since: datetime | None = None
    until: datetime | None = None
    location: str | None = None
    protocol: str | None = None
    setting: str | None = None


class Members(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A choice of people: by id, by a sitting that fits a filter, or by both. Without either it is everybody."""

    subject_ids: frozenset[UUID] | None = None
    sittings: SittingFilter | None = None
    # The id of the stored group, whose former members are known.
    group_id: UUID | None = None

    @property
    def is_everybody(self) -> bool:
        return self.subject_ids is None and self.sittings is None


def members_conditions(members: Members, subject_id: ColumnElement[Any], *, even_voided: bool = False) -> list[Condition]:
    """The conditions that make a person's id one of the members; ``members_values`` has their values."""
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
                *sittings_conditions(members.sittings, table.c, even_voided=even_voided),
            )
            .exists()
        )
    return found


def sittings_conditions(sittings: SittingFilter, columns: Any, *, even_voided: bool = False) -> list[Condition]:
    """The conditions on a sitting."""
    found: list[Condition] = [] if even_voided else [columns.status == SET_STATUS.number("active")]
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
    """The values of the conditions, and no others."""
    values: dict[str, Any] = {}
    if members.subject_ids is not None:
        values["member_ids"] = sorted(members.subject_ids)
    if members.sittings is not None:
        said = msgspec.structs.asdict(members.sittings)
        if said["setting"] is not None:
            said["setting"] = SETTING.number(said["setting"])
        values |= {f"sittings_{name}": value for name, value in said.items() if value is not None}
    return values


_c = patient_group.c


class GroupRow(msgspec.Struct, frozen=True):
    """One group; ``filter`` is JSON."""

    tenant_id: int
    group_id: UUID
    name: str
    filter: bytes
    created_by: str
    created_at: datetime


_ALL = select(*(_c[name] for name in GroupRow.__struct_fields__)).where(_c.tenant_id == bindparam("tenant_id"))
FIND = Query(GroupRow, _ALL.where(_c.group_id == bindparam("group_id")))
LIST = Query(GroupRow, _ALL.order_by(_c.name, _c.group_id))
COUNT: Query[int] = Query(int, select(func.count()).where(_c.tenant_id == bindparam("tenant_id")))
INSERT = Command(insert(patient_group))
CHANGE = Command(
    update(patient_group)
    .where(_c.tenant_id == bindparam("of_tenant"), _c.group_id == bindparam("of_group"))
    .values(filter=bindparam("new_filter"))
)
DELETE = Command(delete(patient_group).where(_c.tenant_id == bindparam("tenant_id"), _c.group_id == bindparam("group_id")))


SAVE_FORMER = Command(lambda dialect: insert_into(group_former, dialect).on_conflict_do_nothing())
DELETE_FORMER = Command(
    delete(group_former).where(
        group_former.c.tenant_id == bindparam("tenant_id"), group_former.c.group_id == bindparam("group_id")
    )
)


def insert_group(connection: Connection, row: GroupRow) -> None:
    INSERT.run(connection, msgspec.structs.asdict(row))


def find_group(connection: Connection, tenant_id: int, group_id: UUID) -> GroupRow | None:
    return FIND.first(connection, {"tenant_id": tenant_id, "group_id": group_id})


def list_groups(connection: Connection, tenant_id: int) -> list[GroupRow]:
    """Every group, by name."""
    return LIST.all(connection, {"tenant_id": tenant_id})


def count_groups(connection: Connection, tenant_id: int) -> int:
    return COUNT.first(connection, {"tenant_id": tenant_id}) or 0


def delete_group(connection: Connection, tenant_id: int, group_id: UUID) -> bool:
    """Delete a group; False where there is none."""
    key = {"tenant_id": tenant_id, "group_id": group_id}
    DELETE_FORMER.run(connection, key)
    return DELETE.run(connection, key) == 1


def change_group(connection: Connection, tenant_id: int, group_id: UUID, filter: bytes) -> None:
    """Store another filter for a group."""
    CHANGE.run(connection, {"of_tenant": tenant_id, "of_group": group_id, "new_filter": filter})


def is_member(connection: Connection, tenant_id: int, members: Members, subject_id: UUID) -> bool:
    """True where a person belongs to the group now, or did by a sitting that was voided since."""
    conditions = members_conditions(members, bindparam("person", type_=Id), even_voided=True)
    values = {"tenant_id": tenant_id, "person": subject_id, **members_values(members)}
    return connection.execute(select(literal(1)).where(*conditions), values).first() is not None


def save_former(connection: Connection, tenant_id: int, group_id: UUID, subject_id: UUID) -> None:
    """Remember that a person was a member, for clients that hold a copy of the group's data."""
    SAVE_FORMER.run(connection, {"tenant_id": tenant_id, "group_id": group_id, "subject_id": subject_id})


def count_members(connection: Connection, tenant_id: int, members: Members) -> int:
    """The number of people who belong to the group now."""
    statement = select(func.count()).where(
        subject.c.tenant_id == bindparam("tenant_id"), *members_conditions(members, subject.c.subject_id)
    )
    return int(connection.execute(statement, {"tenant_id": tenant_id, **members_values(members)}).scalar_one())
