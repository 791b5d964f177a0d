"""The rows behind what FHIR shows: a set with its documents as they were answered, a person, a device, a version."""

from __future__ import annotations

from datetime import datetime
from uuid import UUID

import msgspec
from sqlalchemy import and_, bindparam, select, tuple_

from quietcuff.core.readings import Identifier
from quietcuff.storage.codes import SET_STATUS
from quietcuff.storage.column_types import Id
from quietcuff.storage.search import Snapshot
from quietcuff.storage.sql import Query
from quietcuff.storage.tables import device, reading_set, set_version, subject


class SetShown(msgspec.Struct, frozen=True, kw_only=True):
    """Where a set stands."""

    subject_id: str
    set_id: str
    version: int
    is_voided: bool
    updated_at: datetime
    mean_from_version: int | None


class VersionShown(msgspec.Struct, frozen=True, kw_only=True):
    """One version of a set, its documents as they were answered. ``changed`` names the resources that moved with it."""

    version: int
    document: bytes
    evaluation: bytes
    changed: list[str]
    author: Identifier | None
    created_at: datetime


class VersionsShown(msgspec.Struct, frozen=True, kw_only=True):
    """What a set shows: its newest version, and the version that its mean shows."""

    newest: VersionShown
    mean: VersionShown | None


class PartyShown(msgspec.Struct, frozen=True, kw_only=True):
    """A person or a device: its identifier, its JSON document, and where it stands."""

    id: str
    identifier: Identifier
    document: bytes
    version: int
    updated_at: datetime


def _set_shown(
    subject_id: UUID, set_id: UUID, version: int, status: int, updated_at: datetime, mean_from_version: int | None
) -> SetShown:
    return SetShown(
        subject_id=str(subject_id),
        set_id=str(set_id),
        version=version,
        is_voided=SET_STATUS.word(status) == "voided",
        updated_at=updated_at,
        mean_from_version=mean_from_version,
    )


def _version_shown(
    version: int, document: bytes, evaluation: bytes, changed: str, author: str | None, created_at: datetime
) -> VersionShown:
    return VersionShown(
        version=version,
        document=document,
        evaluation=evaluation,
        changed=changed.split(),
        author=None if author is None else _identifier(*author.split("|", 1)),
        created_at=created_at,
    )


def _party_shown(party_id: UUID, system: str, value: str, document: bytes, version: int, updated_at: datetime) -> PartyShown:
    return PartyShown(
        id=str(party_id),
        identifier=_identifier(system, value),
        document=document,
        version=version,
        updated_at=updated_at,
    )


def _identifier(system: str, value: str) -> Identifier:
    return Identifier(system=system, value=value)


_VERSION_COLUMNS = (
    set_version.c.version,
    set_version.c.document,
    set_version.c.evaluation,
    set_version.c.changed,
    set_version.c.author,
    set_version.c.created_at,
)
_SAME_SET = and_(
    set_version.c.tenant_id == reading_set.c.tenant_id,
    set_version.c.subject_id == reading_set.c.subject_id,
    set_version.c.set_id == reading_set.c.set_id,
)
SET = Query(
    _set_shown,
    select(
        reading_set.c.subject_id,
        reading_set.c.set_id,
        reading_set.c.version,
        reading_set.c.status,
        reading_set.c.updated_at,
        reading_set.c.mean_from_version,
    ).where(reading_set.c.tenant_id == bindparam("tenant_id"), reading_set.c.set_id == bindparam("set_id")),
)
VERSION = Query(
    _version_shown,
    select(*_VERSION_COLUMNS).where(
        set_version.c.tenant_id == bindparam("tenant_id"),
        set_version.c.subject_id == bindparam("subject_id"),
        set_version.c.set_id == bindparam("set_id"),
        set_version.c.version == bindparam("version"),
    ),
)
SUBJECT = Query(
    _party_shown,
    select(
        subject.c.subject_id, subject.c.system, subject.c.value, subject.c.facts, subject.c.version, subject.c.updated_at
    ).where(subject.c.tenant_id == bindparam("tenant_id"), subject.c.subject_id == bindparam("id")),
)
DEVICE = Query(
    _party_shown,
    select(device.c.device_id, device.c.system, device.c.value, device.c.document, device.c.version, device.c.updated_at).where(
        device.c.tenant_id == bindparam("tenant_id"), device.c.device_id == bindparam("id")
    ),
)


def find_set(snapshot: Snapshot, tenant_id: int, set_id: str) -> SetShown | None:
    """A set by its id."""
    return SET.first(snapshot, {"tenant_id": tenant_id, "set_id": UUID(set_id)})


def find_version(snapshot: Snapshot, tenant_id: int, shown: SetShown, version: int) -> VersionShown | None:
    """One version of a set."""
    values = {
        "tenant_id": tenant_id,
        "subject_id": UUID(shown.subject_id),
        "set_id": UUID(shown.set_id),
        "version": version,
    }
    return VERSION.first(snapshot, values)


def find_subject(snapshot: Snapshot, tenant_id: int, subject_id: str) -> PartyShown | None:
    """A person by id; the document holds the facts."""
    return SUBJECT.first(snapshot, {"tenant_id": tenant_id, "id": UUID(subject_id)})


def find_device(snapshot: Snapshot, tenant_id: int, device_id: str) -> PartyShown | None:
    """A device by id, registered or only seen in a set."""
    return DEVICE.first(snapshot, {"tenant_id": tenant_id, "id": UUID(device_id)})


def read_versions_shown(snapshot: Snapshot, tenant_id: int, sets: set[tuple[str, str]]) -> dict[str, VersionsShown]:
    """What the sets, given as subject id and set id, show; by set id."""
    if not sets:
        return {}
    keys = [(UUID(subject_id), UUID(set_id)) for subject_id, set_id in sorted(sets)]
    statement = (
        select(reading_set.c.set_id, reading_set.c.version, reading_set.c.mean_from_version, *_VERSION_COLUMNS)
        .join_from(reading_set, set_version, _SAME_SET)
        .where(
            reading_set.c.tenant_id == tenant_id,
            tuple_(reading_set.c.subject_id, reading_set.c.set_id, types=[Id, Id]).in_(keys),
            set_version.c.version.in_([reading_set.c.version, reading_set.c.mean_from_version]),
        )
    )
    newest: dict[str, VersionShown] = {}
    means: dict[str, VersionShown] = {}
    for set_id, newest_version, mean_version, *columns in snapshot.execute(statement):
        shown = _version_shown(*columns)
        if shown.version == newest_version:
            newest[str(set_id)] = shown
        if shown.version == mean_version:
            means[str(set_id)] = shown
    return {set_id: VersionsShown(newest=shown, mean=means.get(set_id)) for set_id, shown in newest.items()}
