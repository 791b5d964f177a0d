"""The documents behind what FHIR shows of a set, as they were answered."""

from __future__ import annotations

from uuid import UUID

import msgspec
from sqlalchemy import and_, select, tuple_

from quietcuff.storage.column_types import Id
from quietcuff.storage.search import Snapshot
from quietcuff.storage.tables import reading_set, set_version


class VersionShown(msgspec.Struct, frozen=True, kw_only=True):
    """The documents of one version of a set, as they were answered."""

    subject_id: str
    version: int
    document: bytes
    evaluation: bytes


class VersionsShown(msgspec.Struct, frozen=True, kw_only=True):
    """What a set shows: its newest version, and the version that its mean shows."""

    newest: VersionShown
    mean: VersionShown | None


def read_versions_shown(snapshot: Snapshot, tenant_id: int, sets: set[tuple[str, str]]) -> dict[str, VersionsShown]:
    """What the sets, given as subject id and set id, show; by set id."""
    if not sets:
        return {}
    same_set = and_(
        set_version.c.tenant_id == reading_set.c.tenant_id,
        set_version.c.subject_id == reading_set.c.subject_id,
        set_version.c.set_id == reading_set.c.set_id,
        set_version.c.version.in_([reading_set.c.version, reading_set.c.mean_from_version]),
    )
    keys = [(UUID(subject_id), UUID(set_id)) for subject_id, set_id in sorted(sets)]
    statement = (
        select(
            set_version.c.subject_id,
            set_version.c.set_id,
            set_version.c.version,
            set_version.c.document,
            set_version.c.evaluation,
            reading_set.c.version.label("newest"),
            reading_set.c.mean_from_version,
        )
        .join_from(reading_set, set_version, same_set)
        .where(
            reading_set.c.tenant_id == tenant_id,
            tuple_(reading_set.c.subject_id, reading_set.c.set_id, types=[Id, Id]).in_(keys),
        )
    )
    newest: dict[str, VersionShown] = {}
    means: dict[str, VersionShown] = {}
    for row in snapshot.execute(statement):
        shown = VersionShown(
            subject_id=str(row.subject_id), version=row.version, document=row.document, evaluation=row.evaluation
        )
        if row.version == row.newest:
            newest[str(row.set_id)] = shown
        if row.version == row.mean_from_version:
            means[str(row.set_id)] = shown
    return {set_id: VersionsShown(newest=shown, mean=means.get(set_id)) for set_id, shown in newest.items()}
