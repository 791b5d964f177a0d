"""Rows that changed after a moment, found by the time of their change where they are few.

Pages of all rows follow their keys, and would pass by every row that did not change. Where many changed there is little to pass
by, and to find all of them again for each page would take longer.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, FromClause, Select, Table, bindparam, func, select

from quietcuff.storage.engine.statements import Query
from quietcuff.storage.schema.base import Instant
from quietcuff.storage.schema.sittings import reading_set, subject

FEW_ROWS = 5_000


def changed_rows(table: Table) -> FromClause:
    """The rows of a table that changed after ``since``, where they are few."""
    return _changed(select(table), table)


def _changed(selected: Select[Any], table: Table) -> FromClause:
    c = table.c
    is_changed = (c.tenant_id == bindparam("tenant_id"), c.updated_at > bindparam("since", type_=Instant))
    # In the order of changes and cut, so that the index over it is used and no other.
    return selected.where(*is_changed).order_by(c.updated_at).limit(FEW_ROWS + 1).subquery("changed")


_COUNTS: Mapping[Table, Query[int]] = {
    table: Query(int, select(func.count()).select_from(_changed(select(table.c.updated_at), table)))
    for table in (reading_set, subject)
}


def few_changed(connection: Connection, table: Table, tenant_id: int, since: datetime | None) -> bool:
    """True where an answer is about changes since a moment, and there are few."""
    if since is None:
        return False
    return (_COUNTS[table].first(connection, {"tenant_id": tenant_id, "since": since}) or 0) <= FEW_ROWS
