"""Delivery targets as rows. Secrets are stored in plain form, because signing and authenticating need them."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Literal
from uuid import UUID

import msgspec
from sqlalchemy import Connection, bindparam, delete, insert, select, update

from quietcuff.storage.engine.statements import Command, Query
from quietcuff.storage.schema.codes import TARGET_KIND, TARGET_STATE
from quietcuff.storage.schema.delivery import outbox, target

TargetKind = Literal["fhir", "webhook"]
TargetState = Literal["active", "paused", "disabled"]
_c = target.c


class TargetRow(msgspec.Struct, frozen=True, kw_only=True):
    """One target; ``options`` is JSON. ``secret`` keys the signatures of a webhook, or is a record's bearer token."""

    tenant_id: int
    target_id: UUID
    kind: TargetKind
    url: str
    options: bytes
    secret: bytes | None
    earlier_secret: bytes | None = None
    earlier_secret_until: datetime | None = None
    state: TargetState = "active"
    reason: str | None = None
    created_at: datetime
    updated_at: datetime

    # The default would print the URL and the secrets into logs.
    def __repr__(self) -> str:
        return f"TargetRow({self.target_id})"


def _from_columns(*columns: Any) -> TargetRow:
    values = dict(zip(TargetRow.__struct_fields__, columns, strict=True))
    values["kind"] = TARGET_KIND.word(values["kind"])
    values["state"] = TARGET_STATE.word(values["state"])
    return TargetRow(**values)


def _to_columns(row: TargetRow) -> dict[str, Any]:
    return {
        **msgspec.structs.asdict(row),
        "kind": TARGET_KIND.number(row.kind),
        "state": TARGET_STATE.number(row.state),
    }


_OF_TENANT = _c.tenant_id == bindparam("tenant_id")
_COLUMNS = [_c[name] for name in TargetRow.__struct_fields__]
_KEY = ("tenant_id", "target_id")
_ONE = select(*_COLUMNS).where(_OF_TENANT, _c.target_id == bindparam("target_id"))
FIND = Query(_from_columns, _ONE)
LOCK = Query(_from_columns, _ONE.with_for_update())
ALL = Query(_from_columns, select(*_COLUMNS).where(_OF_TENANT).order_by(_c.created_at, _c.target_id))
INSERT = Command(insert(target))
CHANGE = Command(
    update(target).where(_c.tenant_id == bindparam("of_tenant"), _c.target_id == bindparam("of_target")),
    columns=[name for name in TargetRow.__struct_fields__ if name not in (*_KEY, "kind", "created_at")],
)
DELETE = Command(delete(target).where(_OF_TENANT, _c.target_id == bindparam("target_id")))
DELETE_QUEUE = Command(
    delete(outbox).where(outbox.c.tenant_id == bindparam("tenant_id"), outbox.c.target_id == bindparam("target_id"))
)


def insert_target(connection: Connection, row: TargetRow) -> None:
    INSERT.run(connection, _to_columns(row))


def find_target(connection: Connection, tenant_id: int, target_id: UUID) -> TargetRow | None:
    return FIND.first(connection, {"tenant_id": tenant_id, "target_id": target_id})


def lock_target(connection: Connection, tenant_id: int, target_id: UUID) -> TargetRow | None:
    """A target's row, locked until the transaction ends."""
    return LOCK.first(connection, {"tenant_id": tenant_id, "target_id": target_id})


def targets_of_tenant(connection: Connection, tenant_id: int) -> list[TargetRow]:
    """Every target of a tenant, the oldest first."""
    return ALL.all(connection, {"tenant_id": tenant_id})


def change_target(connection: Connection, row: TargetRow) -> None:
    """Store a target's new state."""
    CHANGE.run(connection, {**_to_columns(row), "of_tenant": row.tenant_id, "of_target": row.target_id})


def delete_target(connection: Connection, tenant_id: int, target_id: UUID) -> None:
    """Remove a target and all entries that were still to be sent to it."""
    key = {"tenant_id": tenant_id, "target_id": target_id}
    DELETE.run(connection, key)
    DELETE_QUEUE.run(connection, key)
