"""Payloads read back, and the list of refused payloads: reading, repair and replay."""

from __future__ import annotations

import base64
from datetime import UTC, datetime
from uuid import UUID

import msgspec

from quietcuff.application.context import AppContext, Caller, Page, note, turn_of
from quietcuff.application.payloads.device_payloads import PayloadKind, ReceivedPayload, receive
from quietcuff.application.payloads.readers import READERS
from quietcuff.application.payloads.repeats import ReceivedSets
from quietcuff.core.model.errors import NotFound
from quietcuff.core.model.fields import utc_text
from quietcuff.storage.engine.ids import read_id
from quietcuff.storage.engine.transactions import Transaction
from quietcuff.storage.rows.paging import check_limit
from quietcuff.storage.rows.payloads import (
    LinkRow,
    PayloadRow,
    RefusedRow,
    find_payload,
    find_refused,
    links_of_payload,
    people_of_payload,
    refused_of_payload,
    refused_page,
    settle_refused,
    tell_of,
)
from quietcuff.storage.rows.reading_sets import SetPageEnd, cursor_of, page_end_of

ENCODER = msgspec.json.Encoder()
FAR_AHEAD = SetPageEnd(datetime(2300, 1, 1, tzinfo=UTC), UUID(int=2**128 - 1))


class MadeVersion(msgspec.Struct, frozen=True, kw_only=True):
    """A version of a set that a payload made, and the places of the readings that it added or changed."""

    set_id: str
    version: int
    readings: list[int]


class RefusedListed(msgspec.Struct, frozen=True, kw_only=True):
    """A part of a payload that was refused. ``place`` is empty for all of it."""

    id: str
    payload_id: str
    place: str
    code: str
    detail: str
    refused_at: str
    settled_at: str | None
    settled_by: str | None


class PayloadTold(msgspec.Struct, frozen=True, kw_only=True):
    """A payload: its origin, the versions that it made, its refused parts, and its bytes as received, in base64."""

    id: str
    kind: PayloadKind
    media_type: str
    size: int
    received_at: str
    received_by: str
    made: list[MadeVersion]
    refused: list[RefusedListed]
    body_base64: str


async def read_payload(desk: AppContext, caller: Caller, wanted: str) -> PayloadTold:
    """A payload as received, with its outcome.

    Raises:
        NotFound: this tenant has none of that id.
    """
    tenant_id, payload_id = caller.tenant_id, read_id(wanted)

    def find(snapshot: Transaction) -> tuple[PayloadRow | None, list[LinkRow], list[RefusedRow]]:
        links = links_of_payload(snapshot, tenant_id, payload_id)
        return find_payload(snapshot, tenant_id, payload_id), links, refused_of_payload(snapshot, tenant_id, payload_id)

    row, links, refused = await desk.store.read(tenant_id, find)
    if row is None:
        raise NotFound("payload")
    return PayloadTold(
        id=str(row.payload_id),
        kind=kind_of(row),
        media_type=row.media_type,
        size=row.size,
        received_at=utc_text(row.received_at),
        received_by=row.received_by,
        made=[made_by(link) for link in links],
        refused=[refused_listing(one) for one in refused],
        body_base64=base64.b64encode(row.body).decode(),
    )


def kind_of(row: PayloadRow) -> PayloadKind:
    kind: PayloadKind = msgspec.convert(row.kind, PayloadKind)
    return kind


def made_by(link: LinkRow) -> MadeVersion:
    places = [int(place) for place in link.readings.split()]
    return MadeVersion(set_id=str(link.set_id), version=link.version, readings=places)


def refused_listing(row: RefusedRow) -> RefusedListed:
    return RefusedListed(
        id=str(row.refused_id),
        payload_id=str(row.payload_id),
        place=row.place,
        code=row.code,
        detail=row.detail,
        refused_at=utc_text(row.refused_at),
        settled_at=None if row.settled_at is None else utc_text(row.settled_at),
        settled_by=None if row.settled_by is None else str(row.settled_by),
    )


async def list_refused(desk: AppContext, caller: Caller, *, limit: int, cursor: str | None) -> Page:
    """A page of refused parts that are not settled, newest first.

    Raises:
        NotAcceptable: an invalid limit or cursor.
    """
    check_limit(limit)
    # A page begins after a place in the order, so the first page begins after one that nothing can be ahead of.
    after = FAR_AHEAD if cursor is None else page_end_of(cursor)
    start = (after.taken_from, after.set_id)
    found = await desk.store.read(caller.tenant_id, lambda snapshot: refused_page(snapshot, caller.tenant_id, start, limit + 1))
    page = found[:limit]
    end = SetPageEnd(page[-1].refused_at, page[-1].refused_id) if len(found) > limit else None
    return Page(items=ENCODER.encode([refused_listing(row) for row in page]), cursor=None if end is None else cursor_of(end))


async def read_refused(desk: AppContext, caller: Caller, wanted: str) -> RefusedListed:
    """One refused part, settled or not.

    Raises:
        NotFound: this tenant has none of that id.
    """
    return refused_listing(await refused_row(desk, caller, wanted))


async def refused_row(desk: AppContext, caller: Caller, wanted: str) -> RefusedRow:
    refused_id = read_id(wanted)
    row = await desk.store.read(caller.tenant_id, lambda snapshot: find_refused(snapshot, caller.tenant_id, refused_id))
    if row is None:
        raise NotFound("refused payload")
    return row


async def replay(
    desk: AppContext, caller: Caller, wanted: str, repaired: bytes | None, *, key: str | None = None
) -> ReceivedSets:
    """Read a refused payload again, as it is or repaired. If all of it can be read it leaves the list; the original stays
    stored.

    Raises:
        NotFound: this tenant has none of that id.
        NotReadable, NotAcceptable: it still cannot be read; what was refused stays on the list.
    """
    refused = await refused_row(desk, caller, wanted)
    row = await desk.store.read(caller.tenant_id, lambda snapshot: find_payload(snapshot, caller.tenant_id, refused.payload_id))
    if row is None:
        raise NotFound("payload")
    kind = kind_of(row)
    payload = ReceivedPayload(kind=kind, media_type=row.media_type, body=row.body if repaired is None else repaired)
    received = await receive(desk, caller, payload, READERS[kind], key=key)
    if not received.refused:
        await settle(desk, caller, row.payload_id, UUID(received.payload_id))
    return received


async def settle(desk: AppContext, caller: Caller, payload_id: UUID, by: UUID) -> None:
    """Settle every refused part of a payload that another payload has made good."""
    tenant = await desk.tenants.get(caller.tenant_id)

    def work(transaction: Transaction) -> None:
        turn = turn_of(desk, tenant, caller, transaction)
        # The original tells of whom its repaired copy tells.
        tell_of(transaction, caller.tenant_id, payload_id, people_of_payload(transaction, caller.tenant_id, by))
        for row in refused_of_payload(transaction, caller.tenant_id, payload_id):
            if row.settled_at is None:
                settle_refused(transaction, caller.tenant_id, row.refused_id, by, turn.now)
        note(transaction, caller, "settle-refused", turn.now)

    await desk.store.write(caller.tenant_id, work)
