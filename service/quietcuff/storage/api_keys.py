"""API keys as rows: only the digest of a key's secret is kept, and its prefix to find it by."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

import msgspec
from sqlalchemy import Connection, bindparam, insert, select, update

from quietcuff.storage.sql import Command, Query
from quietcuff.storage.tables import api_key

_key = api_key.c


class KeyRow(msgspec.Struct, frozen=True):
    """One key, without its secret."""

    key_id: UUID
    prefix: str
    tenant_id: int
    secret_hash: bytes
    name: str
    scopes: str
    created_at: datetime
    expires_at: datetime | None = None
    revoked_at: datetime | None = None
    last_used_at: datetime | None = None


_COLUMNS = tuple(_key[name] for name in KeyRow.__struct_fields__)
INSERT = Command(insert(api_key))
BY_PREFIX = Query(KeyRow, select(*_COLUMNS).where(_key.prefix == bindparam("prefix")))
OF_TENANT = Query(
    KeyRow, select(*_COLUMNS).where(_key.tenant_id == bindparam("tenant_id")).order_by(_key.created_at, _key.prefix)
)
REVOKE = Command(
    update(api_key).where(_key.prefix == bindparam("key_prefix"), _key.revoked_at.is_(None)).values(revoked_at=bindparam("at"))
)
TOUCH = Command(update(api_key).where(_key.key_id == bindparam("id")).values(last_used_at=bindparam("at")))


def insert_key(connection: Connection, row: KeyRow) -> None:
    INSERT.run(connection, msgspec.structs.asdict(row))


def find_key(connection: Connection, prefix: str) -> KeyRow | None:
    """The key of that prefix, revoked or expired ones too: judging them is not the store's."""
    return BY_PREFIX.first(connection, {"prefix": prefix})


def keys_of_tenant(connection: Connection, tenant_id: int) -> list[KeyRow]:
    return OF_TENANT.all(connection, {"tenant_id": tenant_id})


def revoke_key(connection: Connection, prefix: str, at: datetime) -> bool:
    """Revoke a key; False where there is none of that prefix, or it was revoked before."""
    return REVOKE.run(connection, {"key_prefix": prefix, "at": at}) == 1


def touch_key(connection: Connection, key_id: UUID, at: datetime) -> None:
    """Note when a key was last used."""
    TOUCH.run(connection, {"id": key_id, "at": at})
