"""The documents behind what FHIR shows of several sets at once, as they were answered."""

from __future__ import annotations

from uuid import UUID

import msgspec
from sqlalchemy import and_, select, tuple_

from quietcuff.storage.column_types import Id
from quietcuff.storage.search import Snapshot
from quietcuff.storage.tables import reading_set, set_version


class VersionShown(msgspec.Struct, frozen=True):
    """One version of a set."""

    version: int
    document: bytes
    evaluation: bytes


class VersionsShown(msgspec.Struct, frozen=True, kw_only=True):
    """What a set shows: its newest version, and the version that its mean shows."""

    newest: VersionShown
    mean: VersionShown | None


SAME_SET = and_(
    set_version.c.tenant_id == reading_set.c.tenant_id,
    set_version.c.subject_id == reading_set.c.subject_id,
    set_version.c.set_id == reading_set.c.set_id,
)


def read_versions_shown(snapshot: Snapshot, tenant_id: int, sets: set[tuple[str, str]]) -> dict[str, VersionsShown]:
    """What the sets, given as subject id and set id, show; by set id."""
    if not sets:
        return {}
    keys = [(UUID(subject_id), UUID(set_id)) for subject_id, set_id in sorted(sets)]
    statement = (
        select(
            reading_set.c.set_id,
            reading_set.c.version,
            reading_set.c.mean_from_version,
            set_version.c.version,
            set_version.c.document,
            set_version.c.evaluation,
        )
        .join_from(reading_set, set_version, SAME_SET)
        .where(
            reading_set.c.tenant_id == tenant_id,
            tuple_(reading_set.c.subject_id, reading_set.c.set_id, types=[Id, Id]).in_(keys),
            set_version.c.version.in_([reading_set.c.version, reading_set.c.mean_from_version]),
        )
    )
    newest: dict[str, VersionShown] = {}
    means: dict[str, VersionShown] = {}
    for set_id, newest_version, mean_version, *columns in snapshot.execute(statement):
        shown = VersionShown(*columns)
        if shown.version == newest_version:
            newest[str(set_id)] = shown
        if shown.version == mean_version:
            means[str(set_id)] = shown
    return {set_id: VersionsShown(newest=shown, mean=means.get(set_id)) for set_id, shown in newest.items()}
