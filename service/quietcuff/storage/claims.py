"""Claims: a key or an identifier that a stored version answers for, so that a retry is answered and not done again."""

from __future__ import annotations

from datetime import datetime, timedelta
from uuid import UUID

import msgspec
from sqlalchemy import Connection, bindparam, delete, insert, select

from quietcuff.storage.codes import CLAIM_KIND
from quietcuff.storage.sql import Command, Query
from quietcuff.storage.tables import claim

_c = claim.c
KEY_KEPT = timedelta(days=30)


class Claim(msgspec.Struct, frozen=True):
    """Which version a key or identifier stands for, and the digest of the body that made it."""

    tenant_id: int
    key_digest: bytes
    kind: int
    subject_id: UUID
    set_id: UUID
    version: int
    body_digest: bytes
    created_at: datetime


_MINE = (_c.tenant_id == bindparam("tenant_id"), _c.key_digest == bindparam("key_digest"))
FIND = Query(Claim, select(*(_c[name] for name in Claim.__struct_fields__)).where(*_MINE))
INSERT = Command(insert(claim))
DELETE = Command(delete(claim).where(*_MINE))


def find_claim(connection: Connection, tenant_id: int, key_digest: bytes, now: datetime) -> Claim | None:
    """The claim, unless it is of a key and older than keys are kept; an identifier's never ends."""
    found = FIND.first(connection, {"tenant_id": tenant_id, "key_digest": key_digest})
    return None if found is None or is_over(found, now) else found


def insert_claim(connection: Connection, new: Claim) -> None:
    """Store a claim in the place of one that is over.

    Raises:
        IntegrityError: another process made the same claim meanwhile.
    """
    if new.kind == CLAIM_KIND.number("key"):
        delete_if_over(connection, new)
    INSERT.run(connection, msgspec.structs.asdict(new))


def delete_if_over(connection: Connection, new: Claim) -> None:
    key = {"tenant_id": new.tenant_id, "key_digest": new.key_digest}
    found = FIND.first(connection, key)
    if found is not None and is_over(found, new.created_at):
        DELETE.run(connection, key)


def is_over(found: Claim, now: datetime) -> bool:
    return found.kind == CLAIM_KIND.number("key") and now - found.created_at > KEY_KEPT
