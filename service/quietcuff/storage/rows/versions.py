"""The versions of sets: each holds the set and its evaluation as they were answered, and never changes.

Several readers need different parts of them: the answers with their envelope, the documents behind FHIR resources, former
versions, the places that moved in each version, and the notes that Provenance shows.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from functools import lru_cache
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import Connection, Integer, Select, bindparam, func, null, select

from quietcuff.storage.engine.statements import Insert, Query
from quietcuff.storage.schema.base import Id, Instant
from quietcuff.storage.schema.codes import CAUSE, SET_STATUS
from quietcuff.storage.schema.sittings import of_set, reading_set, set_version
from quietcuff.storage.search.observations import Snapshot

_c = set_version.c


class VersionRow(msgspec.Struct, frozen=True, gc=False):
    """One version. ``document`` and ``evaluation`` are the JSON that was answered."""

    tenant_id: int
    subject_id: UUID
    set_id: UUID
    version: int
    cause: str
    status: str
    closes_at: datetime | None
    document: bytes
    evaluation: bytes
    rules_digest: str
    changed: str
    author: str | None
    reason: str | None
    created_by: str
    created_at: datetime
    tells_no_result: bool | None = None


class VersionNote(msgspec.Struct, frozen=True):
    """The reason for a version, without its content."""

    version: int
    cause: str
    created_at: datetime
    by: str
    author: str | None
    reason: str | None
    rules_digest: str


def version_row(
    tenant_id: int, subject_id: UUID, set_id: UUID, version: int, cause: int, status: int, *others: Any
) -> VersionRow:
    """A version from its columns, in the order of the fields."""
    return VersionRow(tenant_id, subject_id, set_id, version, CAUSE.word(cause), SET_STATUS.word(status), *others)


_CAUSE, _STATUS = VersionRow.__struct_fields__.index("cause"), VersionRow.__struct_fields__.index("status")


def _to_columns(row: VersionRow) -> dict[str, Any]:
    return dict(zip(VersionRow.__struct_fields__, insert_values(row), strict=True))


def insert_values(row: VersionRow) -> list[Any]:
    """The values of a new row in the order of the table's columns."""
    values = list(msgspec.structs.astuple(row))
    values[_CAUSE], values[_STATUS] = CAUSE.number(row.cause), SET_STATUS.number(row.status)
    return values


def _note(version: int, cause: int, *rest: Any) -> VersionNote:
    return VersionNote(version, CAUSE.word(cause), *rest)


_OF_SET = (
    _c.tenant_id == bindparam("tenant_id"),
    _c.subject_id == bindparam("subject_id"),
    _c.set_id == bindparam("set_id"),
)
_COLUMNS = [_c[name] for name in VersionRow.__struct_fields__]
_NOTED = (_c.version, _c.cause, _c.created_at, _c.created_by, _c.author, _c.reason, _c.rules_digest)
FIND = Query(version_row, select(*_COLUMNS).where(*_OF_SET, _c.version == bindparam("version")))
NOTES = Query(_note, select(*_NOTED).where(*_OF_SET).order_by(_c.version))
INSERT = Insert(set_version)


def find_version(connection: Connection, tenant_id: int, subject_id: UUID, set_id: UUID, version: int) -> VersionRow | None:
    key = {"tenant_id": tenant_id, "subject_id": subject_id, "set_id": set_id, "version": version}
    return FIND.first(connection, key)


def version_notes(connection: Connection, tenant_id: int, subject_id: UUID, set_id: UUID) -> list[VersionNote]:
    """Every version of a set, oldest first."""
    return NOTES.all(connection, {"tenant_id": tenant_id, "subject_id": subject_id, "set_id": set_id})


def insert_version(connection: Connection, row: VersionRow) -> None:
    """Store a version with the group."""
    INSERT.add(connection, [insert_values(row)])


class AnsweredVersion(msgspec.Struct, frozen=True, kw_only=True):
    """One version of a set. ``set_created_at`` is the time of the set's first version."""

    set_id: UUID
    subject_id: UUID
    version: int
    cause: str
    status: str
    closes_at: datetime | None
    set_created_at: datetime
    created_at: datetime
    document: bytes
    evaluation: bytes


def answered(row: VersionRow, set_created_at: datetime) -> AnsweredVersion:
    """A version that is about to be stored, as it is answered."""
    return AnsweredVersion(
        set_id=row.set_id,
        subject_id=row.subject_id,
        version=row.version,
        cause=row.cause,
        status=row.status,
        closes_at=row.closes_at,
        set_created_at=set_created_at,
        created_at=row.created_at,
        document=row.document,
        evaluation=row.evaluation,
    )


def _from_columns(*columns: Any) -> AnsweredVersion:
    values = dict(zip(AnsweredVersion.__struct_fields__, columns, strict=True))
    values["cause"] = CAUSE.word(values["cause"])
    values["status"] = SET_STATUS.word(values["status"])
    return AnsweredVersion(**values)


_VERSIONS = (
    select(
        reading_set.c.set_id,
        reading_set.c.subject_id,
        set_version.c.version,
        set_version.c.cause,
        set_version.c.status,
        set_version.c.closes_at,
        reading_set.c.created_at,
        set_version.c.created_at,
        set_version.c.document,
        set_version.c.evaluation,
    )
    .join(set_version, of_set(set_version))
    .where(reading_set.c.tenant_id == bindparam("tenant_id"))
)
_ANSWERED_OF_SET = _VERSIONS.where(reading_set.c.set_id == bindparam("set_id"))
NEWEST = Query(_from_columns, _ANSWERED_OF_SET.where(set_version.c.version == reading_set.c.version))
NUMBERED = Query(_from_columns, _ANSWERED_OF_SET.where(set_version.c.version == bindparam("version")))
_OF_SUBJECT = _VERSIONS.where(
    reading_set.c.subject_id == bindparam("subject_id"),
    set_version.c.version == reading_set.c.version,
)
_NEWEST_FIRST = (reading_set.c.taken_from.desc(), reading_set.c.set_id.desc())
OF_SUBJECT = Query(_from_columns, _OF_SUBJECT.order_by(*_NEWEST_FIRST).limit(bindparam("most")))
OF_SUBJECT_TAKEN = Query(
    _from_columns,
    _OF_SUBJECT.where(reading_set.c.taken_from >= bindparam("since"), reading_set.c.taken_from < bindparam("until"))
    .order_by(*_NEWEST_FIRST)
    .limit(bindparam("most")),
)
OF_TENANT = Query(
    _from_columns,
    _VERSIONS.where(set_version.c.version == reading_set.c.version, reading_set.c.set_id > bindparam("after"))
    .order_by(reading_set.c.set_id)
    .limit(bindparam("most")),
)


def newest_answers_after(connection: Connection, tenant_id: int, after: UUID, most: int) -> list[AnsweredVersion]:
    """The newest version of each of a tenant's sets in the order of their ids, after a given id, one page."""
    return OF_TENANT.all(connection, {"tenant_id": tenant_id, "after": after, "most": most})


def newest_answer(connection: Connection, tenant_id: int, set_id: UUID) -> AnsweredVersion | None:
    return NEWEST.first(connection, {"tenant_id": tenant_id, "set_id": set_id})


def numbered_answer(connection: Connection, tenant_id: int, set_id: UUID, version: int) -> AnsweredVersion | None:
    return NUMBERED.first(connection, {"tenant_id": tenant_id, "set_id": set_id, "version": version})


def newest_answers_of_subject(connection: Connection, tenant_id: int, subject_id: UUID, most: int) -> list[AnsweredVersion]:
    """The newest version of each of a person's sets, latest taken first, at most ``most``."""
    return OF_SUBJECT.all(connection, {"tenant_id": tenant_id, "subject_id": subject_id, "most": most})


def answers_of_subject_taken(
    connection: Connection, tenant_id: int, subject_id: UUID, since: datetime, until: datetime, most: int
) -> list[AnsweredVersion]:
    """The newest version of each of a person's sets whose first reading was taken in ``[since, until)``."""
    key = {"tenant_id": tenant_id, "subject_id": subject_id, "since": since, "until": until, "most": most}
    return OF_SUBJECT_TAKEN.all(connection, key)


class VersionShown(msgspec.Struct, frozen=True):
    """The documents of one version of a set."""

    version: int
    document: bytes
    evaluation: bytes


class VersionsShown(msgspec.Struct, frozen=True, kw_only=True):
    """The versions that a set shows: its newest, and the one that its mean shows."""

    newest: VersionShown
    mean: VersionShown | None


# So many sets are read at once. Fewer are filled up to a power of two, so that there are few statements to prepare.
MOST_SETS_AT_ONCE = 256


@lru_cache(maxsize=16)
def _shown_of(sets: int) -> Query[tuple[Any, ...]]:
    """The versions that so many sets show."""
    clause = (
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
            reading_set.c.set_id.in_([bindparam(f"set_{place}", type_=Id) for place in range(sets)]),
            set_version.c.version.in_([reading_set.c.version, reading_set.c.mean_from_version]),
        )
    )
    return Query(lambda *columns: columns, clause)


def read_versions_shown(snapshot: Snapshot, tenant_id: int, set_ids: set[str]) -> dict[str, VersionsShown]:
    """The versions that the sets show, by set id."""
    newest: dict[str, VersionShown] = {}
    means: dict[str, VersionShown] = {}
    for set_id, newest_version, mean_version, *columns in _rows_shown(snapshot, tenant_id, sorted(set_ids)):
        shown = VersionShown(*columns)
        if shown.version == newest_version:
            newest[str(set_id)] = shown
        if shown.version == mean_version:
            means[str(set_id)] = shown
    return {set_id: VersionsShown(newest=shown, mean=means.get(set_id)) for set_id, shown in newest.items()}


def _rows_shown(snapshot: Snapshot, tenant_id: int, set_ids: list[str]) -> Iterator[tuple[Any, ...]]:
    for begin in range(0, len(set_ids), MOST_SETS_AT_ONCE):
        some = [UUID(set_id) for set_id in set_ids[begin : begin + MOST_SETS_AT_ONCE]]
        size = 1 << (len(some) - 1).bit_length()
        filled = some + some[-1:] * (size - len(some))
        values = {f"set_{place}": set_id for place, set_id in enumerate(filled)}
        yield from _shown_of(size).all(snapshot, {"tenant_id": tenant_id, **values})


class FormerVersion(msgspec.Struct, frozen=True):
    """One version: the time it was made, the places that moved with it, and its documents where wanted."""

    set_id: UUID
    version: int
    created_at: datetime
    changed: str
    tells_no_result: bool | None
    document: bytes | None
    evaluation: bytes | None


@lru_cache(maxsize=2)
def former_statement(with_documents: bool) -> Select[Any]:
    c = set_version.c
    # Documents are by far the largest columns, and many readers only need the times and the places that moved.
    said = [c.document, c.evaluation] if with_documents else [null(), null()]
    return (
        select(c.set_id, c.version, c.created_at, c.changed, c.tells_no_result, *said)
        .join_from(reading_set, set_version, of_set(set_version))
        .where(
            reading_set.c.tenant_id == bindparam("tenant_id"),
            reading_set.c.set_id.in_(bindparam("set_ids", expanding=True)),
        )
        .order_by(c.set_id, c.version)
    )


def versions_of(
    snapshot: Connection, tenant_id: int, set_ids: set[UUID], *, with_documents: bool
) -> dict[UUID, list[FormerVersion]]:
    """The versions of each set, oldest first."""
    found: dict[UUID, list[FormerVersion]] = {}
    values = {"tenant_id": tenant_id, "set_ids": sorted(set_ids)}
    for row in snapshot.execute(former_statement(with_documents), values):
        found.setdefault(row.set_id, []).append(FormerVersion(*row))
    return found


RECENT = Query(
    FormerVersion,
    select(*[set_version.c[name] for name in ("set_id", "version", "created_at", "changed")], *[null() for _ in range(3)])
    .where(
        set_version.c.tenant_id == bindparam("tenant_id"),
        set_version.c.created_at > bindparam("since", type_=Instant),
        set_version.c.version > 1,
    )
    .order_by(set_version.c.created_at.desc())
    .limit(bindparam("limit", type_=Integer)),
)


def recent_changes(snapshot: Connection, tenant_id: int, since: datetime, most: int) -> list[FormerVersion]:
    """The versions that changed a set after a moment, newest first."""
    return RECENT.all(snapshot, {"tenant_id": tenant_id, "since": since, "limit": most})


class VersionMoves(msgspec.Struct, frozen=True):
    """The places whose Observation is new or changed in one version, and whether the set was closed in it."""

    version: int
    places: frozenset[str]
    is_closed: bool


def _moves(version: int, changed: str, closes_at: object) -> VersionMoves:
    return VersionMoves(version, frozenset(changed.split()), closes_at is None)


MOVES = Query(
    _moves,
    select(_c.version, _c.changed, _c.closes_at)
    .where(
        _c.tenant_id == bindparam("tenant_id"),
        _c.subject_id == bindparam("subject_id"),
        _c.set_id == bindparam("set_id"),
    )
    .order_by(_c.version),
)


def moves_of_set(connection: Connection, tenant_id: int, subject_id: UUID, set_id: UUID) -> list[VersionMoves]:
    """Every version of a set, oldest first."""
    return MOVES.all(connection, {"tenant_id": tenant_id, "subject_id": subject_id, "set_id": set_id})


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
    """By set, the first version that has a mean. A mean that was taken back still exists, entered in error."""
    if not set_ids:
        return {}
    rows = snapshot.execute(FIRST_MEANS, {"tenant_id": tenant_id, "set_ids": sorted(set_ids)})
    return {set_id: version for set_id, version in rows}


def versions_of_sets(snapshot: Connection, tenant_id: int, set_ids: set[UUID]) -> list[VersionRow]:
    """Every version of the sets, oldest first."""
    if not set_ids:
        return []
    return [version_row(*row) for row in snapshot.execute(ALL_VERSIONS, {"tenant_id": tenant_id, "set_ids": sorted(set_ids)})]
