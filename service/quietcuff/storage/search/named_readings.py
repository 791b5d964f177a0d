"""Search for readings by the identifiers that their senders gave them."""

from __future__ import annotations

from uuid import UUID

import msgspec
from sqlalchemy import Connection, func, select

from quietcuff.storage.schema.sittings import reading
from quietcuff.storage.search.texts import FirstBar

_c = reading.c


class NamedReading(msgspec.Struct, frozen=True):
    """A reading, named by its set and its place there."""

    set_id: UUID
    index: int


def find_named_readings(
    connection: Connection, tenant_id: int, pairs: frozenset[str], values: frozenset[str]
) -> list[NamedReading]:
    """The readings with these identifiers, given whole (``system|value``) or as a value in any system.

    Several people may have a reading with the same identifier.
    """
    found: set[NamedReading] = set()
    for column, wanted in ((_c.identifier, pairs), (func.substr(_c.identifier, FirstBar(_c.identifier) + 1), values)):
        if wanted:
            statement = select(_c.set_id, _c.reading_index).where(
                _c.tenant_id == tenant_id, _c.identifier.is_not(None), column.in_(sorted(wanted))
            )
            found |= {NamedReading(*row) for row in connection.execute(statement)}
    # A reading can be found both by its whole identifier and by its value; sorted, so that the same search gives the same
    # order.
    return sorted(found, key=lambda one: (one.set_id, one.index))
