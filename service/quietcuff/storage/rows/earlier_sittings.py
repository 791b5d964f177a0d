"""The summaries of a person's earlier sets, which later sittings are evaluated with."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Select, bindparam, column, select, true

from quietcuff.storage.engine.ahead import Key, KeyedQuery
from quietcuff.storage.engine.ids import NOBODY
from quietcuff.storage.engine.statements import single
from quietcuff.storage.schema.base import Instant
from quietcuff.storage.schema.sittings import reading_set

_c = reading_set.c
# A bound, so that a person with thousands of sittings does not make each new one slower.
EARLIER_SETS = 60


class EarlierSittings(KeyedQuery[bytes]):
    """The summaries of the newest sets of a person that were taken before a moment, newest first."""

    def __init__(self) -> None:
        summaries = select(_c.sitting).where(_c.tenant_id == bindparam("tenant_id"), _c.sitting.is_not(None))
        key = (_c.subject_id, column("taken_before", Instant()))
        newest_first = (_c.taken_from.desc(), _c.set_id.desc())
        super().__init__(single, summaries, key, lambda clause: clause.order_by(*newest_first).limit(EARLIER_SETS))

    def clause_of_one(self) -> Select[Any]:
        is_wanted = (_c.subject_id == bindparam("subject_id"), _c.taken_from < bindparam("taken_before"))
        return self._ending(self._bare.where(*is_wanted, _c.set_id != bindparam("set_id")))

    def clause_of_many(self, size: int) -> Select[Any]:
        wanted = self.wanted(size)
        # Each person's newest sets alone are read, however long their record is.
        of_person = self._bare.where(_c.subject_id == wanted.c.subject_id, _c.taken_from < wanted.c.taken_before)
        earlier = self._ending(of_person.add_columns(_c.taken_from, _c.set_id)).lateral("earlier")
        return (
            select(earlier.c.sitting, *wanted.c)
            .select_from(wanted.join(earlier, true()))
            .order_by(earlier.c.taken_from.desc(), earlier.c.set_id.desc())
        )

    def read_ahead(self, connection: Connection, tenant_id: int, keys: Collection[Key]) -> dict[Key, list[bytes]]:
        if connection.dialect.name == "postgresql":
            return super().read_ahead(connection, tenant_id, keys)
        # SQLite has no lateral join, and asking it once more costs next to nothing. A new set has no row that is left out.
        names = ("subject_id", "taken_before")
        asked = [dict(zip(names, key, strict=True)) | {"tenant_id": tenant_id, "set_id": NOBODY} for key in keys]
        found = {key: self.all(connection, one) for key, one in zip(keys, asked, strict=True)}
        self.hold(connection, tenant_id, found)
        return found


EARLIER = EarlierSittings()


def earlier_sittings(
    connection: Connection, tenant_id: int, subject_id: UUID, *, taken_before: datetime, other_than: UUID
) -> list[bytes]:
    """The summaries of a person's newest closed sets that were taken before a moment, newest first."""
    key = {"tenant_id": tenant_id, "subject_id": subject_id, "set_id": other_than, "taken_before": taken_before}
    return EARLIER.all(connection, key)
