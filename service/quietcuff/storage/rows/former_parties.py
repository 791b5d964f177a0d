"""Former versions of people and devices, from before they were last changed."""

from __future__ import annotations

from uuid import UUID

from sqlalchemy import Connection, bindparam, false, select

from quietcuff.storage.engine.statements import Query
from quietcuff.storage.rows.devices import DeviceRow
from quietcuff.storage.rows.subjects import SubjectRow
from quietcuff.storage.schema.sittings import device_past, subject_past

_s, _d = subject_past.c, device_past.c
SUBJECTS = Query(
    SubjectRow,
    select(
        *(_s.tenant_id, _s.subject_id, _s.system, _s.value, _s.facts),
        *(_s.version, _s.updated_at.label("created_at"), _s.updated_at),
    )
    .where(_s.tenant_id == bindparam("tenant_id"), _s.subject_id == bindparam("subject_id"))
    .order_by(_s.version),
)
DEVICES = Query(
    DeviceRow,
    select(
        *(_d.tenant_id, _d.device_id, _d.system, _d.value),
        *(false().label("registered"), _d.document, _d.version, _d.updated_at),
    )
    .where(_d.tenant_id == bindparam("tenant_id"), _d.device_id == bindparam("device_id"))
    .order_by(_d.version),
)


def subjects_before(connection: Connection, tenant_id: int, subject_id: UUID) -> list[SubjectRow]:
    """The earlier versions of a person, oldest first."""
    return SUBJECTS.all(connection, {"tenant_id": tenant_id, "subject_id": subject_id})


def devices_before(connection: Connection, tenant_id: int, device_id: UUID) -> list[DeviceRow]:
    """The earlier versions of a device, oldest first."""
    return DEVICES.all(connection, {"tenant_id": tenant_id, "device_id": device_id})
