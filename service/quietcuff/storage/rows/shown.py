"""The documents behind what FHIR shows of several sets at once, as they were answered."""

from __future__ import annotations

from uuid import UUID

import msgspec
from sqlalchemy import bindparam, select

from quietcuff.storage.schema.sittings import reading_set, set_version
from quietcuff.storage.search.observations import Snapshot
from quietcuff.storage.search.statements import of_set


class VersionShown(msgspec.Struct, frozen=True):
    """One version of a set."""

    version: int
    document: bytes
    evaluation: bytes


class VersionsShown(msgspec.Struct, frozen=True, kw_only=True):
    """What a set shows: its newest version, and the version that its mean shows."""

    newest: VersionShown
    mean: VersionShown | None


SHOWN = (
    select(
        reading_set.c.set_id,
        reading_set.c.version,
        reading_set.c.mean_from_version,
        set_version.c.version,
        set_version.c.document,
        set_version.c.evaluation,
    )
    .select_from(reading_set)
    .join(set_version, of_set(set_version))
    .where(
        reading_set.c.tenant_id == bindparam("tenant_id"),
        reading_set.c.set_id.in_(bindparam("set_ids", expanding=True)),
        set_version.c.version.in_([reading_set.c.version, reading_set.c.mean_from_version]),
    )
)


def read_versions_shown(snapshot: Snapshot, tenant_id: int, set_ids: set[str]) -> dict[str, VersionsShown]:
    """What the sets show, by set id."""
    if not set_ids:
        return {}
    newest: dict[str, VersionShown] = {}
    means: dict[str, VersionShown] = {}
    values = {"tenant_id": tenant_id, "set_ids": [UUID(set_id) for set_id in sorted(set_ids)]}
    for set_id, newest_version, mean_version, *columns in snapshot.execute(SHOWN, values):
        shown = VersionShown(*columns)
        if shown.version == newest_version:
            newest[str(set_id)] = shown
        if shown.version == mean_version:
            means[str(set_id)] = shown
    return {set_id: VersionsShown(newest=shown, mean=means.get(set_id)) for set_id, shown in newest.items()}
