"""Claims: keys and identifiers that stand for a stored version, so that a retry gets its answer again."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import Connection, bindparam, select, update

from quietcuff.storage.engine.read_ahead import KeyedQuery
from quietcuff.storage.engine.statements import Command, Insert, insert_into
from quietcuff.storage.engine.transactions import RunAgain
from quietcuff.storage.schema.base import Instant
from quietcuff.storage.schema.codes import CLAIM_KIND
from quietcuff.storage.schema.sittings import claim

_c = claim.c
KEY = CLAIM_KIND.number("key")
KEY_KEPT = timedelta(days=30)


class Claim(msgspec.Struct, frozen=True):
    """A claim: the version that a key or identifier stands for, and the digest of the body that made it."""

    tenant_id: int
    key_digest: bytes
    kind: int
    subject_id: UUID
    set_id: UUID
    version: int
    body_digest: bytes
    created_at: datetime


def _insert_or_replace(dialect: str) -> Any:
    statement = insert_into(claim, dialect)
    values = {column.name: statement.excluded[column.name] for column in claim.c if not column.primary_key}
    over = (_c.kind == KEY) & (_c.created_at < bindparam("over_before", type_=Instant()))
    # An expired key may be used again; a claim that still holds is left alone, and no row is touched.
    return statement.on_conflict_do_update(index_elements=list(claim.primary_key), set_=values, where=over)


FIND = KeyedQuery(
    Claim,
    select(*(_c[name] for name in Claim.__struct_fields__)).where(_c.tenant_id == bindparam("tenant_id")),
    [_c.key_digest],
)
INSERT_KEY = Command(_insert_or_replace)
INSERT_NEW = Insert(claim)
PASS_ON = Command(
    update(claim).where(_c.tenant_id == bindparam("of_tenant"), _c.key_digest == bindparam("of_digest")),
    columns=("set_id", "version", "body_digest"),
)


def find_claim(connection: Connection, tenant_id: int, key_digest: bytes, now: datetime) -> Claim | None:
    """The claim, unless it is an expired key. Claims of identifiers never expire."""
    found = FIND.first(connection, {"tenant_id": tenant_id, "key_digest": key_digest})
    return None if found is None or is_over(found, now) else found


def insert_claim(connection: Connection, new: Claim) -> None:
    """Store a claim.

    A key takes the place of an expired one at once; what has no expired one is written with the group: an identifier, which
    never expires, and a key that was looked for ahead.

    Raises:
        RunAgain: another process made the same claim of a key meanwhile. Of what is written with the group the database tells
            it then; either way the work is done again, and finds that claim.
    """
    if new.kind != KEY or is_known_missing(connection, new):
        INSERT_NEW.add(connection, [msgspec.structs.astuple(new)])
    elif INSERT_KEY.run(connection, {**msgspec.structs.asdict(new), "over_before": new.created_at - KEY_KEPT}) == 0:
        raise RunAgain


def is_known_missing(connection: Connection, new: Claim) -> bool:
    """True where the same claim was looked for ahead and not found."""
    return FIND.is_missing(connection, {"tenant_id": new.tenant_id, "key_digest": new.key_digest})


def pass_on_claim(connection: Connection, new: Claim) -> bool:
    """Make an identifier stand for another version; False where it stands for none yet."""
    if is_known_missing(connection, new):
        return False
    values = {"set_id": new.set_id, "version": new.version, "body_digest": new.body_digest}
    return PASS_ON.run(connection, {**values, "of_tenant": new.tenant_id, "of_digest": new.key_digest}) == 1


def is_over(found: Claim, now: datetime) -> bool:
    return found.kind == KEY and found.created_at < now - KEY_KEPT
