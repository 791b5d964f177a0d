"""HL7 v2 messages from the HTTP route or the MLLP listener: kept, stored, and acknowledged.

The acknowledgement is made after the commit: a message acknowledged with AA or CA is on disk.
"""

from __future__ import annotations

import hashlib
import itertools
import logging
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from uuid import uuid4

import msgspec

from quietcuff.application.context import AppContext, Caller, now
from quietcuff.application.payloads.device_payloads import ReceivedPayload, receive
from quietcuff.application.payloads.repeats import ReceivedSets
from quietcuff.core.model.errors import Fault, NotAcceptable, NotReadable
from quietcuff.decode.hl7v2.acknowledgement import Verdict, acknowledgement, acknowledgements, verdict_of
from quietcuff.decode.hl7v2.header import Head, open_message
from quietcuff.decode.hl7v2.message import MEDIA_TYPE, ReadReport, read_report
from quietcuff.decode.hl7v2.people import Conventions
from quietcuff.decode.payload import Intended, RefusedPart
from quietcuff.storage.rows.tenants import Tenant

log = logging.getLogger("quietcuff.service")


class Acknowledged(msgspec.Struct, frozen=True, kw_only=True):
    """Outcome of a message. ``answers`` are the acknowledgements that its sender asks for; ``least`` is the one to send if the
    transport needs an answer anyway."""

    answers: list[bytes]
    least: bytes
    verdict: Verdict
    repeated: bool = False


async def read_hl7v2(desk: AppContext, tenant: Tenant, body: bytes) -> Intended:
    """Readings and refusals of a message, by the conventions of its tenant.

    Raises:
        NotReadable: it has no readable header.
        NotAcceptable: the whole message is rejected.
    """
    return intended_of(read_report(body, conventions_of(desk, tenant)))


def conventions_of(desk: AppContext, tenant: Tenant) -> Conventions:
    return Conventions(
        zone=tenant.zone,
        authorities=tenant.settings.authorities,
        received_at=now(desk),
        limits=desk.rulebook.limits,
    )


def intended_of(report: ReadReport) -> Intended:
    """Content of a report that is to be stored.

    Raises:
        NotAcceptable: the whole report is rejected.
    """
    if report.rejected is not None:
        raise NotAcceptable([as_fault(report.rejected)])
    return report.intended()


def as_fault(part: RefusedPart) -> Fault:
    return Fault(pointer=part.place, code=part.code, detail=part.detail)


async def receive_hl7v2(
    desk: AppContext, caller: Caller, body: bytes, *, media_type: str = MEDIA_TYPE, key: str | None = None
) -> Acknowledged:
    """Keep a message, store its readings and acknowledge it. A repeat under the same key gets the same acknowledgement again.

    Raises:
        NotReadable: it has no readable header; it is kept in the list of refused payloads.
        Busy: nothing was kept, and sending it again may help.
    """
    reports: list[ReadReport] = []

    async def reader(desk: AppContext, tenant: Tenant, body: bytes) -> Intended:
        reports.append(read_report(body, conventions_of(desk, tenant)))
        return intended_of(reports[-1])

    payload = ReceivedPayload(kind="hl7v2", media_type=media_type, body=body)
    received = None
    try:
        received = await receive(desk, caller, payload, reader, key=key)
        refused = [RefusedPart(place=part.place, code=part.code, detail=part.detail) for part in received.refused]
    except NotAcceptable as error:
        refused = [RefusedPart(place=fault.pointer or "", code=fault.code, detail=fault.detail) for fault in error.faults]
    # The reader notes its report before anything is stored; if there is none, reading the message itself failed.
    if not reports:
        return without_report(desk, body, refused)
    report = reports[-1]
    log.info("%s", msgspec.json.encode({"request_id": caller.request_id, "observations": report.counts()}).decode())
    verdict = verdict_of(refused, is_rejected=report.rejected is not None)
    # Without a key a repeat is a message like any other, and its acknowledgement has an id of its own.
    if key is None or received is None:
        return acknowledge(desk, report.head, verdict, refused)
    ids = control_ids(key, received)
    told = acknowledge(desk, report.head, verdict, refused, at=received.at, new_control_id=lambda: next(ids))
    return msgspec.structs.replace(told, repeated=received.repeated)


def control_ids(key: str, received: ReceivedSets) -> Iterator[str]:
    """Control ids that are the same for a repeat of the same message under the same key."""
    for number in itertools.count():
        yield hashlib.sha256(f"{received.payload_id} {received.at} {number} {key}".encode()).hexdigest()[:20]


def without_report(desk: AppContext, body: bytes, refused: Sequence[RefusedPart]) -> Acknowledged:
    """Acknowledgement for a message that is kept, but from which not even a report could be made.

    Raises:
        NotReadable: it has no readable header.
    """
    return acknowledge(desk, open_message(body).head, "E", refused)


def new_control_id() -> str:
    """A new control id. HL7 versions before 2.7 allow twenty characters."""
    return uuid4().hex[:20]


def acknowledge(
    desk: AppContext,
    head: Head,
    verdict: Verdict,
    refused: Sequence[RefusedPart],
    *,
    at: datetime | None = None,
    new_control_id: Callable[[], str] = new_control_id,
) -> Acknowledged:
    """Acknowledgements for a message."""
    at = at or now(desk)
    answers = acknowledgements(head, verdict, refused, at=at, new_control_id=new_control_id)
    code = f"{'C' if head.is_enhanced else 'A'}{verdict}"
    least = answers[0] if answers else acknowledgement(head, code, refused, at=at, control_id=new_control_id())
    return Acknowledged(answers=answers, least=least, verdict=verdict)


def turn_away(desk: AppContext, start: bytes, part: RefusedPart) -> Acknowledged | None:
    """Rejection of a message of which nothing is kept, made from its first bytes. None if they hold no readable header."""
    try:
        head = open_message(start).head
    except NotReadable:
        return None
    return acknowledge(desk, head, "R", [part])
