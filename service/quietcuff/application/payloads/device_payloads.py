"""Payloads of devices and systems: kept as received, read, and joined to sets, so that nothing is ever lost.

``receive`` keeps the bytes, stores the readings and answers, in one transaction. A payload that cannot be read is kept in the
list of refused payloads with the reason. It can be replayed later, repaired or as it is.
"""

from __future__ import annotations

import contextlib
import hashlib
import logging
import traceback
from collections.abc import Awaitable, Callable
from typing import Literal
from uuid import UUID, uuid4

import msgspec

from quietcuff.answered import RefusedPayload
from quietcuff.application.context import AppContext, Caller, UnitOfWork, note, turn_of
from quietcuff.application.payloads.attach_readings import join
from quietcuff.application.payloads.joined import Joined
from quietcuff.application.payloads.repeats import (
    ReceivedSets,
    Retry,
    answered_before,
    remember,
    retry_of,
)
from quietcuff.core.model.errors import Fault, NotAcceptable, NotReadable, QuietcuffError
from quietcuff.decode.payload import Intended, RefusedPart
from quietcuff.storage.engine.ids import keyed_digest, order_of_subject, subject_id
from quietcuff.storage.engine.transactions import RunAgain
from quietcuff.storage.rows.payloads import (
    LinkRow,
    PayloadRow,
    RefusedRow,
    find_same_payload,
    insert_payload,
    insert_refused,
    link_payload,
    refused_of_payload,
    settle_refused,
    tell_of,
)
from quietcuff.storage.rows.tenants import Tenant

PayloadKind = Literal["gatt", "hl7v2", "fhir"]
LONGEST_PLACE = 255
MOST_REASONS = 10
UNFORESEEN = Fault(pointer="", code="unforeseen", detail="The service did not foresee it; it is kept, to be read again.")
log = logging.getLogger("quietcuff.service")


class ReceivedPayload(msgspec.Struct, frozen=True, kw_only=True):
    """A payload as received."""

    kind: PayloadKind
    media_type: str
    body: bytes


# A reader tells what a payload says; it may ask the store for what it needs to know of devices and tenant settings.
Reader = Callable[[AppContext, Tenant, bytes], Awaitable[Intended]]


async def receive(
    desk: AppContext, caller: Caller, payload: ReceivedPayload, reader: Reader, *, key: str | None = None
) -> ReceivedSets:
    """Keep a payload, store its readings and return the outcome. A repeat under the same key gets the first outcome again.

    Raises:
        NotReadable, NotAcceptable: nothing of it could be read, or the key belongs to another payload. The payload is then kept
        in the list of refused payloads. It is kept there after any other failure too.
    """
    tenant = await desk.tenants.get(caller.tenant_id)
    try:
        intended = await reader(desk, tenant, payload.body)
    except NotReadable as error:
        (fault,) = await keep_refused(desk, caller, tenant, payload, [error.fault])
        raise NotReadable(fault) from error
    except NotAcceptable as error:
        raise NotAcceptable(await keep_refused(desk, caller, tenant, payload, error.faults)) from error
    # An error that the caller can act on, such as Busy: nothing is kept, and the sender tries again.
    except QuietcuffError:
        raise
    except Exception as error:
        note_unforeseen(caller, error)
        raise NotAcceptable(await keep_refused(desk, caller, tenant, payload, [UNFORESEEN])) from error
    try:
        received = await store(desk, caller, tenant, payload, intended, retry_of(tenant, payload.kind, payload.body, key))
    except NotAcceptable as error:
        raise NotAcceptable(await keep_refused(desk, caller, tenant, payload, error.faults)) from error
    except QuietcuffError:
        raise
    except Exception as error:
        # What failed may pass, so the sender is to try again; whether it does or not, the bytes are kept.
        note_unforeseen(caller, error)
        with contextlib.suppress(Exception):
            await keep_refused(desk, caller, tenant, payload, [UNFORESEEN])
        raise
    if received.is_success:
        return received
    raise NotAcceptable([fault_of_refused(part) for part in received.refused])


def note_unforeseen(caller: Caller, error: Exception) -> None:
    """Log that a payload could not be stored: the error's type and the place in the code, but nothing of the content."""
    # No message of the error: it may quote the payload, and no patient's data belongs in a log.
    frames = [f"{frame.filename}:{frame.lineno} {frame.name}" for frame in traceback.extract_tb(error.__traceback__)[-5:]]
    told = {"request_id": caller.request_id, "payload_failed": type(error).__qualname__, "at": frames}
    log.error("%s", msgspec.json.encode(told).decode())


async def keep_refused(
    desk: AppContext, caller: Caller, tenant: Tenant, payload: ReceivedPayload, faults: list[Fault]
) -> list[Fault]:
    """Keep an unreadable payload as one entry of the list; return its faults, each with the entry's id."""
    reasons = [f"{fault.pointer or 'the whole'}: {fault.detail}" for fault in faults[:MOST_REASONS]]
    whole = RefusedPart(place="", code=faults[0].code, detail=" ".join(reasons))
    received = await store(desk, caller, tenant, payload, Intended(sittings=[], refused=[whole]))
    return [msgspec.structs.replace(fault, refused_payload_id=received.refused[0].refused_payload_id) for fault in faults]


def fault_of_refused(part: RefusedPayload) -> Fault:
    return Fault(pointer=part.place, code=part.code, detail=part.detail, refused_payload_id=part.refused_payload_id)


async def store(
    desk: AppContext, caller: Caller, tenant: Tenant, payload: ReceivedPayload, intended: Intended, retry: Retry | None = None
) -> ReceivedSets:
    """Store a payload and its readings in one transaction."""
    people = sorted({subject_id(tenant.secret, sitting.subject.identifier) for sitting in intended.sittings})
    # The place of one person only; the locks of the others are taken in the order of ids, as everywhere.
    order = order_of_subject(people[0]) if people else b""
    return await desk.store.write(
        tenant.tenant_id,
        lambda transaction: store_payload(turn_of(desk, tenant, caller, transaction), payload, intended, retry),
        order=order,
    )


def store_payload(turn: UnitOfWork, payload: ReceivedPayload, intended: Intended, retry: Retry | None) -> ReceivedSets:
    """Store the payload, its sets, links and refused parts; or return the first answer if the request is a repeat."""
    answered = answered_before(turn, retry)
    if answered is not None:
        return answered
    payload_id = keep_payload(turn, payload)
    joined = Joined(kind=payload.kind, refused=list(intended.refused))
    by_person = [(subject_id(turn.tenant.secret, sitting.subject.identifier), sitting) for sitting in intended.sittings]
    tell_of(turn.transaction, turn.tenant.tenant_id, payload_id, sorted({person for person, _ in by_person}))
    # One order of locks for everybody, and of one person the sender's order.
    for person, sitting in sorted(by_person, key=lambda pair: pair[0]):
        join(turn, person, sitting, joined)
    for made in joined.made:
        places = " ".join(map(str, made.places))
        row = LinkRow(turn.tenant.tenant_id, made.person, made.set_id, made.version, payload_id, places, made.user)
        link_payload(turn.transaction, row)
    refused = refuse(turn, payload_id, joined.refused)
    note(turn.transaction, turn.caller, "keep-payload", turn.now)
    received = ReceivedSets(
        payload_id=str(payload_id),
        sets=[*joined.answers.values(), *joined.known.values()],
        changed=len(joined.answers),
        replayed=joined.replayed,
        refused=refused,
        at=turn.now,
    )
    remember(turn, retry, received)
    return received


def keep_payload(turn: UnitOfWork, payload: ReceivedPayload) -> UUID:
    """Store the bytes and return the payload's id. Equal bytes that came before keep their id.

    Raises:
        RunAgain: another process stored the same bytes meanwhile.
    """
    digest = keyed_digest(
        turn.tenant.secret, b"payload", payload.kind.encode(), hashlib.sha256(payload.body).hexdigest().encode()
    )
    known = find_same_payload(turn.transaction, turn.tenant.tenant_id, digest)
    if known is not None:
        return known
    row = PayloadRow(
        tenant_id=turn.tenant.tenant_id,
        payload_id=uuid4(),
        digest=digest,
        kind=payload.kind,
        media_type=payload.media_type,
        size=len(payload.body),
        body=payload.body,
        received_by=turn.caller.actor,
        received_at=turn.now,
    )
    if not insert_payload(turn.transaction, row):
        raise RunAgain
    return row.payload_id


def refuse(turn: UnitOfWork, payload_id: UUID, parts: list[RefusedPart]) -> list[RefusedPayload]:
    """Put parts into the list of refused payloads, each once. Earlier refused parts that are now accepted are settled."""
    waiting = {
        (row.place, row.code): row
        for row in refused_of_payload(turn.transaction, turn.tenant.tenant_id, payload_id)
        if row.settled_at is None
    }
    told = []
    for part in {(part.place[:LONGEST_PLACE], part.code): part for part in parts}.values():
        place = part.place[:LONGEST_PLACE]
        row = waiting.pop((place, part.code), None)
        if row is None:
            row = RefusedRow(turn.tenant.tenant_id, uuid4(), payload_id, place, part.code, part.detail, turn.now)
            insert_refused(turn.transaction, row)
        told.append(RefusedPayload(place=place, code=part.code, detail=part.detail, refused_payload_id=str(row.refused_id)))
    for row in waiting.values():
        settle_refused(turn.transaction, turn.tenant.tenant_id, row.refused_id, payload_id, turn.now)
    return told
