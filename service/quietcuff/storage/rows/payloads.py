"""Payloads as rows: the bytes as received, the versions of sets made from them, and the parts that were refused."""

from __future__ import annotations

import zlib
from collections.abc import Iterable
from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from sqlalchemy import Connection, bindparam, exists, insert, or_, select, tuple_, update

from quietcuff.storage.engine.read_ahead import KeyedQuery
from quietcuff.storage.engine.statements import Command, Query, insert_into, single
from quietcuff.storage.schema.base import Id, Instant
from quietcuff.storage.schema.codes import OBSERVATION_STATUS, PAYLOAD_KIND
from quietcuff.storage.schema.payloads import payload, payload_link, payload_person, refused_payload
from quietcuff.storage.schema.sittings import reading, reading_set, subject

_p, _l, _r = payload.c, payload_link.c, refused_payload.c
# An id that no subject and no set has: a page from the start begins after it.
NOTHING = UUID(int=0)
NO_KEY = b""
MOST_OPEN = 300


class PayloadRow(msgspec.Struct, frozen=True, kw_only=True):
    """One payload. ``body`` is what was received, byte for byte."""

    tenant_id: int
    payload_id: UUID
    digest: bytes
    kind: str
    media_type: str
    size: int
    body: bytes
    received_by: str
    received_at: datetime


class LinkRow(msgspec.Struct, frozen=True):
    """A link from a payload to the places that it made or changed in one version of a set."""

    tenant_id: int
    subject_id: UUID
    set_id: UUID
    version: int
    payload_id: UUID
    readings: str
    device_user: int | None = None


class RefusedRow(msgspec.Struct, frozen=True):
    """A part of a payload that could not be read, and whether a later payload settled it."""

    tenant_id: int
    refused_id: UUID
    payload_id: UUID
    place: str
    code: str
    detail: str
    refused_at: datetime
    settled_at: datetime | None = None
    settled_by: UUID | None = None


class SourceRow(msgspec.Struct, frozen=True):
    """A reading found by its source key or place, and its present values. ``version`` counts its changes."""

    source_key: bytes | None
    set_id: UUID
    reading_index: int
    version: int
    taken_at: datetime
    systolic: int | None
    diastolic: int | None
    pulse: int | None


class MeasuredRow(SourceRow, frozen=True):
    """A reading as it was measured, with its device, its site and its status."""

    device_id: UUID | None
    site: int
    status: int

    @property
    def is_voided(self) -> bool:
        """True where it was taken back, alone or with its set."""
        return self.status == OBSERVATION_STATUS.number("entered-in-error")

    def source(self) -> SourceRow:
        """Its place and its values."""
        return SourceRow(*(getattr(self, name) for name in SourceRow.__struct_fields__))


class OpenSet(msgspec.Struct, frozen=True):
    """A set that is open, and the times of its first and last reading."""

    set_id: UUID
    taken_from: datetime
    taken_to: datetime


def _payload_row(*columns: Any) -> PayloadRow:
    values = dict(zip(PayloadRow.__struct_fields__, columns, strict=True))
    values["kind"] = PAYLOAD_KIND.word(values["kind"])
    values["body"] = zlib.decompress(values["body"])
    return PayloadRow(**values)


def _insert_once(dialect: str) -> Any:
    # Devices and gateways send again after every lost answer: the same bytes are kept once.
    return insert_into(payload, dialect).on_conflict_do_nothing(index_elements=["tenant_id", "digest"])


def _link_or_add(dialect: str) -> Any:
    return insert_into(payload_link, dialect).on_conflict_do_nothing()


_COLUMNS = [_p[name] for name in PayloadRow.__struct_fields__]
INSERT = Command(_insert_once)
BY_ID = Query(_payload_row, select(*_COLUMNS).where(_p.tenant_id == bindparam("tenant_id"), _p.payload_id == bindparam("id")))
BY_DIGEST: Query[UUID] = Query(
    single, select(_p.payload_id).where(_p.tenant_id == bindparam("tenant_id"), _p.digest == bindparam("digest"))
)
LINK = Command(_link_or_add)
TELL_OF = Command(lambda dialect: insert_into(payload_person, dialect).on_conflict_do_nothing())
PEOPLE_OF: Query[UUID] = Query(
    single,
    select(payload_person.c.subject_id).where(
        payload_person.c.tenant_id == bindparam("tenant_id"), payload_person.c.payload_id == bindparam("payload_id")
    ),
)
LINKS_OF = Query(
    LinkRow,
    select(*(_l[name] for name in LinkRow.__struct_fields__))
    .where(_l.tenant_id == bindparam("tenant_id"), _l.payload_id == bindparam("payload_id"))
    .order_by(_l.set_id, _l.version),
)
LINKS_OF_SET = Query(
    LinkRow,
    select(*(_l[name] for name in LinkRow.__struct_fields__))
    .where(_l.tenant_id == bindparam("tenant_id"), _l.subject_id == bindparam("subject_id"), _l.set_id == bindparam("set_id"))
    .order_by(_l.version),
)
_REFUSED = select(*(_r[name] for name in RefusedRow.__struct_fields__)).where(_r.tenant_id == bindparam("tenant_id"))
REFUSE = Command(insert(refused_payload))
REFUSED_OF = Query(RefusedRow, _REFUSED.where(_r.payload_id == bindparam("payload_id")).order_by(_r.refused_at, _r.refused_id))
REFUSED_BY_ID = Query(RefusedRow, _REFUSED.where(_r.refused_id == bindparam("id")))
REFUSED_PAGE = Query(
    RefusedRow,
    _REFUSED.where(
        _r.settled_at.is_(None),
        # With a bound on the first column alone, the index can be entered at the page's end.
        _r.refused_at <= bindparam("before", type_=Instant()),
        tuple_(_r.refused_at, _r.refused_id)
        < tuple_(bindparam("before_at", type_=Instant()), bindparam("before_id", type_=Id())),
    )
    .order_by(_r.refused_at.desc(), _r.refused_id.desc())
    .limit(bindparam("most")),
)
SETTLE = Command(
    update(refused_payload)
    .where(_r.tenant_id == bindparam("of_tenant"), _r.refused_id == bindparam("id"), _r.settled_at.is_(None))
    .values(settled_at=bindparam("at"), settled_by=bindparam("by"))
)
BY_SOURCE = Query(
    SourceRow,
    select(*(reading.c[name] for name in SourceRow.__struct_fields__)).where(
        reading.c.tenant_id == bindparam("tenant_id"),
        reading.c.subject_id == bindparam("subject_id"),
        reading.c.source_key == bindparam("source_key"),
    ),
)
BY_PLACE = Query(
    SourceRow,
    select(*(reading.c[name] for name in SourceRow.__struct_fields__)).where(
        reading.c.tenant_id == bindparam("tenant_id"),
        reading.c.subject_id == bindparam("subject_id"),
        reading.c.set_id == bindparam("set_id"),
        reading.c.reading_index == bindparam("reading_index"),
    ),
)
_AT_MOMENT = select(*(reading.c[name] for name in MeasuredRow.__struct_fields__)).where(
    reading.c.tenant_id == bindparam("tenant_id")
)
MEASURED = KeyedQuery(
    MeasuredRow,
    _AT_MOMENT,
    [reading.c.subject_id, reading.c.taken_at],
    lambda clause: clause.order_by(reading.c.set_id, reading.c.reading_index),
)
# Of whom a payload brought a reading: hardly anybody's sittings are posted and sent by a device as well.
BROUGHT = KeyedQuery(
    single,
    select(subject.c.subject_id).where(
        subject.c.tenant_id == bindparam("tenant_id"),
        exists().where(
            reading.c.tenant_id == subject.c.tenant_id,
            reading.c.subject_id == subject.c.subject_id,
            # Not merely "not null": SQLite would then look through all of a person's readings and not into the index of these.
            reading.c.source_key > NO_KEY,
        ),
    ),
    [subject.c.subject_id],
)
# What is corrected may have been written by the same work, so it is read now and not ahead.
MEASURED_AT = Query(
    MeasuredRow,
    _AT_MOMENT.where(reading.c.subject_id == bindparam("subject_id"), reading.c.taken_at == bindparam("taken_at")).order_by(
        reading.c.set_id, reading.c.reading_index
    ),
)
KINDS_BEHIND = Query(
    lambda kind, places: (PAYLOAD_KIND.word(kind), places),
    select(_p.kind, _l.readings)
    .join(payload, (_p.tenant_id == _l.tenant_id) & (_p.payload_id == _l.payload_id))
    .where(_l.tenant_id == bindparam("tenant_id"), _l.subject_id == bindparam("subject_id"), _l.set_id == bindparam("set_id"))
    .order_by(_l.version),
)
OPEN_SETS = Query(
    OpenSet,
    select(*(reading_set.c[name] for name in OpenSet.__struct_fields__))
    .where(
        reading_set.c.tenant_id == bindparam("tenant_id"),
        reading_set.c.subject_id == bindparam("subject_id"),
        reading_set.c.closed_at.is_(None),
        or_(
            reading_set.c.device_id == bindparam("device_id", type_=Id()),
            reading_set.c.device_id.is_(None) & (bindparam("is_nameless") == 1),
        ),
    )
    .order_by(reading_set.c.touched_at.desc(), reading_set.c.set_id.desc())
    .limit(MOST_OPEN),
)


def insert_payload(connection: Connection, row: PayloadRow) -> bool:
    """Store a payload; False where the same bytes are stored already."""
    values = msgspec.structs.asdict(row)
    values["kind"] = PAYLOAD_KIND.number(row.kind)
    values["body"] = zlib.compress(row.body)
    return INSERT.run(connection, values) == 1


def find_payload(connection: Connection, tenant_id: int, payload_id: UUID) -> PayloadRow | None:
    return BY_ID.first(connection, {"tenant_id": tenant_id, "id": payload_id})


def find_same_payload(connection: Connection, tenant_id: int, digest: bytes) -> UUID | None:
    """The payload that has the same bytes."""
    return BY_DIGEST.first(connection, {"tenant_id": tenant_id, "digest": digest})


def link_payload(connection: Connection, row: LinkRow) -> None:
    """Store the link from a payload to the version of a set that it made."""
    LINK.run(connection, msgspec.structs.asdict(row))


def tell_of(connection: Connection, tenant_id: int, payload_id: UUID, people: Iterable[UUID]) -> None:
    """Note the people whom a payload is about, whether or not anything is made from it."""
    for one in people:
        TELL_OF.run(connection, {"tenant_id": tenant_id, "subject_id": one, "payload_id": payload_id})


def people_of_payload(connection: Connection, tenant_id: int, payload_id: UUID) -> list[UUID]:
    """The people whom a payload is known to be about."""
    return PEOPLE_OF.all(connection, {"tenant_id": tenant_id, "payload_id": payload_id})


def links_of_payload(connection: Connection, tenant_id: int, payload_id: UUID) -> list[LinkRow]:
    return LINKS_OF.all(connection, {"tenant_id": tenant_id, "payload_id": payload_id})


def links_of_set(connection: Connection, tenant_id: int, subject_id: UUID, set_id: UUID) -> list[LinkRow]:
    """The payloads behind the versions of a set."""
    return LINKS_OF_SET.all(connection, {"tenant_id": tenant_id, "subject_id": subject_id, "set_id": set_id})


def users_of_set(connection: Connection, tenant_id: int, subject_id: UUID, set_id: UUID) -> set[int]:
    """The numbers of the device's users whose readings a set holds."""
    links = links_of_set(connection, tenant_id, subject_id, set_id)
    return {link.device_user for link in links if link.device_user is not None}


def insert_refused(connection: Connection, row: RefusedRow) -> None:
    REFUSE.run(connection, msgspec.structs.asdict(row))


def refused_of_payload(connection: Connection, tenant_id: int, payload_id: UUID) -> list[RefusedRow]:
    """Every refused part of a payload, including settled ones."""
    return REFUSED_OF.all(connection, {"tenant_id": tenant_id, "payload_id": payload_id})


def find_refused(connection: Connection, tenant_id: int, refused_id: UUID) -> RefusedRow | None:
    return REFUSED_BY_ID.first(connection, {"tenant_id": tenant_id, "id": refused_id})


def refused_page(connection: Connection, tenant_id: int, before: tuple[datetime, UUID], most: int) -> list[RefusedRow]:
    """Refused parts that wait to be settled, newest first, after the end of an earlier page."""
    at, refused_id = before
    values = {"tenant_id": tenant_id, "before": at, "before_at": at, "before_id": refused_id, "most": most}
    return REFUSED_PAGE.all(connection, values)


def settle_refused(connection: Connection, tenant_id: int, refused_id: UUID, by: UUID, at: datetime) -> bool:
    """Mark a refused part as settled; False where it was settled before."""
    return SETTLE.run(connection, {"of_tenant": tenant_id, "id": refused_id, "by": by, "at": at}) == 1


def find_source(connection: Connection, tenant_id: int, subject_id: UUID, source_key: bytes) -> SourceRow | None:
    """The reading with a source key that its sender gave."""
    return BY_SOURCE.first(connection, {"tenant_id": tenant_id, "subject_id": subject_id, "source_key": source_key})


def find_placed(connection: Connection, tenant_id: int, subject_id: UUID, set_id: UUID, place: int) -> SourceRow | None:
    """The reading at a place of a person's set."""
    values = {"tenant_id": tenant_id, "subject_id": subject_id, "set_id": set_id, "reading_index": place}
    return BY_PLACE.first(connection, values)


def has_brought_readings(connection: Connection, tenant_id: int, subject_id: UUID) -> bool:
    """True if a payload brought a reading of a person."""
    return BROUGHT.first(connection, {"tenant_id": tenant_id, "subject_id": subject_id}) is not None


def find_measured(
    connection: Connection, tenant_id: int, subject_id: UUID, taken_at: datetime, pressures: tuple[int, int]
) -> list[MeasuredRow]:
    """The readings of a person that were taken at a moment with these pressures, in hundredths of mmHg."""
    of_moment = MEASURED.all(connection, {"tenant_id": tenant_id, "subject_id": subject_id, "taken_at": taken_at})
    return [row for row in of_moment if (row.systolic, row.diastolic) == pressures]


def find_measured_at(connection: Connection, tenant_id: int, subject_id: UUID, taken_at: datetime) -> list[MeasuredRow]:
    """The readings of a person that were taken at a moment, whatever their pressures."""
    return MEASURED_AT.all(connection, {"tenant_id": tenant_id, "subject_id": subject_id, "taken_at": taken_at})


def kind_behind(connection: Connection, tenant_id: int, subject_id: UUID, set_id: UUID, place: int) -> str | None:
    """The kind of the payload that brought the reading at a place of a set; None where no payload did."""
    links = KINDS_BEHIND.all(connection, {"tenant_id": tenant_id, "subject_id": subject_id, "set_id": set_id})
    return next((kind for kind, places in links if str(place) in places.split()), None)


def open_sets(connection: Connection, tenant_id: int, subject_id: UUID, device_id: UUID | None) -> list[OpenSet]:
    """The open sets of a person and a device; the one that received something last comes first."""
    values = {
        "tenant_id": tenant_id,
        "subject_id": subject_id,
        "device_id": device_id or NOTHING,
        "is_nameless": 1 if device_id is None else 0,
    }
    return OPEN_SETS.all(connection, values)
