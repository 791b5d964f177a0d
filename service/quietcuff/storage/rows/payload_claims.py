"""Keys under which payloads were sent, with their answers, so that a retry gets its answer again."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import Connection, bindparam, delete, select

from quietcuff.storage.engine.statements import Command, Query, insert_into
from quietcuff.storage.engine.transactions import RunAgain
from quietcuff.storage.rows.claims import KEY_KEPT
from quietcuff.storage.schema.base import Instant
from quietcuff.storage.schema.payloads import payload_claim

_c = payload_claim.c


class PayloadClaim(msgspec.Struct, frozen=True):
    """The claim of a key: the digest of the body sent with it, the payload, and the answer."""

    tenant_id: int
    key_digest: bytes
    body_digest: bytes
    payload_id: UUID
    outcome: bytes
    created_at: datetime


def _insert_or_replace(dialect: str) -> Any:
    statement = insert_into(payload_claim, dialect)
    values = {column.name: statement.excluded[column.name] for column in _c if not column.primary_key}
    over = _c.created_at < bindparam("over_before", type_=Instant())
    return statement.on_conflict_do_update(index_elements=list(payload_claim.primary_key), set_=values, where=over)


FIND = Query(
    PayloadClaim,
    select(*(_c[name] for name in PayloadClaim.__struct_fields__)).where(
        _c.tenant_id == bindparam("tenant_id"), _c.key_digest == bindparam("key_digest")
    ),
)
INSERT = Command(_insert_or_replace)
DELETE = Command(delete(payload_claim).where(_c.tenant_id == bindparam("tenant_id"), _c.payload_id == bindparam("payload_id")))


def find_payload_claim(connection: Connection, tenant_id: int, key_digest: bytes, now: datetime) -> PayloadClaim | None:
    """The claim of a key, unless it has expired."""
    found = FIND.first(connection, {"tenant_id": tenant_id, "key_digest": key_digest})
    return None if found is None or found.created_at < now - KEY_KEPT else found


def insert_payload_claim(connection: Connection, new: PayloadClaim) -> None:
    """Make a key stand for a payload.

    Raises:
        RunAgain: another process used the key meanwhile.
    """
    if INSERT.run(connection, {**msgspec.structs.asdict(new), "over_before": new.created_at - KEY_KEPT}) == 0:
        raise RunAgain


def delete_payload_claims(connection: Connection, tenant_id: int, payload_id: UUID) -> None:
    """Delete the keys under which a payload was sent."""
    DELETE.run(connection, {"tenant_id": tenant_id, "payload_id": payload_id})
