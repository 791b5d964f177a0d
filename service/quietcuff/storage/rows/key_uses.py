"""How often each key has asked in a minute, counted by all processes that share a database."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, bindparam, case, delete

from quietcuff.storage.engine.statements import Command, Query, insert_into, single
from quietcuff.storage.schema.sittings import key_use

_c = key_use.c


def _take(dialect: str) -> Any:
    statement = insert_into(key_use, dialect)
    new = statement.excluded
    is_same = _c.minute == new.minute
    values = {"minute": new.minute, "taken": case((is_same, _c.taken + new.taken), else_=new.taken)}
    return statement.on_conflict_do_update(index_elements=[_c.key_digest], set_=values).returning(_c.taken)


TAKE = Query(single, _take)
DELETE_OLD = Command(delete(key_use).where(_c.minute < bindparam("before")))


def take_uses(connection: Connection, key_digest: bytes, minute: int, count: int) -> int:
    """Take so many requests of a minute; how many are taken then, these among them."""
    taken = TAKE.first(connection, {"key_digest": key_digest, "minute": minute, "taken": count})
    return count if taken is None else int(taken)


def delete_old_uses(connection: Connection, before_minute: int) -> None:
    """Forget what was counted before a minute."""
    DELETE_OLD.run(connection, {"before": before_minute})
