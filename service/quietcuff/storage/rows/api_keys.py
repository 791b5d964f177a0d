"""API keys as rows, and the number of requests of each key in a minute.

Only the digest of a key's secret is stored, with a prefix to find it by. A token given to a client is a key that lives for
minutes and names its client. Requests are counted together by all processes that share a database.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import Connection, bindparam, case, delete, insert, select, update

from quietcuff.storage.engine.statements import Command, Query, insert_into, single
from quietcuff.storage.schema.tenants import api_key, key_use

_key = api_key.c


class KeyRow(msgspec.Struct, frozen=True):
    """One key, without its secret. ``client_id`` is set where it is a client's token."""

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
    client_id: UUID | None = None


_COLUMNS = tuple(_key[name] for name in KeyRow.__struct_fields__)
INSERT = Command(insert(api_key))
BY_PREFIX = Query(KeyRow, select(*_COLUMNS).where(_key.prefix == bindparam("prefix")))
OF_TENANT = Query(
    KeyRow,
    select(*_COLUMNS)
    .where(_key.tenant_id == bindparam("tenant_id"), _key.client_id.is_(None))
    .order_by(_key.created_at, _key.prefix),
)
REVOKE = Command(
    update(api_key).where(_key.prefix == bindparam("key_prefix"), _key.revoked_at.is_(None)).values(revoked_at=bindparam("at"))
)
REVOKE_TOKENS = Command(
    update(api_key)
    .where(_key.client_id == bindparam("of_client"), _key.revoked_at.is_(None))
    .values(revoked_at=bindparam("at"))
)
DELETE_OLD_TOKENS = Command(delete(api_key).where(_key.client_id.is_not(None), _key.expires_at < bindparam("before")))
TOUCH = Command(update(api_key).where(_key.key_id == bindparam("id")).values(last_used_at=bindparam("at")))


def insert_key(connection: Connection, row: KeyRow) -> None:
    INSERT.run(connection, msgspec.structs.asdict(row))


def find_key(connection: Connection, prefix: str) -> KeyRow | None:
    """The key with this prefix, even a revoked or expired one: the store does not judge it."""
    return BY_PREFIX.first(connection, {"prefix": prefix})


def keys_of_tenant(connection: Connection, tenant_id: int) -> list[KeyRow]:
    """The keys that people made for a tenant, without the tokens of clients."""
    return OF_TENANT.all(connection, {"tenant_id": tenant_id})


def revoke_key(connection: Connection, prefix: str, at: datetime) -> bool:
    """Revoke a key; False where no key has this prefix, or it was revoked before."""
    return REVOKE.run(connection, {"key_prefix": prefix, "at": at}) == 1


def revoke_tokens(connection: Connection, client_id: UUID, at: datetime) -> None:
    """Revoke every token of a client."""
    REVOKE_TOKENS.run(connection, {"of_client": client_id, "at": at})


def delete_old_tokens(connection: Connection, before: datetime) -> None:
    """Delete tokens that expired before a moment."""
    DELETE_OLD_TOKENS.run(connection, {"before": before})


def touch_key(connection: Connection, key_id: UUID, at: datetime) -> None:
    """Store the time at which a key was last used."""
    TOUCH.run(connection, {"id": key_id, "at": at})


_c = key_use.c


def _take(dialect: str) -> Any:
    statement = insert_into(key_use, dialect)
    new = statement.excluded
    is_same = _c.minute == new.minute
    # Counted inside the statement, because several processes count the same key at once.
    values = {"minute": new.minute, "taken": case((is_same, _c.taken + new.taken), else_=new.taken)}
    return statement.on_conflict_do_update(index_elements=[_c.key_digest], set_=values).returning(_c.taken)


TAKE = Query(single, _take)
DELETE_OLD = Command(delete(key_use).where(_c.minute < bindparam("before")))


def take_uses(connection: Connection, key_digest: bytes, minute: int, count: int) -> int:
    """Take a number of requests of a minute; the total taken by now, including these."""
    taken = TAKE.first(connection, {"key_digest": key_digest, "minute": minute, "taken": count})
    return count if taken is None else int(taken)


def delete_old_uses(connection: Connection, before_minute: int) -> None:
    """Delete the counts of earlier minutes."""
    DELETE_OLD.run(connection, {"before": before_minute})
