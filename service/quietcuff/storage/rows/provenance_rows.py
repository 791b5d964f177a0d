"""The versions of sets as Provenance shows them."""

from __future__ import annotations

from uuid import UUID

from sqlalchemy import Connection, bindparam, func, select

from quietcuff.storage.rows.versions import VersionRow, version_row
from quietcuff.storage.schema.sittings import reading_set, set_version
from quietcuff.storage.search.statements import of_set

OF_SETS = (
    reading_set.c.tenant_id == bindparam("tenant_id"),
    reading_set.c.set_id.in_(bindparam("set_ids", expanding=True)),
)
FIRST_MEANS = (
    select(reading_set.c.set_id, func.min(set_version.c.version))
    .join_from(reading_set, set_version, of_set(set_version))
    .where(*OF_SETS, set_version.c.changed.like("%mean%"))
    .group_by(reading_set.c.set_id)
)
ALL_VERSIONS = (
    select(*(set_version.c[name] for name in VersionRow.__struct_fields__))
    .join_from(reading_set, set_version, of_set(set_version))
    .where(*OF_SETS)
    .order_by(set_version.c.set_id, set_version.c.version)
)


def first_means(snapshot: Connection, tenant_id: int, set_ids: set[UUID]) -> dict[UUID, int]:
    """By set, the version from which on it has a mean. A mean that was taken back is still there, in error."""
    if not set_ids:
        return {}
    rows = snapshot.execute(FIRST_MEANS, {"tenant_id": tenant_id, "set_ids": sorted(set_ids)})
    return {set_id: version for set_id, version in rows}


def versions_of_sets(snapshot: Connection, tenant_id: int, set_ids: set[UUID]) -> list[VersionRow]:
    """Every version of the sets, oldest first."""
    if not set_ids:
        return []
    return [version_row(*row) for row in snapshot.execute(ALL_VERSIONS, {"tenant_id": tenant_id, "set_ids": sorted(set_ids)})]
