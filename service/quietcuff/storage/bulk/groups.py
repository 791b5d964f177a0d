"""Groups as rows, and who belongs to one."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

import msgspec
from sqlalchemy import Connection, bindparam, delete, func, insert, select, update

from quietcuff.storage.bulk.members import Members, members_conditions, members_values
from quietcuff.storage.engine.statements import Command, Query
from quietcuff.storage.schema.bulk import patient_group
from quietcuff.storage.schema.sittings import subject

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
    """Forget a group; False where there is none."""
    return DELETE.run(connection, {"tenant_id": tenant_id, "group_id": group_id}) == 1


def change_group(connection: Connection, tenant_id: int, group_id: UUID, filter: bytes) -> None:
    """Store another filter of a group."""
    CHANGE.run(connection, {"of_tenant": tenant_id, "of_group": group_id, "new_filter": filter})


def count_members(connection: Connection, tenant_id: int, members: Members) -> int:
    """How many people belong to it now."""
    statement = select(func.count()).where(
        subject.c.tenant_id == bindparam("tenant_id"), *members_conditions(members, subject.c.subject_id)
    )
    return int(connection.execute(statement, {"tenant_id": tenant_id, **members_values(members)}).scalar_one())
