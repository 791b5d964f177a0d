"""Retention: what is old enough to delete, its deletion, people on hold, and what was deleted.

A deleted set leaves nothing but its ids and its rows of the trail. A payload is deleted with the last set that was made from
it.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import (
    Column,
    ColumnElement,
    Connection,
    Integer,
    Select,
    Table,
    bindparam,
    delete,
    exists,
    func,
    insert,
    or_,
    select,
    tuple_,
)

from quietcuff.core.model.errors import Deleted, NotFound
from quietcuff.storage.bulk.groups import Members, members_conditions, members_values
from quietcuff.storage.engine.statements import Command, Query, insert_into, single
from quietcuff.storage.rows.payload_claims import delete_payload_claims
from quietcuff.storage.rows.reading_sets import SetRow
from quietcuff.storage.rows.readings import stands_of_set
from quietcuff.storage.rows.subjects import DeletedSubject, SubjectRow, find_deleted_subject
from quietcuff.storage.schema.base import Id, Instant
from quietcuff.storage.schema.bulk import group_former
from quietcuff.storage.schema.codes import ACTION
from quietcuff.storage.schema.delivery import outbox
from quietcuff.storage.schema.payloads import payload, payload_link, payload_person, refused_payload
from quietcuff.storage.schema.retention import deleted_set, deleted_subject, subject_hold
from quietcuff.storage.schema.sittings import claim, reading, reading_set, set_version, subject, subject_past
from quietcuff.storage.schema.trail import trail

_s, _p, _l, _r, _h = reading_set.c, payload.c, payload_link.c, refused_payload.c, subject_hold.c


class OldSet(msgspec.Struct, frozen=True):
    """A set that is old enough to delete. Its fields are also the key that pages follow."""

    taken_from: datetime
    subject_id: UUID
    set_id: UUID


class Hold(msgspec.Struct, frozen=True):
    """A person whose data must not be deleted, and the reason."""

    tenant_id: int
    subject_id: UUID
    reason: str
    held_by: str
    held_at: datetime


def _of_set(table: Any) -> Any:
    """The rows of one set."""
    return (
        table.c.tenant_id == bindparam("tenant_id"),
        table.c.subject_id == bindparam("subject_id"),
        table.c.set_id == bindparam("set_id"),
    )


_OF_TENANT = _s.tenant_id == bindparam("tenant_id")
_BEFORE = bindparam("before", type_=Instant())
_IS_HELD = exists().where(_h.tenant_id == _s.tenant_id, _h.subject_id == _s.subject_id)
_IS_OLD = (
    *(_OF_TENANT, _s.taken_from < _BEFORE, _s.taken_to < _BEFORE, _s.touched_at < _BEFORE),
    *(_s.closed_at.is_not(None), ~_IS_HELD),
)
_KEY = (_s.taken_from, _s.subject_id, _s.set_id)
_AFTER = (
    bindparam("after_taken_from", type_=Instant()),
    bindparam("after_subject", type_=Id()),
    bindparam("after_set", type_=Id()),
)
OLD = Query(
    OldSet,
    # On either database an index can serve only the first of these bounds.
    select(*_KEY)
    .where(*_IS_OLD, _s.taken_from >= _AFTER[0], tuple_(*_KEY) > tuple_(*_AFTER))
    .order_by(*_KEY)
    .limit(bindparam("most")),
)
COUNT_OLD: Query[int] = Query(single, select(func.count()).select_from(reading_set).where(*_IS_OLD))
SETS_OF: Query[UUID] = Query(single, select(_s.set_id).where(_OF_TENANT, _s.subject_id == bindparam("subject_id")))
ANY_SET_OF: Query[UUID] = Query(single, select(_s.set_id).where(_OF_TENANT, _s.subject_id == bindparam("subject_id")).limit(1))
PAYLOADS_OF: Query[UUID] = Query(single, select(_l.payload_id).distinct().where(*_of_set(payload_link)))
# A version's claims are found by its set alone, because their key is a digest.
DELETE_CLAIMS = Command(delete(claim).where(claim.c.tenant_id == bindparam("tenant_id"), claim.c.set_id == bindparam("set_id")))
DELETE_ROWS = tuple(
    Command(delete(table).where(*_of_set(table))) for table in (outbox, payload_link, reading, set_version, reading_set)
)
_THIS_PAYLOAD = (_p.tenant_id == bindparam("tenant_id"), _p.payload_id == bindparam("payload_id"))
_IS_LINKED = exists().where(_l.tenant_id == _p.tenant_id, _l.payload_id == _p.payload_id)
_WAITS = exists().where(_r.tenant_id == _p.tenant_id, _r.payload_id == _p.payload_id, _r.settled_at.is_(None))
DELETE_PAYLOAD = Command(delete(payload).where(*_THIS_PAYLOAD))
DELETE_PAYLOAD_IF_SPENT = Command(delete(payload).where(*_THIS_PAYLOAD, ~_IS_LINKED, ~_WAITS))
DELETE_LINKS = Command(
    delete(payload_link).where(_l.tenant_id == bindparam("tenant_id"), _l.payload_id == bindparam("payload_id"))
)
DELETE_PEOPLE = Command(
    delete(payload_person).where(
        payload_person.c.tenant_id == bindparam("tenant_id"), payload_person.c.payload_id == bindparam("payload_id")
    )
)
DELETE_REFUSED = Command(
    delete(refused_payload).where(_r.tenant_id == bindparam("tenant_id"), _r.payload_id == bindparam("payload_id"))
)
OLD_PAYLOADS: Query[UUID] = Query(
    single,
    select(_p.payload_id)
    .where(_p.tenant_id == bindparam("tenant_id"), _p.received_at < _BEFORE, ~_IS_LINKED)
    .order_by(_p.received_at)
    .limit(bindparam("most")),
)
SAVED_SINCE: Query[int] = Query(
    single,
    select(trail.c.position)
    .where(
        trail.c.tenant_id == bindparam("tenant_id"),
        trail.c.subject_id == bindparam("subject_id"),
        trail.c.at >= bindparam("since", type_=Instant()),
        trail.c.action == ACTION.number("save-subject"),
    )
    .limit(1),
)
_HAS_SETS = exists().where(_s.tenant_id == subject.c.tenant_id, _s.subject_id == subject.c.subject_id)
_PERSON_IS_HELD = exists().where(_h.tenant_id == subject.c.tenant_id, _h.subject_id == subject.c.subject_id)
OLD_SUBJECTS: Query[UUID] = Query(
    single,
    select(subject.c.subject_id)
    .where(subject.c.tenant_id == bindparam("tenant_id"), subject.c.updated_at < _BEFORE, ~_HAS_SETS, ~_PERSON_IS_HELD)
    .order_by(subject.c.updated_at)
    .limit(bindparam("most")),
)
BURY_SET = Command(insert(deleted_set))
DELETE_SUBJECT_ROWS = tuple(
    Command(delete(table).where(table.c.tenant_id == bindparam("tenant_id"), table.c.subject_id == bindparam("subject_id")))
    for table in (subject_past, subject)
)


def _bury_subject(dialect: str) -> Any:
    statement = insert_into(deleted_subject, dialect)
    values = {name: statement.excluded[name] for name in ("version", "deleted_at")}
    return statement.on_conflict_do_update(index_elements=list(deleted_subject.primary_key), set_=values)


BURY_SUBJECT = Command(_bury_subject)
_HELD = (_h.tenant_id == bindparam("tenant_id"), _h.subject_id == bindparam("subject_id"))
_HOLDS = select(*(_h[name] for name in Hold.__struct_fields__))
FIND_HOLD = Query(Hold, _HOLDS.where(*_HELD))
HOLDS = Query(Hold, _HOLDS.where(_h.tenant_id == bindparam("tenant_id")).order_by(_h.held_at, _h.subject_id))
SAVE_HOLD = Command(lambda dialect: insert_into(subject_hold, dialect).on_conflict_do_nothing())
END_HOLD = Command(delete(subject_hold).where(*_HELD))


def sets_taken_before(
    connection: Connection, tenant_id: int, before: datetime, after: OldSet | None, most: int
) -> list[OldSet]:
    """Closed sets taken and received before a moment, of people who are not on hold, oldest first."""
    last = after or OldSet(datetime.min.replace(tzinfo=before.tzinfo), UUID(int=0), UUID(int=0))
    key = {"after_taken_from": last.taken_from, "after_subject": last.subject_id, "after_set": last.set_id}
    return OLD.all(connection, {"tenant_id": tenant_id, "before": before, "most": most, **key})


def count_sets_taken_before(connection: Connection, tenant_id: int, before: datetime) -> int:
    """The number of closed sets taken and received before a moment, of people who are not on hold."""
    return COUNT_OLD.all(connection, {"tenant_id": tenant_id, "before": before})[0]


def sets_of_subject(connection: Connection, tenant_id: int, subject_id: UUID) -> list[UUID]:
    return SETS_OF.all(connection, {"tenant_id": tenant_id, "subject_id": subject_id})


def has_sets(connection: Connection, tenant_id: int, subject_id: UUID) -> bool:
    return ANY_SET_OF.first(connection, {"tenant_id": tenant_id, "subject_id": subject_id}) is not None


def delete_set(connection: Connection, row: SetRow, at: datetime) -> list[UUID]:
    """Delete a set with everything that belongs to it; the payloads that it was made from, which still exist."""
    key = {"tenant_id": row.tenant_id, "subject_id": row.subject_id, "set_id": row.set_id}
    stands = stands_of_set(connection, row.tenant_id, row.subject_id, row.set_id)
    places = [*stands, *(["mean"] if row.mean_version is not None else [])]
    payload_ids = PAYLOADS_OF.all(connection, key)
    BURY_SET.run(connection, {**key, "version": row.version, "places": " ".join(places), "deleted_at": at})
    DELETE_CLAIMS.run(connection, key)
    for command in DELETE_ROWS:
        command.run(connection, key)
    # A retry under such a key would be answered with ids of a set that is gone.
    for payload_id in payload_ids:
        delete_payload_claims(connection, row.tenant_id, payload_id)
    return payload_ids


def delete_payload_if_spent(connection: Connection, tenant_id: int, payload_id: UUID) -> bool:
    """Delete a payload that no set is made from any more, if no part waits to be settled; True where it was deleted."""
    key = {"tenant_id": tenant_id, "payload_id": payload_id}
    is_deleted = DELETE_PAYLOAD_IF_SPENT.run(connection, key) == 1
    if is_deleted:
        DELETE_PEOPLE.run(connection, key)
        DELETE_REFUSED.run(connection, key)
        delete_payload_claims(connection, tenant_id, payload_id)
    return is_deleted


def delete_payload(connection: Connection, tenant_id: int, payload_id: UUID) -> bool:
    """Delete a payload, whatever was made from it; True where it existed."""
    key = {"tenant_id": tenant_id, "payload_id": payload_id}
    DELETE_LINKS.run(connection, key)
    DELETE_PEOPLE.run(connection, key)
    DELETE_REFUSED.run(connection, key)
    delete_payload_claims(connection, tenant_id, payload_id)
    return DELETE_PAYLOAD.run(connection, key) == 1


def payloads_received_before(connection: Connection, tenant_id: int, before: datetime, most: int) -> list[UUID]:
    """Payloads received before a moment that no set is made from, oldest first."""
    return OLD_PAYLOADS.all(connection, {"tenant_id": tenant_id, "before": before, "most": most})


def delete_subject(connection: Connection, row: SubjectRow, at: datetime) -> None:
    """Delete a person who has no sets any more, with their earlier versions."""
    key = {"tenant_id": row.tenant_id, "subject_id": row.subject_id}
    # One version more than the newest, because the deletion is a version of its own.
    BURY_SUBJECT.run(connection, {**key, "version": row.version + 1, "deleted_at": at})
    for command in DELETE_SUBJECT_ROWS:
        command.run(connection, key)


def was_saved_since(connection: Connection, tenant_id: int, subject_id: UUID, since: datetime) -> bool:
    """True where the registry received a person since a moment; sets that only name the person do not count."""
    key = {"tenant_id": tenant_id, "subject_id": subject_id, "since": since}
    return SAVED_SINCE.first(connection, key) is not None


def subjects_without_sets(connection: Connection, tenant_id: int, before: datetime, most: int) -> list[UUID]:
    """People without sets and not on hold, unchanged since a moment."""
    return OLD_SUBJECTS.all(connection, {"tenant_id": tenant_id, "before": before, "most": most})


def find_hold(connection: Connection, tenant_id: int, subject_id: UUID) -> Hold | None:
    return FIND_HOLD.first(connection, {"tenant_id": tenant_id, "subject_id": subject_id})


def all_holds(connection: Connection, tenant_id: int) -> list[Hold]:
    """Everybody on hold, the longest held first."""
    return HOLDS.all(connection, {"tenant_id": tenant_id})


def save_hold(connection: Connection, hold: Hold) -> bool:
    """Put a person's data on hold; False where it is on hold already."""
    return SAVE_HOLD.run(connection, msgspec.structs.asdict(hold)) == 1


def end_hold(connection: Connection, tenant_id: int, subject_id: UUID) -> bool:
    """Release a person's data; False where it was not on hold."""
    return END_HOLD.run(connection, {"tenant_id": tenant_id, "subject_id": subject_id}) == 1


_d, _g = deleted_set.c, deleted_subject.c


class DeletedSet(msgspec.Struct, frozen=True):
    """A deleted set: its newest version, and the places, such as ``r0`` or ``mean``, that had Observations."""

    set_id: UUID
    subject_id: UUID
    version: int
    places: str
    deleted_at: datetime


class Between(msgspec.Struct, frozen=True, kw_only=True):
    """A query for deletions of these members after ``since`` and not after ``at``.

    The page begins after ``after``, a moment and an id.
    """

    tenant_id: int
    members: Members
    since: datetime
    at: datetime
    after: tuple[datetime, UUID] | None = None


_SET = select(*(_d[name] for name in DeletedSet.__struct_fields__))
_DELETED_SUBJECT = select(*(_g[name] for name in DeletedSubject.__struct_fields__))
SET = Query(DeletedSet, _SET.where(_d.tenant_id == bindparam("tenant_id"), _d.set_id == bindparam("set_id")))


def find_deleted_set(connection: Connection, tenant_id: int, set_id: UUID) -> DeletedSet | None:
    return SET.first(connection, {"tenant_id": tenant_id, "set_id": set_id})


def missing_set(connection: Connection, tenant_id: int, set_id: UUID) -> NotFound:
    """The error for a set that does not exist: it never did, or it was deleted. The caller raises it."""
    return (NotFound if find_deleted_set(connection, tenant_id, set_id) is None else Deleted)("reading set")


def missing_subject(connection: Connection, tenant_id: int, subject_id: UUID) -> NotFound:
    """The error for a person who does not exist. The caller raises it."""
    return (NotFound if find_deleted_subject(connection, tenant_id, subject_id) is None else Deleted)("subject")


def sets_deleted(connection: Connection, between: Between, most: int) -> list[DeletedSet]:
    """A page of deleted sets, in the order of their deletion."""
    return [DeletedSet(*row) for row in connection.execute(_page(_SET, deleted_set, "set_id", between, most), _values(between))]


def subjects_deleted(connection: Connection, between: Between, most: int) -> list[DeletedSubject]:
    """A page of people who were deleted and not stored again, in the order of their deletion."""
    is_back = exists().where(subject.c.tenant_id == _g.tenant_id, subject.c.subject_id == _g.subject_id)
    statement = _page(_DELETED_SUBJECT, deleted_subject, "subject_id", between, most).where(~is_back)
    return [DeletedSubject(*row) for row in connection.execute(statement, _values(between))]


def _page(statement: Select[Any], table: Table, key: str, between: Between, most: int) -> Select[Any]:
    c = table.c
    after = tuple_(bindparam("after_at", type_=Instant), bindparam("after_id", type_=Id))
    return (
        statement.where(
            c.tenant_id == bindparam("tenant_id"),
            c.deleted_at >= bindparam("after_at", type_=Instant),
            c.deleted_at <= bindparam("at", type_=Instant),
            tuple_(c.deleted_at, c[key]) > after,
            *_whose(between.members, c.subject_id),
        )
        .order_by(c.deleted_at, c[key])
        .limit(bindparam("most", value=most, type_=Integer))
    )


def _whose(members: Members, subject_id: Column[Any]) -> list[ColumnElement[bool]]:
    """The condition on the person of a deletion.

    For a stored group it admits the former members that the group remembers, and the people whom it names.
    """
    conditions = members_conditions(members, subject_id)
    if members.group_id is None:
        return conditions
    f = group_former.c
    is_former = exists().where(
        f.tenant_id == bindparam("tenant_id"), f.group_id == bindparam("group_id", type_=Id), f.subject_id == subject_id
    )
    return [or_(is_former, *conditions)]


def _values(between: Between) -> dict[str, Any]:
    # No row has the greatest id: what was deleted at the exact moment of ``since`` was already in the export before.
    after_at, after_id = between.after or (between.since, UUID(int=2**128 - 1))
    values = {"tenant_id": between.tenant_id, "at": between.at, "after_at": after_at, "after_id": after_id}
    if between.members.group_id is not None:
        values["group_id"] = between.members.group_id
    return {**values, **members_values(between.members)}
