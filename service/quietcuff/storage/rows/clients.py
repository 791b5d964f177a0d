"""Clients of backend authorization as rows, and the assertions that each has used."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import Connection, bindparam, delete, insert, select, update

from quietcuff.storage.engine.statements import Command, Query, insert_into
from quietcuff.storage.schema.tenants import assertion_use, client

_c = client.c


class ClientRow(msgspec.Struct, frozen=True):
    """One client. ``key_set`` is JSON; where it is None, the key set is fetched from ``key_set_url``."""

    client_id: UUID
    tenant_id: int
    name: str
    scopes: str
    key_set: bytes | None
    key_set_url: str | None
    created_at: datetime
    revoked_at: datetime | None = None


def _insert_once(dialect: str) -> Any:
    # The unique key decides which of two processes used an assertion first; a look before the insert could not.
    return insert_into(assertion_use, dialect).on_conflict_do_nothing()


_COLUMNS = tuple(_c[name] for name in ClientRow.__struct_fields__)
INSERT = Command(insert(client))
BY_ID = Query(ClientRow, select(*_COLUMNS).where(_c.client_id == bindparam("client_id")))
OF_TENANT = Query(
    ClientRow, select(*_COLUMNS).where(_c.tenant_id == bindparam("tenant_id")).order_by(_c.created_at, _c.client_id)
)
SET_KEYS = Command(
    update(client)
    .where(_c.client_id == bindparam("id"), _c.revoked_at.is_(None))
    .values(key_set=bindparam("set"), key_set_url=bindparam("url"))
)
REVOKE = Command(
    update(client).where(_c.client_id == bindparam("id"), _c.revoked_at.is_(None)).values(revoked_at=bindparam("at"))
)
USE = Command(_insert_once)
DELETE_OLD_USES = Command(delete(assertion_use).where(assertion_use.c.expires_at < bindparam("before")))


def insert_client(connection: Connection, row: ClientRow) -> None:
    INSERT.run(connection, msgspec.structs.asdict(row))


def find_client(connection: Connection, client_id: UUID) -> ClientRow | None:
    """The client with this id, even a revoked one: the store does not judge it."""
    return BY_ID.first(connection, {"client_id": client_id})


def clients_of_tenant(connection: Connection, tenant_id: int) -> list[ClientRow]:
    return OF_TENANT.all(connection, {"tenant_id": tenant_id})


def set_client_keys(connection: Connection, client_id: UUID, key_set: bytes | None, url: str | None) -> bool:
    """Replace a client's keys; False where no client with this id is active."""
    return SET_KEYS.run(connection, {"id": client_id, "set": key_set, "url": url}) == 1


def revoke_client(connection: Connection, client_id: UUID, at: datetime) -> bool:
    """Revoke a client; False where no client with this id is active."""
    return REVOKE.run(connection, {"id": client_id, "at": at}) == 1


def use_assertion(connection: Connection, client_id: UUID, assertion_digest: bytes, expires_at: datetime) -> bool:
    """Note that an assertion was used; False where it had been used before."""
    values = {"client_id": client_id, "assertion_digest": assertion_digest, "expires_at": expires_at}
    return USE.run(connection, values) == 1


def delete_old_uses(connection: Connection, before: datetime) -> None:
    """Forget assertions that expired before a moment: they would be refused as expired."""
    DELETE_OLD_USES.run(connection, {"before": before})
