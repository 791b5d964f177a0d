"""Tenants, the owners of all data. Each has its own secret, which every derived id and keyed digest needs."""

from __future__ import annotations

import secrets
from datetime import datetime
from zoneinfo import ZoneInfo

import msgspec
from sqlalchemy import Connection, bindparam, exists, insert, select, update

from quietcuff.core.model.history import ReferencePrior
from quietcuff.storage.engine.statements import Command, Query
from quietcuff.storage.schema.delivery import target
from quietcuff.storage.schema.tenants import tenant

SECRET_BYTES = 32


class TenantSettings(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """The settings of a tenant.

    They give the time zone of plain days, the guidelines where a caller names none, and a prior of its own for the pressures of
    its people, or none. ``authorities`` maps the names that HL7 v2 senders use to systems of identifiers. Data measured more
    than ``keep_years`` ago is deleted; without it nothing ever is.
    """

    time_zone: str = "UTC"
    default_guidelines: list[str] | None = None
    prior: ReferencePrior | None = None
    without_prior: bool = False
    authorities: dict[str, str] = {}
    keep_years: int | None = None


class Tenant(msgspec.Struct, frozen=True):
    """One tenant. ``has_targets`` is true where results are to be sent on."""

    tenant_id: int
    name: str
    secret: bytes
    settings: TenantSettings
    has_targets: bool = False

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.settings.time_zone)


def _tenant_row(tenant_id: int, name: str, secret: bytes, settings: bytes, has_targets: bool) -> Tenant:
    return Tenant(tenant_id, name, secret, msgspec.json.decode(settings, type=TenantSettings), bool(has_targets))


_HAS_TARGETS = exists().where(target.c.tenant_id == tenant.c.tenant_id).label("has_targets")
_COLUMNS = (tenant.c.tenant_id, tenant.c.name, tenant.c.secret, tenant.c.settings, _HAS_TARGETS)
BY_ID = Query(_tenant_row, select(*_COLUMNS).where(tenant.c.tenant_id == bindparam("tenant_id")))
BY_NAME = Query(_tenant_row, select(*_COLUMNS).where(tenant.c.name == bindparam("name")))
ALL_IDS = Query(int, select(tenant.c.tenant_id).order_by(tenant.c.tenant_id))
INSERT = Command(insert(tenant), columns=("name", "secret", "settings", "created_at"))

SAVE_SETTINGS = Command(
    update(tenant).where(tenant.c.tenant_id == bindparam("of_tenant")).values(settings=bindparam("new_settings"))
)


def find_or_create_tenant(connection: Connection, name: str, now: datetime) -> Tenant:
    """The tenant of that name, created where there is none."""
    found = find_tenant(connection, name)
    if found is not None:
        return found
    values = {"name": name, "secret": secrets.token_bytes(SECRET_BYTES), "settings": b"{}", "created_at": now}
    INSERT.run(connection, values)
    return find_or_create_tenant(connection, name, now)


def find_tenant(connection: Connection, name: str) -> Tenant | None:
    return BY_NAME.first(connection, {"name": name})


def find_tenant_by_id(connection: Connection, tenant_id: int) -> Tenant | None:
    return BY_ID.first(connection, {"tenant_id": tenant_id})


def save_settings(connection: Connection, tenant_id: int, settings: TenantSettings) -> None:
    """Store a tenant's settings. Other processes notice within five seconds."""
    SAVE_SETTINGS.run(connection, {"of_tenant": tenant_id, "new_settings": msgspec.json.encode(settings)})


def all_tenant_ids(connection: Connection) -> list[int]:
    return ALL_IDS.all(connection, {})
